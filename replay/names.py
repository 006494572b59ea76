"""How the files of one session are named, so that they sort in any listing: yard.jsonl, yard.part0002.jsonl, ...

A file that was written anew because it was deleted or moved, and whose name somebody else has taken since, has `.again` in it.
Names are for people: a reader goes by what the headers say.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from pathlib import Path

SUFFIX, NOTES = ".jsonl", ".notes.jsonl"
_NAME = re.compile(r"(?P<base>.+?)(?:\.part\d{4,})?(?:\.again\d*)?\.jsonl", re.DOTALL)


def printable(path: str | Path) -> str:
    """A path as it can be printed and kept in a file: bytes of its name that are no UTF-8 as \\xff."""
    return os.fsencode(path).decode("utf-8", "backslashreplace")


def part_path(first: Path, number: int) -> Path:
    """The file of a session's part, beside its first."""
    if number == 1:
        return first
    return first.with_name(f"{first.name.removesuffix(SUFFIX)}.part{number:04d}{SUFFIX}")


def notes_path(first: Path) -> Path:
    """Where what people say of a session afterwards is kept, beside its first file and never in it."""
    return first.with_name(first.name.removesuffix(SUFFIX) + NOTES)


def noted_path(path: Path) -> Path | None:
    """The recording that a file says by its name to hold notes on; None where it says no such thing."""
    name = path.name.removesuffix(NOTES)
    return None if name in ("", path.name) else path.with_name(name + SUFFIX)


def again_paths(path: Path) -> Iterator[Path]:
    """Where a file may be written anew: under its own name, else beside what has taken that."""
    yield path
    for number in range(1, 10):
        yield path.with_name(f"{path.name.removesuffix(SUFFIX)}.again{number}{SUFFIX}")


def base_of(path: Path) -> str:
    """What the names of all files of a session have in common."""
    found = _NAME.fullmatch(path.name)
    return found["base"] if found else path.name


def relatives(path: Path) -> list[Path]:
    """The files beside this one whose names say that they belong to the same session, itself among them, in order of name."""
    base = base_of(path)
    try:
        alike = [name for name in os.listdir(path.parent) if name.startswith(base)]  # most of a season's are none of it
    except OSError:
        return [path]
    beside = [it for it in map(path.with_name, alike) if base_of(it) == base and it.is_file()]
    return sorted({*beside, path})
