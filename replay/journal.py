"""Reads a journal back: block by block, each proven by its seal before any of it is played.

A file may be whole, torn at its end, or changed somewhere. Everything up to the damage is played, nothing after it, and
`damage` says in one sentence what was found and where.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from replay.codec import (
    AlarmLine,
    CodecError,
    Cut,
    Gap,
    Header,
    JournalError,
    cut_of,
    entry_of,
    gap_of,
    parse,
    read_header,
    seal_line,
    usual,
)
from replay.entries import Entry
from replay.migrations import VERSION, changes, migrated
from replay.writer import JournalWriter

__all__ = ["Journal", "JournalError", "JournalWriter", "NotBegun", "read_journal"]

LONGEST_LINE = 4 * 1024 * 1024
"""No line is longer; a file that has one is no journal."""
_NEWLINE = ord("\n")
_Line = tuple[int, Entry | dict[str, Any]]
"""Where a line begins in the file (bytes), and its object, or what a usual one holds."""


@dataclass(frozen=True, slots=True)
class Sealed:
    """How much of a file its seals prove: so many seals, over so many lines and bytes from its beginning, themselves among them;
    the time and the digest of the last, and whether it stands behind an `end`, an `on` or a `cut`."""

    seals: int = 0
    lines: int = 0
    size: int = 0
    time_ns: int = 0
    digest: str = ""
    behind: str = ""


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
        self.sealed = Sealed()
        """What was proven so far."""
        self.stop = 0, 0
        """Where the first line stands that was not played: its number, and its first byte in the file. At the end of a whole file,
        its end."""
        self.cut: Cut | None = None
        """What a repair left out at its end."""
        self.repaired = False
        """It is whole as a repair left it: nothing else is wrong with it."""
        self.denied = False
        """A seal does not match what stands before it."""
        self.gaps: list[Gap] = []
        """What could not be kept while nothing could be written."""
        self.unknown = 0
        """Lines of a kind that this program does not know, passed over."""
        self.at = 0
        """Where in the file the line begins that was given last (bytes)."""
        self._hash = hashlib.sha256(first)

    @property
    def seal(self) -> str:
        """The digest of its last seal, "" before the first."""
        return self.sealed.digest

    @property
    def lost(self) -> int:
        """Entries that could not be kept."""
        return sum(gap.lost for gap in self.gaps)

    def lines(self) -> Iterator[Entry | AlarmLine]:
        """Every input and every alarm transition, in order, up to the damage if there is any."""
        version = self.header.version
        for begun, block in self._blocks():
            try:
                for self.at, line in block:
                    if not isinstance(line, dict):
                        yield line
                        continue
                    found = line if version == VERSION else migrated(line, version)
                    entry = entry_of(found)
                    if entry is not None:
                        yield entry
                    elif found["k"] == "gap":
                        self.gaps.append(gap_of(found))
                    elif found["k"] == "cut":
                        self.cut = cut_of(found)
                    elif found["k"] not in LAST:
                        self.unknown += 1
            except CodecError as error:
                number = begun + next(i for i, (at, _) in enumerate(block) if at == self.at)
                self.damage, self.stop = _no_line(number, error), (number, self.at)

    def _blocks(self) -> Iterator[tuple[int, list[_Line]]]:
        """What stands before each seal, once that has proven it, and at last what none has: the number of its first line, and
        its lines. Whoever takes one and finds damage in it gets no other."""
        block: list[_Line] = []
        other = changes(self.header.version, "reading", "tick")
        read: Callable[[bytes], Entry | dict[str, Any]] = parse if other else usual
        unsealed: list[bytes] = []
        begun, at, number, last = 2, 0, 1, ""
        try:
            with self.path.open("rb") as file:
                readline = file.readline
                at = len(readline(LONGEST_LINE))
                self.stop = begun, at
                while line := readline(LONGEST_LINE):
                    number += 1
                    if line[-1] != _NEWLINE:
                        self.damage = f"torn: it ends in the middle of line {number}; all before that was played"
                        break
                    found = read(line)
                    self.complete = self.goes_on = False
                    kind = found["k"] if isinstance(found, dict) else ""
                    if kind == "seal" and isinstance(found, dict):
                        self._hash.update(b"".join(unsealed))
                        unsealed.clear()
                        if line != seal_line(found["t"], number - 1, self._hash):
                            self.damage, self.denied = self._changed(begun, number, found.get("lines")), True
                            return
                        proven, block = block, []
                        yield begun, proven
                        if self.damage is not None:
                            return
                        begun = number + 1
                        self.complete, self.goes_on = last == "end", last == "on"
                        self.stop = begun, at + len(line)
                        self.sealed = Sealed(
                            self.sealed.seals + 1, number, at + len(line), found["t"], found["sha256"], last
                        )
                    else:
                        if last:
                            self.damage = f"changed: line {number} stands after the end; it was not played"
                            return
                        if kind in LAST:
                            last = kind
                        block.append((at, found))
                    unsealed.append(line)
                    at += len(line)
        except CodecError as error:
            self.damage = _no_line(number, error)
        except OSError as error:
            self.damage = f"unreadable after line {number}: {error.strerror}"
        self.stop = begun + len(block), at
        yield begun, block  # at most the last second of a session that was cut off
        if self.damage is None and not (self.complete or self.goes_on):
            self.repaired = self.cut is not None and self.sealed.lines == number
            self.damage = (
                _repaired(self.cut)
                if self.cut is not None and self.repaired
                else f"not closed: it stops after line {number}; all of it was played"
            )

    def _changed(self, begun: int, at: int, said: object) -> str:
        last = at - 1
        begun = begun if self.sealed.seals else 1  # a seal is over the header, too
        where = f"lines {begun} to {last} do" if last > begun else f"line {begun} does"
        counts = "" if said == last else f", which says that {said} lines stand before it"
        played = f"played up to line {begun - 1}" if begun > 1 else "nothing was played"
        return f"changed: {where} not match the seal in line {at}{counts}; {played}"


LAST = ("end", "on", "cut")
"""Kinds of lines after which only a seal may stand."""


def _no_line(number: int, error: CodecError) -> str:
    return f"damaged: line {number} is no line of a journal: {error}; all before that was played"


def _repaired(cut: Cut) -> str:
    times = (
        ""
        if cut.from_ns is None or cut.to_ns is None
        else f", of {cut.from_ns * 1e-9:.1f} s to {cut.to_ns * 1e-9:.1f} s"
    )
    left = f"; {cut.size} bytes were left out{times}" if cut.size else ""
    lines = "line" if cut.unsealed == 1 else f"{cut.unsealed} lines"
    return f"repaired: {cut.because}{left}" + (
        f"; no seal had proven the last {lines} before that" if cut.unsealed else ""
    )


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
