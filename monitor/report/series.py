"""A value over a whole session in a few hundred stretches of time, thinned so that no peak is lost. Pure.

Every stretch keeps its least and its greatest value, which of the two came first, and how far they might have been off. When
there are too many stretches, two become one. What was not known stays a hole, however short it was.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

MOST = 512
"""Stretches at most: more than two to a millimetre of paper cannot be told apart."""
FIRST_NS = 100_000_000
"""Length of a stretch before there are too many: two pictures."""


@dataclass(slots=True)
class Stretch:
    """A part of the session. `rising`: its least came before its greatest. `off`: how far a value may have been off, at most; None
    where that is not known of all. `unknown`: within it was a moment at which there was no value."""

    least: float | None = None
    greatest: float | None = None
    rising: bool = True
    off: float | None = 0.0
    unknown: bool = False

    def take(self, value: float | None, off: float | None) -> None:
        """Take the next value; None: not known."""
        if value is None:
            self.unknown = True
            return
        self.off = None if self.off is None or off is None else max(self.off, off)
        if self.least is None or self.greatest is None:
            self.least = self.greatest = value
        elif value < self.least:
            self.least, self.rising = value, False
        elif value > self.greatest:
            self.greatest, self.rising = value, True

    def join(self, after: Stretch) -> Stretch:
        """This and the one after it as one."""
        if self.least is None or self.greatest is None:
            return replace(after, unknown=True)
        if after.least is None or after.greatest is None:
            return replace(self, unknown=True)
        low_later, high_later = after.least < self.least, after.greatest > self.greatest
        rising = high_later if low_later != high_later else after.rising if low_later else self.rising
        return Stretch(
            min(self.least, after.least),
            max(self.greatest, after.greatest),
            rising,
            None if self.off is None or after.off is None else max(self.off, after.off),
            self.unknown or after.unknown,
        )


class Series:
    """One value over time. Give it every picture's in order; `most` is how many stretches are kept at most, an even number."""

    def __init__(self, most: int = MOST) -> None:
        self.long_ns = FIRST_NS
        """How long a stretch is."""
        self._most = most
        self._stretches: list[Stretch] = []
        self.last: float | None = None
        """The value as it was last; None where it is not known then."""
        self.last_off: float | None = 0.0
        """How far that may be off."""
        self.top: tuple[int, float, float | None] | None = None
        """(when, value, how far it may be off) of the greatest; None where none was known."""
        self.bottom: tuple[int, float, float | None] | None = None

    def take(self, time_ns: int, value: float | None, off: float | None = 0.0) -> None:
        """Take the value at a time, None where it is not known, and how far it may be off: 0 where nobody asks."""
        at = max(0, time_ns) // self.long_ns
        while at >= self._most:
            self._halve()
            at = max(0, time_ns) // self.long_ns
        while len(self._stretches) <= at:
            self._stretches.append(Stretch())
        self._stretches[at].take(value, off)
        self.last, self.last_off = value, off
        if value is not None:
            if self.top is None or value > self.top[1]:
                self.top = time_ns, value, off
            if self.bottom is None or value < self.bottom[1]:
                self.bottom = time_ns, value, off

    def __iter__(self) -> Iterator[tuple[int, Stretch]]:
        """(its middle in ns, the stretch) in order; one in which nobody looked is left out."""
        for at, it in enumerate(self._stretches):
            if it.least is not None or it.unknown:
                yield at * self.long_ns + self.long_ns // 2, it

    @property
    def known(self) -> bool:
        """Whether it ever had a value."""
        return self.top is not None

    def _halve(self) -> None:
        pairs = [self._stretches[i : i + 2] for i in range(0, len(self._stretches), 2)]
        self._stretches = [_joined(pair) for pair in pairs]
        self.long_ns *= 2


def _joined(pair: list[Stretch]) -> Stretch:
    if len(pair) == 1:
        return pair[0]
    first, after = pair
    if first.least is None and not first.unknown:
        return after
    if after.least is None and not after.unknown:
        return first
    return first.join(after)
