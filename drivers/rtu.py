"""Modbus RTU frames, both directions: a request to bytes, and what bytes answer it. Pure: no port, no clock.

pymodbus builds and checks the frames. Its clients are not used: they know one time-out for all stations, and close the
port when one of them stays silent. Importing it takes a while (DEVELOPERS.md), so only a port that opens imports this.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass

from pymodbus.exceptions import ModbusException
from pymodbus.framer.rtu import FramerRTU
from pymodbus.pdu import DecodePDU
from pymodbus.pdu.register_message import ReadHoldingRegistersRequest, ReadInputRegistersRequest

from drivers.registers import FUNCTIONS, Span

_FRAMER = FramerRTU(DecodePDU(False))
_REQUESTS = {"holding": ReadHoldingRegistersRequest, "input": ReadInputRegistersRequest}
_LAST_STATION = 247
_REFUSED = 0x80
REASONS = {
    1: "illegal function",
    2: "illegal data address",
    3: "illegal data value",
    4: "device failure",
    5: "acknowledge",
    6: "device busy",
    8: "memory parity error",
    10: "gateway path unavailable",
    11: "gateway target failed to respond",
}
"""Exception codes by name (MODBUS Application Protocol V1.1b3, 7)."""


@dataclass(frozen=True, slots=True)
class Answer:
    """The registers that were asked for."""

    registers: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Refusal:
    """The station's own word that it will not, or cannot, say."""

    code: int

    @property
    def reason(self) -> str:
        """The code by its name."""
        return REASONS.get(self.code, f"exception {self.code}")


@dataclass(frozen=True, slots=True)
class Frame:
    """A whole frame of any station, its checksum right: function code and what follows it."""

    station: int
    body: bytes


def request(span: Span) -> bytes:
    """The frame that asks for a span."""
    return _FRAMER.buildFrame(_REQUESTS[span.table](address=span.register, count=span.count, dev_id=span.station))


def answer_length(span: Span) -> int:
    """How many bytes the answer to a span has: station, function, byte count, the registers, checksum."""
    return 5 + 2 * span.count


def frames(data: bytes) -> Iterator[Frame]:
    """Every whole answer in what came in, wherever it begins: lines click when a driver lets go of them. Never raises."""
    begin = 0
    while begin < len(data) - 3:
        frame = _frame(data[begin:])
        if frame is None:
            begin += 1
            continue
        yield frame
        begin += len(frame.body) + 3


def _frame(data: bytes) -> Frame | None:
    """The answer at the very beginning of some bytes."""
    if not 1 <= data[0] <= _LAST_STATION:
        return None
    try:
        kind = _FRAMER.decoder.lookupPduClass(data)
        size = kind.calculateRtuFrameSize(data) if kind is not None else 0
    except (ModbusException, IndexError, struct.error):
        return None
    if not 4 <= size <= len(data) or not FramerRTU.check_CRC(data[: size - 2], int.from_bytes(data[size - 2 : size])):
        return None
    return Frame(data[0], data[1 : size - 2])


def reply(frame: Frame, span: Span) -> Answer | Refusal | None:
    """What a frame says to a request; None if it is no answer to it (another station, function or length)."""
    function, body = FUNCTIONS[span.table], frame.body
    if frame.station != span.station:
        return None
    if body[0] == function | _REFUSED:
        return Refusal(body[1])
    if body[0] != function or body[1] != 2 * span.count or len(body) != 2 + 2 * span.count:
        return None
    return Answer(struct.unpack(f">{span.count}H", body[2:]))
