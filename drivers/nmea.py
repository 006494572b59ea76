"""NMEA 0183 XDR sentences, both directions: bytes in, (id, quantity, SI value) out, and back.

Pure: no port, no clock, no thread. A sentence is `$--XDR,<type>,<value>,<unit>,<id>[,...]*hh` with any number of
quadruples and any talker. The checksum is the exclusive-or of the bytes between `$` and `*`, two hex digits in either case.
An empty value is no data, never zero. Type and unit letters after the NMEA 0183 v4.11 transducer table; `P` is
pressure, pascal or percent by its place.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import reduce
from operator import xor

from drivers.cutting import Cutter

MEANINGS: dict[tuple[str, str], tuple[str, float, float]] = {
    # (type, unit): (quantity, scale, offset) with SI = scale * value + offset
    ("P", "B"): ("pressure", 1e5, 0.0),
    ("P", "P"): ("pressure", 1.0, 0.0),
    ("A", "D"): ("angle", 0.017453292519943295, 0.0),
    ("D", "M"): ("length", 1.0, 0.0),
    ("N", "N"): ("force", 1.0, 0.0),
    ("C", "C"): ("temperature", 1.0, 273.15),
    ("I", "A"): ("current", 1.0, 0.0),
    ("U", "V"): ("voltage", 1.0, 0.0),
}
"""What a quadruple may measure. A generic `G` has no unit and so is no physical quantity: it is counted, not read."""

_SENTENCE = re.compile(rb"[$]([A-Z0-9]{2,8})((?:,[\x20-\x29\x2b-\x7e]*)?)(?:[*]([0-9A-Fa-f]{2}))?")
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)")
_MAX_SENTENCE = 82


@dataclass(frozen=True, slots=True)
class Item:
    """One quadruple that carries a number: its id, what it measures, the value in SI."""

    id: str
    quantity: str
    value: float


class XdrDecoder:
    """Cuts a byte stream into sentences and reads their quadruples. Whatever is wrong is counted in `counts`:

    `bad_checksum`, `no_checksum`, `malformed` (no sentence, or not quadruples), `other` (a good sentence that is not
    XDR), `empty` (no value), `mislabelled` (type and unit that do not go together, or a generic number).
    """

    def __init__(self, checksum_required: bool = True) -> None:
        self.counts: Counter[str] = Counter()
        self.whole = 0
        """Sentences that came whole, whatever they say."""
        self._required = checksum_required
        self._cutter = Cutter()

    def reset(self) -> None:
        """Forget the half line at hand: the wire was cut."""
        self._cutter.reset()

    @property
    def amid(self) -> bool:
        """Whether a line has begun and not ended."""
        return self._cutter.amid

    def feed(self, data: bytes) -> Iterator[Item]:
        """The items in the lines that `data` completes."""
        for line in self._cutter.feed(data):
            if line is None:
                self.counts["malformed"] += 1
            else:
                yield from self._line(line)

    def _line(self, line: bytes) -> Iterator[Item]:
        if not line.strip():
            return
        match = _SENTENCE.fullmatch(line[line.rfind(b"$") :]) if b"$" in line else None
        if match is None:
            self.counts["malformed"] += 1
            return
        if match[3] is None:
            if self._required:
                self.counts["no_checksum"] += 1
                return
        elif int(match[3], 16) != checksum(match[1] + match[2]):
            self.counts["bad_checksum"] += 1
            return
        self.whole += 1
        if not match[1].endswith(b"XDR"):
            self.counts["other"] += 1
            return
        yield from self._quadruples(match[2].decode("ascii")[1:].split(","))

    def _quadruples(self, fields: list[str]) -> Iterator[Item]:
        if len(fields) % 4:
            self.counts["malformed"] += 1
            return
        for kind, value, unit, name in zip(*[iter(fields)] * 4, strict=True):
            meaning = MEANINGS.get((kind, unit))
            if value == "":
                self.counts["empty"] += 1
            elif not _NUMBER.fullmatch(value):
                self.counts["malformed"] += 1
            elif meaning is None:
                self.counts["mislabelled"] += 1
            else:
                quantity, scale, offset = meaning
                yield Item(name, quantity, scale * float(value) + offset)


def checksum(body: bytes) -> int:
    """Exclusive-or of the bytes between `$` and `*`."""
    return reduce(xor, body, 0)


WIRE: dict[str, tuple[str, str, int]] = {
    # quantity: (type, unit, decimals) as a virtual rig sends it
    "pressure": ("P", "B", 5),
    "angle": ("A", "D", 4),
    "length": ("D", "M", 5),
    "force": ("N", "N", 1),
    "temperature": ("C", "C", 2),
    "current": ("I", "A", 6),
    "voltage": ("U", "V", 5),
}


def quadruple(name: str, quantity: str, value: float | None) -> str:
    """One quadruple for an SI value; None is sent as an empty field."""
    kind, unit, decimals = WIRE[quantity]
    _, scale, offset = MEANINGS[kind, unit]
    number = "" if value is None else f"{(value - offset) / scale:.{decimals}f}"
    return f"{kind},{number},{unit},{name}"


def sentence(talker: str, quadruples: Iterable[str]) -> bytes:
    """One XDR sentence with its checksum and CR LF."""
    body = f"{talker}XDR,{','.join(quadruples)}".encode("ascii")
    return b"$%s*%02X\r\n" % (body, checksum(body))


def sentences(talker: str, quadruples: Iterable[str]) -> Iterator[bytes]:
    """As many sentences as keep each within the 82 characters of the standard."""
    waiting: list[str] = []
    for one in quadruples:
        if waiting and len(sentence(talker, [*waiting, one])) > _MAX_SENTENCE:
            yield sentence(talker, waiting)
            waiting = []
        waiting.append(one)
    if waiting:
        yield sentence(talker, waiting)
