"""One recording made into a row of a season: its verdict, its figures, and who judged it under what limits.

Runs in whatever process is told to: a row is plain values, so that it can be handed on and written down. What goes wrong with a
recording is a row that says so, and never an exception.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from monitor.debrief.judge import Pass
from monitor.debrief.measuring import Measuring
from monitor.encode import Json
from monitor.rig.load import RigFaults
from replay.codec import AlarmLine
from replay.journal import JournalError
from replay.recording import recordings

_BLOCK = 1 << 20


@dataclass(frozen=True, slots=True)
class Job:
    """One session to be judged. `files`: its parts, whole paths; `limits`: in place of the rig file's own, None for those;
    `size`: bytes of all of them."""

    number: int
    files: tuple[str, ...]
    limits: dict[str, Any] | None
    size: int


def row_of(job: Job, judge: str) -> Json:
    """The row of a session. `judge` names the program that judges, as `programme` has it."""
    row: Json = {
        "file": job.files[0],
        "folder": Path(job.files[0]).parent.name,
        "bytes": job.size,
        "judge": judge,
        "limits": job.limits,
    }
    try:
        row["sha256"] = digest(job.files)
        found = list(recordings(map(Path, job.files)))
        if isinstance(found[0], JournalError):
            raise found[0]
        recording = found[0]
        head = recording.header
        row |= {"session": head.session, "rig": head.rig_name, "started": head.started, "software": head.software}
        taken = Pass(recording, job.limits)
        measuring = Measuring(taken.rig)
        for line in recording.lines():
            if not isinstance(line, AlarmLine):
                measuring.entry(line)
            picture = taken.take(line)
            if picture is not None:
                measuring.picture(picture)
        verdict = taken.verdict()
        figures = measuring.done(
            complete=verdict["complete"], same_as_live=verdict["same_as_live"], lost=verdict["lost"]
        )
    except (JournalError, RigFaults) as error:
        return row | {"trouble": str(error)}
    except OSError as error:
        return row | {"trouble": f"{error.filename or job.files[0]}: {error.strerror}"}
    return row | {
        "trouble": None,
        "rig": verdict["rig"],
        "verdict": verdict,
        "figures": [[it.name, it.about, it.value, it.known, it.because] for it in figures],
    }


def digest(files: Sequence[str]) -> str:
    """SHA-256 over the bytes of all files, in order: the same digest, the same session. OSError."""
    made = hashlib.sha256()
    for name in files:
        with open(name, "rb") as file:
            while block := file.read(_BLOCK):
                made.update(block)
    return made.hexdigest()


def programme() -> str:
    """Which program judges: its version, and a digest of every module that a verdict comes from.

    The version alone would not do: a rule that was changed since must be judged by again.
    """
    from importlib.metadata import version
    from importlib.resources import files

    made = hashlib.sha256()
    for package in ("drivers", "replay", "monitor", "monitor.engine", "monitor.rig", "monitor.debrief"):
        inside = sorted((it for it in files(package).iterdir() if it.name.endswith(".py")), key=lambda it: it.name)
        for module in inside:
            made.update(module.name.encode() + b"\0" + module.read_bytes())
    return f"inchwatch {version('inchwatch')} {made.hexdigest()[:16]}"
