"""All that a report says of a session, gathered in one pass of the engine over its recording.

The engine is the live one and knows nothing of this. What is kept grows with what happened, not with how long the lift took.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from math import hypot
from pathlib import Path

from drivers.reading import Reading
from monitor.debrief.began import began
from monitor.debrief.figures import Figures
from monitor.debrief.hindsight import Hindsight, LookedBack
from monitor.debrief.judge import Rerun
from monitor.debrief.marks import Mark, Marker
from monitor.debrief.measuring import Measuring
from monitor.debrief.notes import Notes
from monitor.debrief.reactions import STOP
from monitor.engine.picture import BalancePicture, LoadPicture, Picture, StackPicture
from monitor.report.health import Channels, Health
from monitor.report.risings import Doing, Raised, Risings
from monitor.report.series import Series
from monitor.report.steps import Done, Steps
from monitor.report.trails import Trail
from monitor.rig.load import kept_rig
from monitor.rig.schema import Rig
from replay.codec import AlarmLine
from replay.entries import Entry
from replay.recording import Recording, read_recording


@dataclass(slots=True)
class Facts:
    """One session. Times are ns since it began; `series` by (what, of what): ("rise", "S1"), ("fall", "")."""

    recording: Recording
    rig: Rig
    notes: Notes
    end_ns: int
    pictures: int
    readings: int
    late: int
    same_as_live: bool
    zero_ns: int | None
    last: Picture | None
    figures: Figures
    steps: list[Done]
    series: dict[tuple[str, str], Series]
    trails: dict[str, Trail]
    raised: list[Raised]
    doings: list[Doing]
    marks: list[Mark]
    health: list[Health]
    balance: BalancePicture | None
    balance_ns: int | None
    highest: tuple[str, LoadPicture] | None
    apart_m: float | None
    blind: dict[tuple[str, str, str], float]
    """(rule, place, why) of what could not be watched: for what share of the pictures since the zero."""

    @property
    def started(self) -> datetime | None:
        """Wall clock of its beginning; None where its header says none that can be read."""
        return began(self.recording.header.started)

    @property
    def befell(self) -> list[Raised]:
        """The alarms that rose, STOP aside: it is what people did."""
        return [it for it in self.raised if it.rule != STOP]

    def of(self, what: str) -> dict[str, Series]:
        """The series of one kind, by what they are of."""
        return {about: it for (kind, about), it in self.series.items() if kind == what}


class Gatherer:
    """A pass over one recording. Call `advance` until it is False, whenever there is time; then `facts`.

    Raises JournalError, RigFaults where the file is no recording or its rig file cannot be understood.
    """

    def __init__(self, path: Path) -> None:
        self.recording = read_recording(path)
        self.rig: Rig = kept_rig(self.recording.header.rig, f"{self.recording.path}: rig file")
        self._run, self._marker, self._risings = Rerun(self.rig), Marker(), Risings()
        self._measuring, self._channels, self._steps = Measuring(self.rig), Channels(), Steps(self.rig)
        self._hindsight = Hindsight()
        self._waiting: dict[int, float | None] = {}
        self._series: dict[tuple[str, str], Series] = {}
        self._trails: dict[str, Trail] = {}
        self._marks: list[Mark] = []
        self._blind: dict[tuple[str, str, str], int] = {}
        self._pictures = self._zeroed = 0
        self._zero_ns: int | None = None
        self._last: Picture | None = None
        self._balance: tuple[int, BalancePicture] | None = None
        self._highest: tuple[str, LoadPicture] | None = None
        self._apart_m: float | None = None
        self._lines = self.recording.lines()

    def advance(self, pictures: int = 100) -> bool:
        """Go on by so many pictures; False when there is none left."""
        left = pictures
        for line in self._lines:
            if self._take(line):
                left -= 1
                if left <= 0:
                    return True
        return False

    def facts(self) -> Facts:
        """What was gathered. Call it once, after `advance` was False."""
        self._settle(self._hindsight.rest())
        recording, run = self.recording, self._run
        same = run.same_as_live(recording.complete)
        lost = sum(gap.lost for gap in recording.gaps)
        return Facts(
            recording=recording,
            rig=self.rig,
            notes=Notes(recording.path),
            end_ns=run.last_ns,
            pictures=self._pictures,
            readings=run.samples,
            late=run.late,
            same_as_live=same,
            zero_ns=self._zero_ns,
            last=self._last,
            figures=self._measuring.done(complete=recording.complete, same_as_live=same, lost=lost),
            steps=self._steps.all(),
            series=self._series,
            trails=self._trails,
            raised=self._risings.raised,
            doings=self._risings.doings,
            marks=self._marks,
            health=self._channels.all(),
            balance=None if self._balance is None else self._balance[1],
            balance_ns=None if self._balance is None else self._balance[0],
            highest=self._highest,
            apart_m=self._apart_m,
            blind={key: seen / self._zeroed for key, seen in self._blind.items()},
        )

    def _take(self, line: Entry | AlarmLine) -> bool:
        """Take one line; True if it gave a picture."""
        if not isinstance(line, AlarmLine):
            self._marker.entry(line)
            self._risings.entry(line)
            self._measuring.entry(line)
            if isinstance(line, Reading):
                self._channels.heard(line.channel, line.time_ns)
        picture = self._run.take(line)
        if picture is not None or isinstance(line, Reading):
            self._settle(self._hindsight.look(self._run.engine.pose))
        if picture is None:
            return False
        self._picture(picture)
        return True

    def _picture(self, picture: Picture) -> None:
        self._marks.extend(self._marker.picture(self._pictures, picture))
        self._risings.picture(picture)
        self._measuring.picture(picture)
        self._channels.picture(picture)
        self._steps.picture(picture)
        self._waiting[self._pictures] = picture.load.rise_m
        self._settle(self._hindsight.picture(self._pictures, picture, self._run.engine.pose))
        self._pictures += 1
        self._zero_ns, self._last = picture.zero.taken_ns, picture
        if picture.balance.weight_n is not None or picture.balance.tip_rad is not None:
            self._balance = picture.time_ns, picture.balance
        for it in picture.blind if self._zero_ns is not None else ():
            key = it.rule, it.about, it.because
            self._blind[key] = self._blind.get(key, 0) + 1
        self._zeroed += self._zero_ns is not None
        self._draw(picture)

    def _draw(self, picture: Picture) -> None:
        """Keep what is drawn."""
        load, now = picture.load, picture.time_ns
        off = None if load.tilt_sd_rad is None else 2.0 * load.tilt_sd_rad
        self._keep("tilt", "x", now, load.tilt_x_rad, off)
        self._keep("tilt", "y", now, load.tilt_y_rad, off)
        whole = None if load.tilt_x_rad is None or load.tilt_y_rad is None else hypot(load.tilt_x_rad, load.tilt_y_rad)
        self._keep("tilt whole", "", now, whole, off)
        self._keep("fall", "", now, picture.fall_m)
        self._keep("uncaptured", "", now, picture.uncaptured_m)
        self._keep("captured", "", now, picture.captured_m)
        together = _together(picture.stacks)
        for stack in picture.stacks:
            self._stack(stack, now, load.bound_m, together)
        for shore in picture.shores:
            gap_off = None if shore.gap_sd_m is None else 2.0 * shore.gap_sd_m
            self._keep("gap", shore.name, now, shore.gap_m, gap_off)
        if load.rise_m is not None and (self._highest is None or load.rise_m > (self._highest[1].rise_m or 0.0)):
            at = max(picture.stacks, key=lambda it: it.rise_m or 0.0)
            self._highest = at.name, load

    def _stack(self, it: StackPicture, now: int, bound_m: float | None, together: float | None) -> None:
        self._keep("rise", it.name, now, it.rise_m, bound_m)
        self._keep("force", it.name, now, it.force_n, None if it.force_sd_n is None else 2.0 * it.force_sd_n)
        share = None if not together or it.force_n is None else it.force_n / together
        self._keep("share", it.name, now, share)
        self._keep("lean", it.name, now, it.lean_use, None if it.lean_bound_m is None else it.lean_bound_m / it.ring_m)
        for bag in it.bags:
            self._keep("pressure", bag.name, now, bag.pressure_pa)
        self._trails.setdefault(it.name, Trail()).take(now, it)

    def _keep(self, what: str, of: str, time_ns: int, value: float | None, off: float | None = 0.0) -> None:
        found = self._series.get((what, of))
        if found is None:
            found = self._series[what, of] = Series()
        found.take(time_ns, value, off)

    def _settle(self, settled: Iterator[LookedBack]) -> None:
        """How far live and hindsight were apart."""
        for it in settled:
            live = self._waiting.pop(it.number)
            if it.rise_m is not None and live is not None:
                self._apart_m = max(self._apart_m or 0.0, abs(it.rise_m - live))


def _together(stacks: tuple[StackPicture, ...]) -> float | None:
    """What all stacks carry (N); None where one is not known, or they carry nothing."""
    forces = [it.force_n for it in stacks if it.force_n is not None]
    return sum(forces) if len(forces) == len(stacks) and sum(forces) > 0.0 else None


def gather(path: Path) -> Facts:
    """Go through a recording, or the folder that holds one. Raises JournalError, RigFaults."""
    gatherer = Gatherer(path)
    while gatherer.advance():
        pass
    return gatherer.facts()
