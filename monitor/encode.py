"""Pictures and alarms as the plain objects that other programs read: times in seconds, keys as published.

None stays null: not known, never zero. Keys may be added, never renamed.
"""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from monitor.engine.picture import AlarmPicture, Picture, StackPicture, Transition

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


def picture(it: Picture) -> Json:
    """One picture, as `run --headless --json` prints it."""
    load = it.load
    return {
        "kind": "picture",
        "t": seconds(it.time_ns),
        "step": it.step.number if it.step else None,
        "zeroed": seconds(it.zero.taken_ns),
        "load": {
            "rise_m": load.rise_m,
            "rise_sd_m": load.rise_sd_m,
            "tilt_x_rad": load.tilt_x_rad,
            "tilt_y_rad": load.tilt_y_rad,
            "bound_m": load.bound_m,
            "rate_m_s": load.rate_m_s,
        },
        "hinge": {
            "distance_m": it.hinge.distance_m,
            "direction_rad": it.hinge.direction_rad,
            "sd_m": it.hinge.sd_m,
            "free": it.hinge.free,
            "walk_m": it.hinge.walk_m,
        },
        "balance": asdict(it.balance),
        "stacks": {stack.name: _stack(stack) for stack in it.stacks},
        "shores": {
            shore.name: {
                "gap_m": shore.gap_m,
                "air_pa": shore.air_pa,
                "load_n": shore.load_n,
                "load_most_n": shore.load_most_n,
                "doing": shore.doing,
            }
            for shore in it.shores
        },
        "uncaptured_m": it.uncaptured_m,
        "fall_m": it.fall_m,
        "held_by": None if it.held_by is None else list(it.held_by),
        "unknown": [{"rule": b.rule, "about": b.about, "because": b.because} for b in it.blind],
        "sensors": {
            sensor.name: {
                "status": sensor.status.value,
                "age_s": _rounded(sensor.age_s),
                "value": sensor.value,
                "calibration_sd": sensor.calibration_sd,
                "beyond_calibration": sensor.beyond_calibration,
            }
            for sensor in it.sensors
        },
        "ports": {port.name: {"up": port.up, "text": port.text} for port in it.ports},
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


def _stack(it: StackPicture) -> Json:
    return {
        "force_n": it.force_n,
        "height_m": it.height_m,
        "lean_m": it.lean_m,
        "lean_x_m": it.lean_x_m,
        "lean_y_m": it.lean_y_m,
        "lean_use": it.lean_use,
        "lean_sd_m": it.lean_sd_m,
        "lean_bound_m": it.lean_bound_m,
        "lean_at_rise_m": it.lean_at_rise_m,
        "slip_m": it.slip_m,
        "slipping": it.slipping,
        "disagree": list(it.disagree),
        "reach_m": it.reach_m,
        "sink_m_s": it.sink_m_s,
        "bags": {
            bag.name: {
                "pressure_pa": bag.pressure_pa,
                "height_m": bag.height_m,
                "use": bag.use,
                "doing": bag.doing,
                "loss_pa_s": bag.loss_pa_s,
            }
            for bag in it.bags
        },
    }


def _rounded(age_s: float | None) -> float | None:
    return None if age_s is None else round(age_s, 3)
