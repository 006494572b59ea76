"""What happened in a session, in marks on its time: alarms that rose, steps that began, what people did, links that went.

Made from the entries and pictures of a run, in their order. Pure.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

from monitor.engine.picture import AlarmState, Picture
from replay.entries import Action, Entry, Notice


class Kind(StrEnum):
    """What a mark is of."""

    ALARM = "alarm"
    STEP = "step"
    ACTION = "action"
    NOTICE = "notice"
    NOTE = "note"


@dataclass(frozen=True, slots=True)
class Mark:
    """One thing that happened. `number`: the first picture that knows of it. `word`: an alarm's priority, a step's number, what a
    person did; else ""."""

    number: int
    time_ns: int
    kind: Kind
    text: str
    word: str = ""


_SAID = {
    "zero": "zero",
    "back": "back one step",
    "abandon": "plan abandoned",
    "cribbed": "cribbing packed",
    "acknowledge": "seen",
    "reset": "reset",
    "shelve": "shelved",
    "out-of-service": "out of service",
    "in-service": "in service",
    "release": "release",
    "isolate": "off its hose, or on again",
    "tick": "checklist item",
    "note": "note",
    "stop": "STOP called",
    "clear-stop": "STOP cleared",
}
"""What a person did, in words. `next` is told by the step that begins."""


class Marker:
    """Gathers marks from a run: `entry` for every input, `picture` for every picture that came of one."""

    def __init__(self) -> None:
        self._waiting: list[tuple[int, Kind, str, str]] = []
        """What a mark holds but for its picture."""
        self._step: int | None = None

    def entry(self, entry: Entry) -> None:
        """Take an input before its picture is there."""
        if isinstance(entry, Action) and entry.do != "next":
            said = _SAID.get(entry.do, entry.do)
            words = ", ".join(str(it) for key, it in entry.details.items() if isinstance(it, str) and key != "by")
            by = "" if entry.by == "operator" else f" by {entry.by}"
            text = f"{said}{f': {words}' if words else ''}{by}"
            self._waiting.append((entry.time_ns, Kind.ACTION, text, entry.do))
        elif isinstance(entry, Notice) and (entry.active or entry.time_ns > 0):
            about = f" {entry.about}" if entry.about else ""
            late = ", written late" if entry.late else ""
            self._waiting.append((entry.time_ns, Kind.NOTICE, f"{entry.kind}{about}: {entry.text}{late}", ""))

    def picture(self, number: int, picture: Picture) -> list[Mark]:
        """The marks that this picture is the first to know of, in order of time."""
        found = [Mark(number, *it) for it in self._waiting]
        self._waiting.clear()
        for it in picture.transitions:
            alarm = it.alarm
            if alarm.raised_ns == it.time_ns and alarm.state is AlarmState.UNACKNOWLEDGED:
                found.append(Mark(number, it.time_ns, Kind.ALARM, alarm.text, alarm.priority.word))
        step = picture.step.number if picture.step is not None and picture.zero.taken_ns is not None else None
        if step != self._step:
            self._step = step
            found += _turn(number, picture, step)
        return sorted(found, key=lambda it: it.time_ns)


def _turn(number: int, picture: Picture, step: int | None) -> Iterator[Mark]:
    """That a step began, or the plan is at its end: when the step itself says, which a person's key made before this picture."""
    if step is not None:
        now = picture.steps[step - 1]
        what = f"step {step} {now.do} {now.bag or ''}".rstrip()
        at_ns = picture.time_ns if now.started_ns is None else now.started_ns
        yield Mark(number, at_ns, Kind.STEP, f"{what}: {now.stop}", str(step))
    elif not picture.abandoned and picture.zero.taken_ns is not None:
        ended_ns = picture.steps[-1].ended_ns if picture.steps else None
        at_ns = picture.time_ns if ended_ns is None else ended_ns
        yield Mark(number, at_ns, Kind.STEP, "the plan is at its end")
