"""The body of `inchwatch debrief`: one pass over a recording, and the report of it written."""

from __future__ import annotations

import sys
from pathlib import Path

from monitor.report.printing import CannotPrint
from monitor.report.writing import CannotWrite, Making
from monitor.rig.load import RigFaults
from replay.journal import JournalError


def debrief(file: str, *, out: str | None, program: str | None) -> int:
    """Write the report; returns the exit code: 1 if there is none, 2 if it was asked for where it cannot be."""
    try:
        making = Making(Path(file), None if out is None else Path(out), program)
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
