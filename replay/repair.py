"""What is left of a damaged recording, in new files: all that is played of it, and a line that says what is missing.

The old files are only read. What seals prove is copied to the byte, its seals with it; lines behind the last seal, which are
played too, follow it as the unproven ones that they are. Then a `cut` line tells what was left out and why, and a seal closes the
file: it is a recording again, and what is wrong with it is that it was repaired.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

from replay.codec import CodecError, Cut, JournalError, cut_line, header_line, parse, seal_line
from replay.journal import LAST, LONGEST_LINE, Journal
from replay.names import SUFFIX, part_path
from replay.recording import Recording

_PIECE = 1024 * 1024
_Times = tuple[int | None, int | None]


def repair(recording: Recording, target: Path) -> list[Path]:
    """Write what `recording`, whose lines were all played, holds to `target` and, of further parts, beside it; returns the files.

    Raises JournalError where nothing is wrong with it, where a file is there already, or where none can be written; nothing is
    left behind then.
    """
    if recording.damage is None:
        raise JournalError(f"{recording.path}: nothing is wrong with it, so there is nothing to repair")
    if recording.parts[-1].repaired and recording.parts[-1] is recording.parts[recording.part]:
        raise JournalError(f"{recording.path}: is repaired already; all that it holds is sealed")
    if target.suffix != SUFFIX:
        raise JournalError(f"{target}: no name for a recording; allowed is one that ends in {SUFFIX}")
    parts = recording.parts[: recording.part + 1]
    if parts[-1].denied and not parts[-1].sealed.seals:  # not even its header is proven
        parts = parts[:-1]
    if not parts:
        raise JournalError(
            f"{recording.path}: its first seal does not match, so nothing in it is proven and to be kept"
        )
    made: list[_File] = []
    try:
        _write(parts, recording, target, made)
        for file in made:
            file.close()
    except BaseException as error:  # an interruption, too: half of a repair would pass for a recording
        for file in made:
            file.discard()
        if isinstance(error, FileExistsError):
            raise JournalError(
                f"{error.filename}: is there already, and nothing is written over; name another"
            ) from None
        if isinstance(error, OSError):
            raise JournalError(f"{error.filename or target}: {error.strerror}") from None
        raise
    return [file.path for file in made]


def _write(kept: Sequence[Journal], recording: Recording, target: Path, made: list[_File]) -> None:
    def begun(number: int) -> _File:
        made.append(_File(part_path(target, number)))
        return made[-1]

    for part in kept:
        file = begun(part.header.part)
        file.copy(part.path, part.sealed.size)
    part = kept[-1]
    rest = [it.path for it in recording.parts[len(kept) :]]
    because = (recording.parts[recording.part].damage or recording.damage or "").split("; ")[0]
    if part.sealed.behind in ("end", "cut"):  # what stands after it is none of it
        return
    if part.sealed.behind == "on":
        ended_ns = part.sealed.time_ns
        following = replace(part.header, part=part.header.part + 1, before=part.sealed.digest, from_ns=ended_ns)
        file = begun(following.part)
        file.line(header_line(following))
        file.cut(ended_ns, Cut(_size(rest), 0, because, *_times(rest), ""))
        return
    time_ns, unsealed = part.sealed.time_ns, 0
    for line, found in _behind_seals(part):
        file.line(line if line.endswith(b"\n") else line + b"\n")  # a header that was all there but for its end
        unsealed += found["k"] != "header"
        time_ns = max(time_ns, found["t"])
    damaged = [part.path, *rest]
    size, times = max(0, _size(damaged) - file.size), _times(damaged, file.size)
    file.cut(time_ns, Cut(size, unsealed, because, *times, _digest(part.path)))


class _File:
    """A new file of a recording, with what a seal in it needs. Raises OSError, FileExistsError where it is there."""

    def __init__(self, path: Path) -> None:
        self.path, self.size = path, 0
        self._file = path.open("xb")
        self._hash, self._lines = hashlib.sha256(), 0

    def line(self, line: bytes) -> None:
        """Add a line, or several."""
        self._file.write(line)
        self._hash.update(line)
        self._lines += line.count(b"\n")
        self.size += len(line)

    def copy(self, source: Path, size: int) -> None:
        """Add the first bytes of another."""
        with source.open("rb") as file:
            while piece := file.read(min(_PIECE, size - self.size)):
                self.line(piece)

    def cut(self, time_ns: int, cut: Cut) -> None:
        """Say what is missing from here on, and seal it."""
        self.line(cut_line(time_ns, cut))
        self.line(seal_line(time_ns, self._lines, self._hash))

    def close(self) -> None:
        """Put it on the disk."""
        self._file.flush()
        os.fsync(self._file.fileno())
        self._file.close()

    def discard(self) -> None:
        """Leave nothing of it."""
        with suppress(OSError):
            self._file.close()
        with suppress(OSError):
            self.path.unlink()


def _behind_seals(part: Journal) -> Iterator[tuple[bytes, dict[str, Any]]]:
    """The lines that are played and that no seal proves, the header where there is no seal."""
    with part.path.open("rb") as file:
        file.seek(part.sealed.size)
        while file.tell() < part.stop[1]:
            line = file.readline(LONGEST_LINE)
            found = parse(line)
            if found["k"] in LAST:  # it would close the file, and is not proven
                return
            yield line, found


def _size(paths: Iterable[Path]) -> int:
    return sum(path.stat().st_size for path in paths)


def _times(paths: Iterable[Path], at: int = 0) -> _Times:
    """The least and the greatest time in files, of the first from a byte on, as far as their lines can be read."""
    first: int | None = None
    last: int | None = None
    for path in paths:
        with path.open("rb") as file:
            file.seek(at)
            at = 0
            while line := file.readline(LONGEST_LINE):
                try:
                    found = parse(line)
                except CodecError:
                    continue
                if found["k"] not in ("header", "seal", *LAST):
                    first = found["t"] if first is None else min(first, found["t"])
                    last = found["t"] if last is None else max(last, found["t"])
    return first, last


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
