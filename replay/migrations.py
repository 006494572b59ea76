"""What a line of an older format version needs to be read as one of this version: a step from each version to the next.

A step says what it does to which kind of line, and leaves other kinds alone. A file itself is never changed: its seals are
over the bytes that were written. FORMAT.md says of each version what was new and why.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, TypeGuard

Line = dict[str, Any]
Step = Mapping[str, Callable[[Line], Line]]
"""By kind of line (`k`)."""

VERSION = 2
"""What is written."""


def _header_of_1(line: Line) -> Line:
    """A file was a session, and named none. The last programs of version 1 named it, in the first of several files."""
    return {"session": "", "part": 1} | line


def _gap_of_1(line: Line) -> Line:
    """How much was lost was counted, not yet from when to when."""
    return {"from": None, "to": None} | line


STEPS: dict[int, Step] = {
    1: {"header": _header_of_1, "gap": _gap_of_1},
}


def readable(version: object) -> TypeGuard[int]:
    """Whether a file of this version can be read: all versions that there were so far."""
    return isinstance(version, int) and not isinstance(version, bool) and min(STEPS) <= version <= VERSION


def changes(version: int, *kinds: str) -> bool:
    """Whether lines of one of these kinds are another in a file of a version that is `readable`."""
    return any(kind in STEPS[older] for older in range(version, VERSION) for kind in kinds)


def migrated(line: Line, version: int) -> Line:
    """A line of a file of a version that is `readable`, as this version has it."""
    for older in range(version, VERSION):
        if (change := STEPS[older].get(line["k"])) is not None:
            line = change(line)
    return line
