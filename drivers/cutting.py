"""Cuts a byte stream into lines, whatever pieces it comes in. Pure, and bounded: a wire that never ends a line fills no memory."""

from __future__ import annotations

from collections.abc import Iterator

LONGEST = 1024
"""Bytes kept of a line without an end, unless said otherwise. NMEA 0183 allows 82; real talkers exceed it, noise has no bound."""


class Cutter:
    """Lines end with LF; a CR before it goes. A line longer than `longest` bytes is said once, as None, and passed over."""

    def __init__(self, longest: int = LONGEST) -> None:
        self._longest = longest
        self._rest = b""
        self._skipping = False

    def reset(self, *, whole: bool = True) -> None:
        """Forget the half line at hand: the wire was cut. Not `whole`: what comes first is the end of a line, passed over."""
        self._rest, self._skipping = b"", not whole

    @property
    def amid(self) -> bool:
        """Whether a line has begun and not ended."""
        return bool(self._rest) or self._skipping

    @property
    def held(self) -> int:
        """Bytes of a line whose end has not come."""
        return len(self._rest)

    def feed(self, data: bytes) -> Iterator[bytes | None]:
        """The lines that `data` completes, without their ends; None for each that was too long."""
        lines = (self._rest + data).split(b"\n")
        self._rest = lines.pop()
        for line in lines:
            if self._skipping:  # the end of a line that was too long
                self._skipping = False
            elif len(line) > self._longest:
                yield None
            else:
                yield line.rstrip(b"\r")
        if self._skipping:
            self._rest = b""
        elif len(self._rest) > self._longest:
            self._rest, self._skipping = b"", True
            yield None
