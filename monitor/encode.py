"""Pictures and alarms as the plain objects that other programs read: times in seconds, keys as published.

None stays null: not known, never zero. Keys may be added, never renamed.
"""

from __future__ import annotations

from typing import Any

from monitor.engine.picture import (
    AlarmPicture,
    BagPicture,
    BalancePicture,
    HingePicture,
    LoadPicture,
    Picture,
    SensorPicture,
    ShorePicture,
    StackPicture,
    Transition,
)

Json = dict[str, Any]


def seconds(time_ns: int | None) -> float | None:
    """Nanoseconds as seconds, for reading (rounded to a tenth of a millisecond)."""
    return None if time_ns is None else round(time_ns * 1e-9, 4)


def alarm(it: AlarmPicture) -> Json:
    """One alarm, without its state and without what it is among others: what a verdict says of a raising."""
    return {
        "rule": it.rule,
        "about": it.about,
        "priority": it.priority.word,
        "raised": seconds(it.raised_ns),
        "cleared": seconds(it.cleared_ns),
        "acknowledged": seconds(it.acknowledged_ns),
        "text": it.text,
        "evidence": dict(it.evidence),
    }


def transition(it: Transition) -> Json:
    """One alarm transition, as `run --headless --json` prints it and the journal keeps it."""
    return {
        "kind": "alarm",
        "t": seconds(it.time_ns),
        "state": it.alarm.state.value,
        **alarm(it.alarm),
        "first": it.alarm.first,
        "under": it.alarm.under,
        "chattering": it.alarm.chattering,
    }


def standing(it: AlarmPicture) -> Json:
    """One alarm as it stands, with all that is known of it."""
    return {
        **alarm(it),
        "state": it.state.value,
        "active": it.active,
        "first": it.first,
        "under": it.under,
        "chattering": it.chattering,
    }


def picture(it: Picture) -> Json:
    """One picture, as `run --headless --json` prints it and as it goes over the network.

    All of it but the transitions, which are printed and sent one by one; times are rounded, and nothing else.
    """
    return {
        "kind": "picture",
        "t": seconds(it.time_ns),
        "rig": it.rig,
        "step": it.step.number if it.step else None,
        "now": None if it.step is None else {"progress": it.step.progress, "left": it.step.left, "done": it.step.done},
        "steps": [
            {
                "step": s.number,
                "do": s.do,
                "bag": s.bag,
                "stop": s.stop,
                "started": seconds(s.started_ns),
                "ended": seconds(s.ended_ns),
                "ok": s.ok,
            }
            for s in it.steps
        ],
        "zeroed": seconds(it.zero.taken_ns),
        "zero": {"ready": it.zero.ready, "why_not": it.zero.why_not, "live_ready": it.zero.live_ready},
        "load": _part(it.load),
        "hinge": _part(it.hinge),
        "balance": _part(it.balance),
        "stacks": {
            stack.name: _part(stack, "name", "bags") | {"bags": {bag.name: _part(bag, "name") for bag in stack.bags}}
            for stack in it.stacks
        },
        "shores": {shore.name: _part(shore, "name") for shore in it.shores},
        "captured_m": it.captured_m,
        "uncaptured_m": it.uncaptured_m,
        "fall_m": it.fall_m,
        "held_by": None if it.held_by is None else list(it.held_by),
        "alarms": [standing(a) for a in it.alarms],
        "unknown": [{"rule": b.rule, "about": b.about, "because": b.because} for b in it.blind],
        "sensors": {
            sensor.name: _part(sensor, "name") | {"status": sensor.status.value, "age_s": _rounded(sensor.age_s)}
            for sensor in it.sensors
        },
        "ports": {port.name: {"up": port.up, "text": port.text, "since": seconds(port.since_ns)} for port in it.ports},
        "checklist": [
            {"item": i.item, "who": i.who, "ticked": i.ticked, "by": i.by, "t": seconds(i.ticked_ns)}
            for i in it.checklist
        ],
        "questions": [{"about": q.about, "text": q.text, "since": seconds(q.since_ns)} for q in it.questions],
        "stop": it.stop_called,
        "flood": it.flood,
        "abandoned": it.abandoned,
        "answer": None
        if it.answer is None
        else {
            "t": seconds(it.answer.time_ns),
            "do": it.answer.do,
            "ok": it.answer.ok,
            "text": it.answer.text,
        },
    }


_Part = LoadPicture | HingePicture | BalancePicture | StackPicture | BagPicture | ShorePicture | SensorPicture


def _part(it: _Part, *but: str) -> Json:
    """A part of the picture under the names its class gives, without those that are said elsewhere."""
    return {key: getattr(it, key) for key in it.__slots__ if key not in but}


def _rounded(age_s: float | None) -> float | None:
    return None if age_s is None else round(age_s, 3)
