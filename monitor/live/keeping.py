"""Joins a session to its journal: what goes into the header, and alarms as the journal keeps them."""

from __future__ import annotations

import hashlib
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path

from monitor import encode
from monitor.engine.picture import Transition
from replay.codec import Header
from replay.entries import Entry
from replay.writer import JournalWriter, Split, Trouble


def software() -> str:
    """Name and version of this program, as recordings carry it."""
    return f"inchwatch {version('inchwatch')}"


def session_name(rig_text: str, when: datetime) -> str:
    """What tells the parts of one session from those of another: the rig file and the moment of its beginning."""
    return hashlib.sha256(f"{when.isoformat()}\n{rig_text}".encode()).hexdigest()[:16]


class JournalKeeper:
    """Keeps a session in a journal. Raises replay.codec.JournalError when it cannot be begun.

    `also`: a second place. `split`: when it goes on in another file.
    """

    def __init__(
        self,
        path: Path,
        rig_text: str,
        rig_name: str,
        trouble: Trouble,
        started: datetime | None = None,
        *,
        also: Path | None = None,
        split: Split | None = None,
    ) -> None:
        when = started or datetime.now(UTC)
        header = Header(rig_text, rig_name, software(), when.isoformat(), session_name(rig_text, when))
        self._writer = JournalWriter(path, header, trouble, also=also, split=split)

    def write(self, entry: Entry) -> None:
        """Keep one entry."""
        self._writer.write(entry)

    def alarm(self, it: Transition) -> None:
        """Keep one alarm transition that the last entry caused."""
        self._writer.alarm(it.time_ns, encode.transition(it))

    def close(self) -> None:
        """Finish the file."""
        self._writer.close()
