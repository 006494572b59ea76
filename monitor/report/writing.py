"""A report made piece by piece and put where it belongs: whoever makes one may do other things between two pieces."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable
from pathlib import Path

from monitor.debrief.figures import Figures
from monitor.report.facts import Facts, Gatherer
from monitor.report.page import page
from monitor.report.printing import CannotPrint, browser, printed
from monitor.rig.load import RigFaults
from replay.journal import JournalError
from replay.names import SUFFIX, notes_path
from replay.recording import Recording

ENDINGS = (".html", ".htm", ".pdf")


class CannotWrite(Exception):
    """There is no report; why not, in one sentence."""


_NO_REPORT = (CannotWrite, CannotPrint, JournalError, RigFaults, OSError)
"""All that may come between a recording and its report."""


def report_path(recording: Path) -> Path:
    """Where the report of a recording stands if nobody says otherwise: beside its first file."""
    return recording.with_name(f"{recording.name.removesuffix(SUFFIX)}.report.html")


class Making:
    """One report on its way. Call `advance` until it is False; then `to` is written. An older report there is replaced.

    `score`: makes the section of a score sheet, as HTML, of what was measured.

    Raises JournalError, RigFaults where the file is no recording; CannotWrite, CannotPrint where no report can go there.
    """

    def __init__(
        self,
        file: Path,
        to: Path | None = None,
        program: str | None = None,
        score: Callable[[Figures, str], str] | None = None,
    ) -> None:
        self._score = score
        self._gatherer = Gatherer(file)
        recording = self._gatherer.recording
        self.to = to if to is not None else report_path(recording.path)
        if self.to.suffix.lower() not in ENDINGS:
            raise CannotWrite(f"{self.to}: a report ends in {', '.join(ENDINGS[:-1])} or {ENDINGS[-1]}")
        _spare(recording, self.to)
        self._program = browser(program) if self.to.suffix.lower() == ".pdf" else None
        self._sizes = [it.path.stat().st_size for it in recording.parts]

    @property
    def share(self) -> float:
        """How much of the recording has been gone through, 0 to 1."""
        part, at = self._gatherer.recording.at
        return min(1.0, (sum(self._sizes[:part]) + at) / max(1, sum(self._sizes)))

    def advance(self, pictures: int = 100) -> bool:
        """Go on by so many pictures of the recording, at its end write the report; False once that is done."""
        if self._gatherer.advance(pictures):
            return True
        self._write(self._gatherer.facts())
        return False

    def _write(self, facts: Facts) -> None:
        units = facts.rig.rig.units
        score = "" if self._score is None else self._score(facts.figures, units)
        try:
            if self._program is None:
                put(self.to, page(facts, score).encode())
            else:
                paper = "letter" if units == "us" else "A4"
                put(self.to, printed(page(facts, score, paper), self._program, self.to.parent))
        except OSError as error:
            raise CannotWrite(
                f"{self.to}: the report cannot be written ({(error.strerror or 'error').lower()})"
            ) from None


class Told:
    """A report made in the background, whose end is a sentence: where it stands, or why there is none."""

    def __init__(self, file: Path) -> None:
        self._making: Making | None = None
        self.said = ""
        try:
            self._making = Making(file)
            self.said = "writing the report"
        except _NO_REPORT as error:
            self.said = f"no report: {error}"

    def advance(self) -> bool:
        """Go on by a few pictures; False once `said` says how it ended."""
        if self._making is None:
            return False
        try:
            if self._making.advance(4):
                self.said = f"writing the report: {self._making.share:.0%}".replace("%", " %")
                return True
            self.said = f"the report is written: {self._making.to.name}, beside the recording"
        except _NO_REPORT as error:
            self.said = f"no report: {error}"
        self._making = None
        return False


def _spare(recording: Recording, to: Path) -> None:
    """Refuse to write over what a report is made from, under whatever name. Raises CannotWrite."""
    for kept in (*(it.path for it in recording.parts), notes_path(recording.path)):
        try:
            same = to.exists() and kept.exists() and to.samefile(kept)
        except OSError:
            continue
        if same:
            raise CannotWrite(f"{to}: this is {kept.name} itself; the report goes into a file of its own")


def put(to: Path, made: bytes) -> None:
    """The whole file at once: whoever opens it finds the older one or this one. Raises OSError."""
    to = to.resolve()
    handle, name = tempfile.mkstemp(dir=to.parent, prefix=f"{to.name}.")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(made)
        umask = os.umask(0)
        os.umask(umask)
        Path(name).chmod(0o666 & ~umask)
        Path(name).replace(to)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
