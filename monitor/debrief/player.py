"""A recording as something to walk through: any picture of it, in any order, the very ones that were made live.

The recording is gone through once, from its beginning, each block proven before it is played. On the way the engine's state is
kept every so often, with the place in the file; a picture is then made from the nearest state before it and the entries since.
Entries are not held in memory: they are read again. The engine is the live one and knows nothing of this. No thread, no
screen: `deck.py` goes through the recording in the background and a screen shows it.
"""

from __future__ import annotations

from array import array
from collections import OrderedDict
from collections.abc import Generator, Iterator
from datetime import datetime
from math import nan
from pathlib import Path

from drivers.reading import Reading
from monitor.debrief.began import began
from monitor.debrief.checkpoint import Checkpoint, Freezer, Shelf
from monitor.debrief.hindsight import Hindsight, LookedBack
from monitor.debrief.judge import Rerun
from monitor.debrief.marks import Mark, Marker
from monitor.engine.engine import Engine
from monitor.engine.picture import Picture
from monitor.rig.load import kept_rig
from monitor.rig.schema import Rig
from replay.codec import AlarmLine, CodecError, JournalError, entry_of, parse
from replay.entries import Entry
from replay.journal import LONGEST_LINE
from replay.recording import Recording, read_recording

EVERY_NS = 1_500_000_000
"""How often the engine's state is kept: a seek plays half of it again on average, all of it at worst."""
BOUND = 192 * 1024 * 1024
"""Bytes of kept states: two hours of the example rig take 170 MB; beyond it they are kept half as often."""
_PICTURES = 160
"""How many pictures are kept as they are, so that single steps back cost nothing: a few seconds."""
_TAIL = 256 * 1024
"""Bytes at the end of a file in which its last time is looked for."""


class Player:
    """One session. Call `advance` until it is False, whenever there is time; meanwhile any picture before `len(times)` may be had.

    `times` (ns) and, at each stack's head, `rises` (m, nan where not known) by picture, and `marks` in order, grow on the way.
    Raises JournalError, RigFaults where the file is no recording or its rig file cannot be understood.
    """

    def __init__(self, path: Path, *, every_ns: int = EVERY_NS, bound: int = BOUND) -> None:
        self.recording = read_recording(path)
        self.rig: Rig = kept_rig(self.recording.header.rig, f"{self.recording.path}: rig file")
        self.times = array("q")
        self.rises = {stack.name: array("d") for stack in self.rig.stack}
        self.marks: list[Mark] = []
        self.whole = False
        """Whether it has been gone through."""
        self.same_as_live: bool | None = None
        """Whether the engine says the very alarms that it said live; None until it has been gone through."""
        self.end_ns = _last_time(self.recording)
        """When it ends: as its last line says, until it has been gone through."""
        self.shelf = Shelf(bound, every_ns)
        self._sizes = [it.path.stat().st_size for it in self.recording.parts]
        self._run, self._marker, self._hindsight = Rerun(self.rig), Marker(), Hindsight()
        self._looked_back = tuple(array("d") for _ in range(3))
        self._freezer = Freezer()
        self.shelf.add(Checkpoint(-1, 0, (0, 0), self._freezer.freeze(self._run.engine)))
        self._lines = _all(self.recording)
        self._cursor: _Cursor | None = None
        self._pictures: OrderedDict[int, Picture] = OrderedDict()

    @property
    def started(self) -> datetime | None:
        """Wall clock of its beginning; None where its header says none that can be read."""
        return began(self.recording.header.started)

    @property
    def share(self) -> float:
        """How much of its files has been gone through, 0 to 1."""
        part, at = self.recording.at
        return 1.0 if self.whole else (sum(self._sizes[:part]) + at) / max(1, sum(self._sizes))

    def advance(self) -> bool:
        """Go through the recording up to its next picture; False when there is none."""
        for line in self._lines:
            if not isinstance(line, AlarmLine):
                self._marker.entry(line)
            picture = self._run.take(line)
            if picture is not None or isinstance(line, Reading):
                self._settle(self._hindsight.look(self._run.engine.pose))
            if picture is not None:
                self._take(picture)
                return True
        if not self.whole:
            self._settle(self._hindsight.rest())
            self.same_as_live = self._run.same_as_live(self.recording.complete)
            self.whole = True
            self.end_ns = self.times[-1] if self.times else 0
        return False

    def close(self) -> None:
        """Let go of its files; a picture that is asked for later opens them again."""
        self._cursor = None
        self._lines.close()

    def _take(self, picture: Picture) -> None:
        number = len(self.times)
        for stack in picture.stacks:
            self.rises[stack.name].append(nan if stack.rise_m is None else stack.rise_m)
        for values in self._looked_back:
            values.append(nan)
        self._settle(self._hindsight.picture(number, picture, self._run.engine.pose))
        self.marks.extend(self._marker.picture(number, picture))
        if self.shelf.due(picture.time_ns):
            frozen = self._freezer.freeze(self._run.engine)
            self.shelf.add(Checkpoint(number, picture.time_ns, self.recording.at, frozen))
        self.times.append(picture.time_ns)

    def _settle(self, settled: Iterator[LookedBack]) -> None:
        for it in settled:
            for values, value in zip(self._looked_back, (it.rise_m, it.tilt_x_rad, it.tilt_y_rad), strict=True):
                values[it.number] = nan if value is None else value

    def looked_back(self, number: int) -> tuple[float | None, float | None, float | None]:
        """Rise (m) and tilts along x and y (rad) of a picture in hindsight; None what is not known, or not yet."""
        rise, x, y = (None if (value := values[number]) != value else value for values in self._looked_back)
        return rise, x, y

    def picture(self, number: int) -> Picture:
        """The picture of that number, from 0, one of those gone through already. Raises JournalError where a file has changed
        since it was opened."""
        if not 0 <= number < len(self.times):
            raise IndexError(f"picture {number}: there are {len(self.times)}")
        if number not in self._pictures:
            before = self.shelf.before(number)
            cursor = self._cursor
            if cursor is None or not before.number <= cursor.number < number:
                cursor = self._cursor = _Cursor(self.recording, self._freezer.thaw(before.frozen), before)
            while cursor.number < number:
                picture = cursor.next(self.times[cursor.number + 1])
                self._pictures[cursor.number] = picture
                if len(self._pictures) > _PICTURES:
                    self._pictures.popitem(last=False)
        return self._pictures[number]


