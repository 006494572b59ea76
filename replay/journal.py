"""Reads a journal back: block by block, each proven by its seal before any of it is played.

A file may be whole, torn at its end, or changed somewhere. Everything up to the damage is played, nothing after it, and
`damage` says in one sentence what was found and where.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from replay.codec import (
    AlarmLine,
    CodecError,
    Gap,
    Header,
    JournalError,
    entry_of,
    gap_of,
    parse,
    read_header,
    seal_line,
)
from replay.entries import Entry
from replay.migrations import VERSION, migrated
from replay.writer import JournalWriter

__all__ = ["Journal", "JournalError", "JournalWriter", "NotBegun", "read_journal"]

LONGEST_LINE = 4 * 1024 * 1024
"""No line is longer; a file that has one is no journal."""


class NotBegun(JournalError):
    """A file that was cut off before its header was in it."""


class Journal:
    """One recording. Iterate `lines()` once; then `damage` and `complete` say what the file was like."""

    def __init__(self, path: Path, header: Header, first: bytes) -> None:
        self.path, self.header = path, header
        self.damage: str | None = None
        self.complete = False
        self.goes_on = False
        """It is whole, and the session goes on in another part."""
        self.seal = ""
        """The digest of its last seal."""
        self.gaps: list[Gap] = []
        """What could not be kept while nothing could be written."""
        self.unknown = 0
        """Lines of a kind that this program does not know, passed over."""
        self.at = 0
        """Where in the file the line begins that was given last (bytes)."""
        self._hash = hashlib.sha256(first)
        self._number = 1

    @property
    def lost(self) -> int:
        """Entries that could not be kept."""
        return sum(gap.lost for gap in self.gaps)

    def lines(self) -> Iterator[Entry | AlarmLine]:
        """Every input and every alarm transition, in order, up to the damage if there is any."""
        block: list[tuple[int, dict[str, Any]]] = []
        unsealed: list[bytes] = []
        begun = 2
        last = ""
        try:
            with self.path.open("rb") as file:
                at = len(file.readline(LONGEST_LINE))
                while line := file.readline(LONGEST_LINE):
                    self._number += 1
                    if not line.endswith(b"\n"):
                        self.damage = f"torn: it ends in the middle of line {self._number}; all before that was played"
                        break
                    found = parse(line)
                    self.complete = self.goes_on = False
                    if found["k"] == "seal":
                        self._hash.update(b"".join(unsealed))
                        unsealed.clear()
                        if line != seal_line(found["t"], self._number - 1, self._hash):
                            self.damage = self._changed(begun)
                            return
                        yield from self._entries(block)
                        block, begun = [], self._number + 1
                        self.complete, self.goes_on, self.seal = last == "end", last == "on", str(found["sha256"])
                    else:
                        if last:
                            self.damage = f"changed: line {self._number} stands after the end; it was not played"
                            return
                        last = found["k"] if found["k"] in ("end", "on") else ""
                        block.append((at, found))
                    unsealed.append(line)
                    at += len(line)
        except CodecError as error:
            self.damage = f"damaged: line {self._number} is no line of a journal: {error}; all before that was played"
        except OSError as error:
            self.damage = f"unreadable after line {self._number}: {error.strerror}"
        yield from self._tail(block)
        if not (self.complete or self.goes_on) and self.damage is None:
            self.damage = f"not closed: it stops after line {self._number}; all of it was played"

    def _tail(self, block: list[tuple[int, dict[str, Any]]]) -> Iterator[Entry | AlarmLine]:
        """What stands after the last seal: at most the last second of a session that was cut off."""
        try:
            yield from self._entries(block)
        except CodecError as error:
            self.damage = f"damaged: after the last seal: {error}; all before that was played"

    def _entries(self, block: list[tuple[int, dict[str, Any]]]) -> Iterator[Entry | AlarmLine]:
        for self.at, line in block:
            found = line if self.header.version == VERSION else migrated(line, self.header.version)
            entry = entry_of(found)
            if entry is not None:
                yield entry
            elif found["k"] == "gap":
                self.gaps.append(gap_of(found))
            elif found["k"] not in ("end", "on"):
                self.unknown += 1

    def _changed(self, begun: int) -> str:
        last = self._number - 1
        where = f"lines {begun} to {last} do" if last > begun else f"line {begun} does"
        return f"changed: {where} not match the seal in line {self._number}; played up to line {begun - 1}"


def read_journal(path: Path) -> Journal:
    """Open a recording. Raises JournalError when it is none, or cannot be read."""
    try:
        with path.open("rb") as file:
            first = file.readline(LONGEST_LINE)
    except IsADirectoryError:
        raise JournalError(f"{path}: is a folder; a recording is a file") from None
    except OSError as error:
        raise JournalError(f"{path}: {error.strerror}") from None
    if not first:
        raise NotBegun(f"{path}: is empty; a recording begins with its header")
    try:
        return Journal(path, read_header(first), first)
    except CodecError as error:
        kind = JournalError if first.endswith(b"\n") else NotBegun
        raise kind(f"{path}: is no recording: {error}") from None
