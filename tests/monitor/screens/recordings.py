"""A recording for the instructor's screen: pictures of a drill, marks, and a file that is gone through at will. No thread."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass, field
from datetime import UTC, datetime
from math import nan

from monitor.engine.picture import Picture
from monitor.rig.schema import Rig


@dataclass(frozen=True)
class MarkStandIn:
    number: int
    time_ns: int
    kind: str
    text: str
    word: str = ""


@dataclass
class OtherStandIn:
    limits: dict[str, float]
    marks: list[MarkStandIn]
    known_ns: int = 10**12
    whole: bool = True


@dataclass
class RecordedStandIn:
    """Pictures are made at once, as far as `known` says; the screens are real, only the file is not there."""

    rig: Rig
    pictures: tuple[Picture, ...]
    known: int = 10**9
    name: str = "yard.jsonl"
    started: datetime | None = field(default_factory=lambda: datetime(2026, 3, 1, 9, 30, tzinfo=UTC))
    faults: list[str] = field(default_factory=list)
    trouble: str = ""
    made: list[MarkStandIn] = field(default_factory=list)
    asked: list[tuple[int, bool]] = field(default_factory=list)
    noted: list[tuple[int, str]] = field(default_factory=list)
    refuses: str = ""
    slow: bool = False
    """Nothing that is wanted comes any more."""
    shown: int | None = None
    other: OtherStandIn | None = None
    tried: list[dict[str, float]] = field(default_factory=list)

    @property
    def times(self) -> list[int]:
        return [it.time_ns for it in self.pictures[: self.known]]

    @property
    def rises(self) -> dict[str, list[float]]:
        names = [it.name for it in self.rig.stack]
        return {
            name: [nan if it.stacks[i].rise_m is None else it.stacks[i].rise_m for it in self.pictures[: self.known]]
            for i, name in enumerate(names)
        }

    @property
    def end_ns(self) -> int:
        return self.pictures[-1].time_ns if self.pictures else 0

    @property
    def whole(self) -> bool:
        return self.known >= len(self.pictures)

    @property
    def share(self) -> float:
        return min(1.0, self.known / max(1, len(self.pictures)))

    @property
    def marks(self) -> list[MarkStandIn]:
        return [it for it in self.made if it.number <= self.known]

    def looked_back(self, number: int) -> tuple[float | None, float | None, float | None]:
        """A little beside what was live, as hindsight is (invented)."""
        load = self.pictures[number].load
        if load.rise_m is None or load.tilt_x_rad is None or load.tilt_y_rad is None:
            return None, None, None
        return load.rise_m + 0.0004, load.tilt_x_rad + 0.0002, load.tilt_y_rad - 0.0002

    def number_at(self, time_ns: int) -> int:
        return max(0, bisect_right(self.times, time_ns) - 1)

    def latest(self) -> tuple[int, Picture] | None:
        return None if self.shown is None else (self.shown, self.pictures[self.shown])

    def go(self, number: int, *, through: bool = False) -> None:
        self.asked.append((number, through))
        if self.pictures and number < min(self.known, len(self.pictures)) and not self.slow:
            self.shown = number

    def what_if(self, limits) -> None:
        self.tried.append(dict(limits))

    reported: str = ""
    reports: int = 0

    def report(self) -> None:
        self.reports += 1

    def note(self, time_ns: int, text: str) -> str:
        if self.refuses:
            return self.refuses
        self.noted.append((time_ns, text))
        self.made.append(MarkStandIn(bisect_left(self.times, time_ns), time_ns, "note", f"{text} (trainer)"))
        self.made.sort(key=lambda it: it.time_ns)
        return ""


def lift(rig: Rig, demo: tuple[Picture, ...]) -> RecordedStandIn:
    """The demo with its alarms and steps as marks."""
    it = RecordedStandIn(rig, demo)
    step = None
    for number, picture in enumerate(demo):
        for change in picture.transitions:
            if change.alarm.raised_ns == change.time_ns and change.alarm.state.value == "unacknowledged":
                word = change.alarm.priority.word
                it.made.append(MarkStandIn(number, change.time_ns, "alarm", change.alarm.text, word))
        now = picture.step.number if picture.step is not None and picture.zero.taken_ns is not None else None
        if now is not None and now != step:
            it.made.append(MarkStandIn(number, picture.time_ns, "step", f"step {now} begins", str(now)))
            step = now
    return it
