"""What people say of a session afterwards: a file of their own beside the recording, never in it.

One JSON object a line: `t` ns since the session began, `written` wall clock (ISO 8601, UTC), `who`, `text`. A line is added in
one write; lines that are no notes are said and left as they are.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import orjson

from replay.names import notes_path

LONGEST = 500
"""Characters of a note."""


@dataclass(frozen=True, slots=True)
class Note:
    """One note."""

    time_ns: int
    written: str
    who: str
    text: str


class Notes:
    """The notes beside a recording. `faults`: a sentence for each line that is none, and for a file that cannot be read."""

    def __init__(self, recording: Path) -> None:
        self.path = notes_path(recording)
        self.kept: list[Note] = []
        self.faults: list[str] = []
        try:
            lines = self.path.read_bytes().splitlines()
        except FileNotFoundError:
            return
        except OSError as error:
            self.faults.append(f"{self.path.name}: {error.strerror}; its notes are not shown")
            return
        for number, line in enumerate(lines, 1):
            note = _note(line)
            if isinstance(note, Note):
                self.kept.append(note)
            else:
                self.faults.append(f"{self.path.name}, line {number}: {note}; it is not shown")

    def add(self, time_ns: int, text: str, who: str, now: datetime) -> str:
        """Keep one more; "" or, in a sentence, why it could not be kept."""
        note = Note(time_ns, now.isoformat(timespec="seconds"), who, text)
        line = orjson.dumps({"t": time_ns, "written": note.written, "who": who, "text": text})
        try:
            with self.path.open("ab") as file:
                torn = file.tell() > 0 and self.path.read_bytes()[-1:] != b"\n"
                file.write((b"\n" if torn else b"") + line + b"\n")
        except OSError as error:
            return f"not kept: {self.path}: {error.strerror}"
        self.kept.append(note)
        return ""


def _note(line: bytes) -> Note | str:
    """The note in a line, or what is wrong with it."""
    try:
        found = orjson.loads(line)
    except orjson.JSONDecodeError as error:
        return f"is not JSON ({error})"
    if not isinstance(found, dict):
        return "is no JSON object; a note is one, with t, written, who and text"
    time_ns, *texts = (found.get(key) for key in ("t", "written", "who", "text"))
    if not isinstance(time_ns, int) or isinstance(time_ns, bool) or not all(isinstance(it, str) for it in texts):
        return "is no note; one has t (ns, a whole number), and written, who and text (texts)"
    return Note(time_ns, *(_printable(str(it)) for it in texts))


def _printable(text: str) -> str:
    """One line of it, at most so long, without what would move a terminal's cursor."""
    return "".join(letter if letter.isprintable() else " " for letter in text[:LONGEST])
