"""Registers of a Modbus device: what stands in them, and how few requests fetch them. Pure: no port, no clock.

A register is 16 bits, its high byte first on the wire (MODBUS Application Protocol V1.1b3, 4.2). How a value of 32 bits
lies in two of them is not said there, so the rig file must say it: `high-first` is the bytes ABCD, `low-first` is CDAB.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby

_FORMS = {"int16": ">h", "uint16": ">H", "int32": ">i", "uint32": ">I", "float32": ">f"}
MOST = 125
"""So many registers one request may ask for (MODBUS Application Protocol V1.1b3, 6.3 and 6.4)."""
FUNCTIONS = {"holding": 3, "input": 4}
"""The function code that reads each table (same, 6.3 and 6.4)."""


def width(kind: str) -> int:
    """How many registers a value of a kind takes: 1 or 2."""
    return struct.calcsize(_FORMS[kind]) // 2


def decode(registers: Sequence[int], kind: str, words: str | None) -> float:
    """The number in `width(kind)` registers. A float32 may be NaN or infinite: that is for the caller to refuse."""
    ordered = registers[::-1] if words == "low-first" else registers
    return float(struct.unpack(_FORMS[kind], struct.pack(f">{len(ordered)}H", *ordered))[0])


def encode(value: float, kind: str, words: str | None) -> list[int]:
    """The registers that hold a number, rounded to what the kind can hold. Raises struct.error beyond it."""
    form = _FORMS[kind]
    data = struct.pack(form, value if kind == "float32" else round(value))
    registers = list(struct.unpack(f">{len(data) // 2}H", data))
    return registers[::-1] if words == "low-first" else registers


@dataclass(frozen=True, slots=True)
class Span:
    """Registers that belong together: `count` of them from `register` on, in a table of a station, wanted every `every_s`."""

    station: int
    table: str
    register: int
    count: int
    every_s: float

    @property
    def end(self) -> int:
        """The first register behind it."""
        return self.register + self.count

    def within(self, other: Span) -> bool:
        """Whether a reading of the other brings this one along."""
        same = (self.station, self.table) == (other.station, other.table)
        return same and other.register <= self.register and self.end <= other.end


def joined(spans: Iterable[Span]) -> Iterator[Span]:
    """The fewest spans that bring the same registers and no others, none longer than one request may be.

    Only what touches is joined: a register that nobody named may be one that the device refuses.
    """
    for _, alike in groupby(sorted(spans, key=_order), key=lambda it: (it.station, it.table, it.every_s)):
        whole: Span | None = None
        for it in alike:
            if whole is not None and it.register <= whole.end and it.end - whole.register <= MOST:
                count = max(whole.end, it.end) - whole.register
                whole = Span(it.station, it.table, whole.register, count, it.every_s)
                continue
            if whole is not None:
                yield whole
            whole = it
        if whole is not None:
            yield whole


def _order(it: Span) -> tuple[int, str, float, int, int]:
    return it.station, it.table, it.every_s, it.register, it.count
