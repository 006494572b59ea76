"""The Modbus station of the soak, in a process of its own: pymodbus's server, whose registers count its good answers.

python tests/bench/soak_station.py PTY LOG

Standard input takes one line a fault: `exception`, `checksum` or `silent`, then how many answers it lasts. Each good answer is
kept in LOG as two little-endian numbers: its count (uint64) and when it was given (ns of the monotonic clock, uint64).
"""

from __future__ import annotations

import asyncio
import struct
import sys
import time
from collections import deque
from pathlib import Path

from pymodbus.constants import ExcCodes

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.drivers.modbus_station import serve

CHANNELS = 4
faults: deque[str] = deque()
spoil: list[str] = []


def hear(line: str) -> None:
    kind, often = line.split()
    faults.extend([kind] * int(often))


def on_the_wire(sending: bool, data: bytes) -> bytes:
    if not sending or not spoil:
        return data
    return b"" if spoil.pop() == "silent" else data[:-2] + bytes((data[-2] ^ 0xFF, data[-1]))


async def main(pty: str, log: Path) -> None:
    count = 0
    with log.open("wb") as kept:

        async def answer(_function, _start, _address, _count, registers, _values):
            nonlocal count
            if faults and (kind := faults.popleft()):
                if kind != "exception":
                    spoil.append(kind)
                return ExcCodes.DEVICE_BUSY
            registers[: 2 * CHANNELS] = [count >> 16, count & 0xFFFF] * CHANNELS
            kept.write(struct.pack("<QQ", count, time.monotonic_ns()))
            kept.flush()
            count += 1
            return None

        await serve(pty, answer, on_the_wire, hear, registers=16, baudrate=115200)


if __name__ == "__main__":
    asyncio.run(main(sys.argv[1], Path(sys.argv[2])))
