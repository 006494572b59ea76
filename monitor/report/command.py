"""The body of `inchwatch debrief`: one pass over a recording, and the report of it written."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from monitor.debrief.figures import Figures
from monitor.report.form import read_form
from monitor.report.marking import read_marks
from monitor.report.printing import CannotPrint
from monitor.report.score import score as scored
from monitor.report.scored import score_section
from monitor.report.writing import CannotWrite, Making
from monitor.rig.load import RigFaults
from replay.journal import JournalError


@dataclass(frozen=True, slots=True)
class Wanted:
    """What was typed."""

    file: str
    out: str | None = None
    browser: str | None = None
    form: str | None = None
    marks: str | None = None


def debrief(wanted: Wanted) -> int:
    """Write the report; returns the exit code: 1 if there is none, 2 if what it is asked to be made with cannot be used."""
    try:
        score = None if wanted.form is None else _scored(Path(wanted.form), wanted.marks)
    except RigFaults as faults:
        print(faults, file=sys.stderr)
        return 2
    try:
        making = Making(Path(wanted.file), None if wanted.out is None else Path(wanted.out), wanted.browser, score)
    except (JournalError, RigFaults) as error:
        print(f"inchwatch debrief: {error}", file=sys.stderr)
        return 1
    except (CannotWrite, CannotPrint) as error:
        print(f"inchwatch debrief: {error}", file=sys.stderr)
        return 2
    live = sys.stderr.isatty()
    start = "\r\x1b[K" if live else ""
    try:
        while making.advance():
            if live:
                print(
                    f"\rgoing through the recording: {making.share * 100:3.0f} %", end="", file=sys.stderr, flush=True
                )
    except (CannotWrite, CannotPrint) as error:
        print(f"{start}inchwatch debrief: {error}", file=sys.stderr)
        return 1
    print(start, end="", file=sys.stderr)
    print(making.to)
    return 0


def _scored(form: Path, marks: str | None) -> Callable[[Figures, str], str]:
    """What makes the section of the score sheet, by a form and marks. Raises RigFaults."""
    asked = read_form(form)
    given = read_marks(Path(marks), asked) if marks is not None else []
    return lambda figures, units: score_section(scored(asked, figures, given, units))
