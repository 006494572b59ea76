"""Lines of text that home-made nodes print: bytes in, (id, value, unit) out. Pure: no port, no clock, no thread.

What a line means is said by a pattern (patterns.py). A line carries no checksum: a byte that is lost or changed on the way
is another number, and nothing here can tell. So the end of a line whose beginning was not heard is never read.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass

from drivers.cutting import Cutter
from drivers.patterns import LONGEST, LinePattern

_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?", re.ASCII)


@dataclass(frozen=True, slots=True)
class Item:
    """One number of a line as written: its id (None where the pattern names none), its unit (None where the line gives none)."""

    id: str | None
    value: float
    unit: str | None


class LineDecoder:
    """Cuts a byte stream into lines and lays a pattern over each, white space at its ends aside. Counted in `counts`:

    `malformed` (too long, not UTF-8, not of the pattern, no number where one is promised, an id that cannot be printed),
    `empty` (no value), `other` (of the pattern, and without any number).
    """

    def __init__(self, pattern: LinePattern) -> None:
        self.counts: Counter[str] = Counter()
        self.whole = 0
        """Lines of the pattern that came whole."""
        self.foreign = 0
        """Lines of printable text that are not of the pattern: such come of no wrong speed."""
        self._pattern = pattern
        self._cutter = Cutter(LONGEST)

    def reset(self) -> None:
        """The wire was cut: forget the half line at hand, and pass over what comes before the next line begins."""
        self._cutter.reset(whole=False)

    @property
    def amid(self) -> bool:
        """Whether a line has begun and not ended."""
        return self._cutter.amid

    def feed(self, data: bytes) -> Iterator[Item]:
        """The items in the lines that `data` completes."""
        for line in self._cutter.feed(data):
            if line is None:
                self.counts["malformed"] += 1
            elif stripped := line.strip():
                yield from self._line(stripped)

    def _line(self, line: bytes) -> Iterator[Item]:
        try:
            text = line.decode("utf-8")
        except UnicodeDecodeError:
            self.counts["malformed"] += 1
            return
        match = self._pattern.regex.fullmatch(text)
        name = match["id"] if match is not None and self._pattern.named else None
        if match is None or (self._pattern.named and not (name and name.isprintable())):
            self.counts["malformed"] += 1
            self.foreign += text.isprintable()
            return
        self.whole += 1
        given = [(number, match[number.value]) for number in self._pattern.numbers if match[number.value] is not None]
        if not given:
            self.counts["other"] += 1
        for number, value in given:
            if value == "":
                self.counts["empty"] += 1
            elif not _NUMBER.fullmatch(value):
                self.counts["malformed"] += 1
            else:
                unit = match[number.unit] if number.unit else None
                yield Item(name or number.id, float(value), unit or None)
