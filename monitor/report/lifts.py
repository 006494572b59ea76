"""One lift of several: its figures and how it went in each step, by one pass of the engine over its recording."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from monitor.debrief.figures import Figures
from monitor.debrief.judge import Rerun
from monitor.debrief.measuring import Measuring
from monitor.report.traces import Trace, Traces
from monitor.rig.load import kept_rig
from monitor.rig.schema import Rig
from replay.codec import AlarmLine
from replay.recording import read_recording


@dataclass(frozen=True, slots=True)
class Lift:
    """A recorded lift. `started`: the wall clock of its beginning as its header says it; `damage`: what is wrong with it, or ""."""

    path: Path
    started: str
    rig: Rig
    figures: Figures
    traces: dict[int, Trace]
    damage: str


def read_lift(path: Path) -> Lift:
    """Go through a recording, or the folder that holds one. Raises JournalError, RigFaults."""
    recording = read_recording(path)
    rig = kept_rig(recording.header.rig, f"{recording.path}: rig file")
    run, measuring, traces = Rerun(rig), Measuring(rig), Traces()
    for line in recording.lines():
        if not isinstance(line, AlarmLine):
            measuring.entry(line)
        picture = run.take(line)
        if picture is not None:
            measuring.picture(picture)
            traces.picture(picture)
    figures = measuring.done(
        complete=recording.complete,
        same_as_live=run.same_as_live(recording.complete),
        lost=sum(gap.lost for gap in recording.gaps),
    )
    return Lift(recording.path, recording.header.started, rig, figures, traces.steps, recording.damage or "")