class _Cursor:
    """An engine that goes on from a kept state, fed from the file."""

    def __init__(self, recording: Recording, engine: Engine, begun: Checkpoint) -> None:
        self.number = begun.number
        self._engine, self._path = engine, recording.path
        self._entries = _entries(recording, begun.at)

    def next(self, time_ns: int) -> Picture:
        """The next picture, which is known to be of this time."""
        for entry in self._entries:
            picture = self._engine.feed(entry)
            if picture is not None:
                if entry.time_ns != time_ns:
                    break
                self.number += 1
                return picture
        raise JournalError(f"{self._path}: has changed since it was opened; open it again")


def _all(recording: Recording) -> Generator[Entry | AlarmLine, None, None]:
    yield from recording.lines()


def _entries(recording: Recording, at: tuple[int, int]) -> Iterator[Entry]:
    """The inputs after the line that stands at a place, in order, through all parts. What is no line ends it."""
    part, offset = at
    try:
        for journal in recording.parts[part:]:
            with journal.path.open("rb") as file:
                file.seek(offset)
                file.readline(LONGEST_LINE)
                while line := file.readline(LONGEST_LINE):
                    entry = entry_of(parse(line))
                    if entry is not None and not isinstance(entry, AlarmLine):
                        yield entry
            offset = 0
    except (OSError, CodecError):
        return


def _last_time(recording: Recording) -> int:
    """The time of the last whole line of the last file, as far as that can be read: the end of a time bar."""
    path = recording.parts[-1].path
    try:
        with path.open("rb") as file:
            file.seek(max(0, path.stat().st_size - _TAIL))
            lines = file.read().splitlines()
    except OSError:
        return 0
    for line in reversed(lines):
        try:
            return int(parse(line)["t"])
        except CodecError:
            continue
    return 0
