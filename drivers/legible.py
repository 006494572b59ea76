"""Whether what a wire brings can be read at all: a wrong speed brings bytes and no sentence. Pure: no clock, no wire."""

from __future__ import annotations

from enum import Enum

JUDGED_NS = 5_000_000_000
"""A wire is judged by what it has brought since a first byte at least so long ago ..."""
JUDGED_BYTES = 200
"""... and by no less than so many bytes, some three sentences. A slow talker with a spoilt line is not called unreadable."""


class Legibility(Enum):
    """What can be read of what comes."""

    FINE = "fine"
    NOTHING = "nothing"
    LITTLE = "little"
    """More sentences are spoilt than whole."""


class Legible:
    """Follows one wire: give `heard` every read that brought something."""

    def __init__(self) -> None:
        self.now = Legibility.FINE
        self._since_ns: int | None = None
        self._bytes = 0
        self._before = self._latest = (0, 0)

    def cut(self) -> None:
        """The wire was closed: begin anew."""
        self.now, self._since_ns = Legibility.FINE, None

    def heard(self, amount: int, whole: int, spoilt: int, now_ns: int) -> Legibility:
        """`amount` bytes came; `whole` and `spoilt` lines have been counted so far, these among them."""
        if self._since_ns is None:
            self._since_ns, self._bytes, self._before = now_ns, 0, self._latest
        self._latest = whole, spoilt
        self._bytes += amount
        read, lost = whole - self._before[0], spoilt - self._before[1]
        if self.now is Legibility.NOTHING and read:
            self.now, self._since_ns = Legibility.FINE, None
        elif now_ns - self._since_ns >= JUDGED_NS and self._bytes >= JUDGED_BYTES:
            self.now = Legibility.NOTHING if not read else Legibility.LITTLE if lost > read else Legibility.FINE
            self._since_ns = None
        return self.now
