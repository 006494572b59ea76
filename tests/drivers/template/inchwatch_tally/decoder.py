"""The tally wire's format. Pure: bytes in, values out. Whatever bytes come, nothing is raised but TallyError."""

from __future__ import annotations

import re

_LINE = re.compile(rb"([A-Z][A-Z0-9]*) (-?\d+(?:\.\d+)?|-)")


class TallyError(ValueError):
    """A line that is none of the format. The message says what was found."""


def decode(line: bytes) -> tuple[str, float | None]:
    """(id, SI value) of one line; None for `-`, which is no value and never zero. Raises TallyError."""
    match = _LINE.fullmatch(line)
    if match is None:
        raise TallyError(f"found {line[:40]!r}: 'ID VALUE' is allowed")
    return match[1].decode("ascii"), None if match[2] == b"-" else float(match[2])
