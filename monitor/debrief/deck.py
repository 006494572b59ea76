"""A player with a thread of its own: it makes the picture that is wanted now, and goes through the recording meanwhile.

The newest wish alone counts, so that a key held down never makes a queue. Whoever shows the pictures never waits.
"""

from __future__ import annotations

import threading
from bisect import bisect_left, bisect_right
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Protocol

from monitor.debrief.marks import Kind, Mark
from monitor.debrief.notes import Notes
from monitor.debrief.player import Player
from monitor.debrief.whatif import WhatIf
from monitor.engine.picture import Picture
from monitor.rig.schema import Rig
from replay.codec import JournalError

_SLICE = 4
"""Pictures that the recording is gone through between two looks at what is wanted: a few hundredths of a second."""


class Reporting(Protocol):
    """A report that is being written piece by piece. Call `advance` until it is False; `said`: how far it is, how it ended."""

    said: str

    def advance(self) -> bool: ...


class Deck:
    """What an instructor's screen is fed from (monitor/screens/recorded.py). `who` writes the notes; `now`: wall clock; `report`
    makes the report of a recording."""

    def __init__(
        self,
        player: Player,
        notes: Notes,
        who: str,
        now: Callable[[], datetime] = lambda: datetime.now(UTC),
        *,
        report: Callable[[Path], Reporting] | None = None,
    ) -> None:
        self._player, self._notes, self._who, self._now = player, notes, who, now
        self.name = player.recording.path.name
        self.started = player.started
        self.trouble = ""
        self._latest: tuple[int, Picture] | None = None
        self._wanted: int | None = 0
        self._through = False
        self._limits: dict[str, float] | None = None
        self._other: WhatIf | None = None
        self._report, self._report_wanted = report, False
        self._reporting: Reporting | None = None
        self._writing = False
        self._told = threading.Condition()
        self._stopping = False
        self._thread = threading.Thread(target=self._run, name="replay", daemon=True)

    def start(self) -> None:
        """Begin to go through the recording."""
        self._thread.start()

    def stop(self) -> None:
        """End; returns when the thread has. Safe to call twice."""
        with self._told:
            self._stopping = True
            self._told.notify()
        if self._thread.is_alive():
            self._thread.join()
        self._player.close()

    @property
    def rig(self) -> Rig:
        """The rig that was watched."""
        return self._player.rig

    @property
    def times(self) -> Sequence[int]:
        """When each picture was made, ns since the session began, as far as the recording has been gone through."""
        return self._player.times

    @property
    def rises(self) -> Mapping[str, Sequence[float]]:
        """The rise (m) at each stack's head, by picture, nan where it was not known."""
        return self._player.rises

    @property
    def end_ns(self) -> int:
        """When the session ends."""
        return max(self._player.end_ns, self.times[-1] if self.times else 0)

    @property
    def whole(self) -> bool:
        """Whether the recording has been gone through."""
        return self._player.whole

    @property
    def share(self) -> float:
        """How much of it has been gone through, 0 to 1."""
        return self._player.share

    @property
    def faults(self) -> Sequence[str]:
        """What is wrong with the files, a sentence each."""
        recording = self._player.recording
        said = [] if recording.damage is None or not self.whole else [recording.damage]
        lost = sum(gap.lost for gap in recording.gaps)
        if lost:
            said.append(f"LOST: {lost} entries could not be kept when this was recorded")
        if self._player.same_as_live is False:
            said.append("NOT THE SAME AS LIVE: the engine now says other alarms than it did then")
        return [*said, *self._notes.faults]

    @property
    def marks(self) -> Sequence[Mark]:
        """All that happened, notes among it, in order of time."""
        times = self._player.times
        notes = [
            Mark(bisect_left(times, it.time_ns), it.time_ns, Kind.NOTE, f"{it.text} ({it.who})")
            for it in self._notes.kept
        ]
        marks = list(self._player.marks)
        return sorted((*marks, *notes), key=lambda it: it.time_ns) if notes else marks

    def looked_back(self, number: int) -> tuple[float | None, float | None, float | None]:
        """Rise (m) and tilts (rad) of a picture in hindsight; None what is not known."""
        return self._player.looked_back(number)

    def number_at(self, time_ns: int) -> int:
        """The newest picture that is no later than a time, 0 where there is none."""
        return max(0, bisect_right(self.times, time_ns) - 1)

    def latest(self) -> tuple[int, Picture] | None:
        """The newest picture that was made, and its number."""
        return self._latest

    def go(self, number: int, *, through: bool = False) -> None:
        """Want a picture; with `through` all on the way to it are shown, as fast as they are made."""
        with self._told:
            self._wanted, self._through = max(0, number), through
            self._told.notify()

    def note(self, time_ns: int, text: str) -> str:
        """Keep a note at a time; "" or, in a sentence, why it could not be kept."""
        return self._notes.add(time_ns, text, self._who, self._now())

    @property
    def other(self) -> WhatIf | None:
        """The run under other limits, while there is one."""
        return self._other

    def what_if(self, limits: Mapping[str, float]) -> None:
        """Run it again under other limits (SI, by their names in the rig file), in the background; {} gives that up."""
        with self._told:
            self._limits = dict(limits)
            self._told.notify()

    def report(self) -> None:
        """Write the report of the recording, in the background; while one is written no other is begun."""
        with self._told:
            self._report_wanted = True
            self._told.notify()

    @property
    def reported(self) -> str:
        """How far the report is that was wanted, how it ended, or why there is none; "" while nobody wanted one."""
        return "" if self._reporting is None else self._reporting.said

    def _run(self) -> None:
        try:
            self._loop()
        except Exception as error:  # noqa: BLE001 - told on the screen, which would stand still otherwise
            self.trouble = f"the replay has ended: {type(error).__name__}: {error}"

    def _loop(self) -> None:
        while True:
            with self._told:
                while not (self._stopping or self._report_wanted or self._limits is not None) and self._waits:
                    self._told.wait()
                if self._stopping:
                    return
                number, limits, self._limits = self._next(), self._limits, None
                report, self._report_wanted = self._report_wanted, False
            if limits is not None:
                self._begin_other(limits)
            if report and not self._writing and self._report is not None:
                self._reporting, self._writing = self._report(self._player.recording.path), True
            if number is not None:
                self._make(number)
            else:
                for _ in range(_SLICE):
                    self._player.advance()
                    if self._other is not None:
                        self._other.advance()
                if self._writing and self._reporting is not None:
                    self._writing = self._reporting.advance()

    @property
    def _waits(self) -> bool:
        """Whether there is nothing to make, and all has been gone through that is to be."""
        gone_through = self.whole and (self._other is None or self._other.whole)
        return self._next() is None and gone_through and not self._writing

    def _begin_other(self, limits: dict[str, float]) -> None:
        try:
            self._other = WhatIf(self._player.recording.path, self.rig, limits) if limits else None
        except JournalError as error:
            self.trouble, self._other = str(error), None

    def _next(self) -> int | None:
        """The picture to make now; None where none is wanted, or it has not been come to yet."""
        last = len(self.times) - 1
        if self._wanted is None:
            return None
        if self.whole:
            self._wanted = min(self._wanted, last)
        shown = self._latest[0] if self._latest is not None else -1
        if self._wanted == shown or last < 0:
            return None
        if self._through and shown < self._wanted:
            return shown + 1 if shown < last else None
        return self._wanted if self._wanted <= last else None

    def _make(self, number: int) -> None:
        try:
            self._latest = number, self._player.picture(number)
        except JournalError as error:
            self.trouble, self._wanted = str(error), None
