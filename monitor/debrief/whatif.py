"""What would have sounded under other limits: the engine again over the same recording, with a few numbers of the rig changed.

Only the rig file's [limits] are changed; what people did then they do again at the same moments. Pure but for reading the file.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from monitor.debrief.judge import Rerun, under
from monitor.debrief.marks import Kind, Mark, Marker
from monitor.rig.schema import Rig
from replay.codec import AlarmLine
from replay.recording import read_recording


class WhatIf:
    """One run under other limits (SI, by their names in the rig file). Call `advance` until it is False; `marks` are the alarms
    that rose so far. Raises JournalError where the recording is gone."""

    def __init__(self, path: Path, rig: Rig, limits: Mapping[str, float]) -> None:
        self.limits = dict(limits)
        self.marks: list[Mark] = []
        self.whole = False
        self.known_ns = 0
        """Up to where it has come."""
        self._pictures = 0
        self._recording = read_recording(path)
        self._run, self._marker = Rerun(under(rig, self.limits)), Marker()
        self._lines = self._recording.lines()

    def advance(self) -> bool:
        """Go on to the next picture; False when there is none."""
        for line in self._lines:
            if isinstance(line, AlarmLine):
                continue
            picture = self._run.take(line)
            if picture is not None:
                found = self._marker.picture(self._pictures, picture)
                self.marks += [it for it in found if it.kind is Kind.ALARM]
                self._pictures += 1
                self.known_ns = picture.time_ns
                return True
        self.whole = True
        return False
