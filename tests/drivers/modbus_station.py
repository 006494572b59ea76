"""A Modbus RTU server in a process of its own: pymodbus's, with what it says given line by line on standard input.

Each line is one answer: `{"registers": [...]}` for what stands at holding register 0 and on, or `{"raw": "hex"}` for bytes in
place of an answer. With nothing to say it says that it is busy, as a slow device may.

`serve` is the server itself, for stations that say something else (that of the soak).
"""

from __future__ import annotations

import asyncio
import json
import logging
import sys
import threading
from collections import deque
from collections.abc import Awaitable, Callable

from pymodbus.constants import ExcCodes
from pymodbus.framer import FramerType
from pymodbus.server import ModbusSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice

logging.getLogger("pymodbus.logging").setLevel(logging.CRITICAL)
waiting: deque[dict] = deque()
raw: list[bytes] = []


async def answer(_function, _start, _address, _count, registers, _values):
    if not waiting:
        return ExcCodes.DEVICE_BUSY
    one = waiting.popleft()
    if "raw" in one:
        raw.append(bytes.fromhex(one["raw"]))
        return ExcCodes.DEVICE_BUSY
    registers[:4] = one["registers"]
    return None


def on_the_wire(sending, data):
    return raw.pop() if sending and raw else data


def hear(line):
    one = json.loads(line)
    if "forget" in one:
        waiting.clear()
    else:
        waiting.append(one)


async def serve(
    pty: str,
    answer: Callable[..., Awaitable[ExcCodes | None]],
    on_the_wire: Callable[[bool, bytes], bytes],
    hear: Callable[[str], None],
    *,
    registers: int,
    baudrate: int,
) -> None:
    """Station 1 with so many holding registers, until its process is ended; it says "ready" once it serves.

    `answer` is asked at every request, as pymodbus asks it; `on_the_wire` (sending, bytes) gives the bytes that go out or come in
    for them; `hear` gets each line of standard input, in a thread.
    """

    def listen() -> None:
        for line in sys.stdin:
            hear(line)

    device = SimDevice(1, [SimData(0, values=[0] * registers, datatype=DataType.REGISTERS)], action=answer)
    server = ModbusSerialServer(
        device,
        framer=FramerType.RTU,
        port=pty,
        baudrate=baudrate,
        ignore_missing_devices=True,
        trace_packet=on_the_wire,
    )
    await server.serve_forever(background=True)
    threading.Thread(target=listen, daemon=True).start()
    print("ready", flush=True)
    await asyncio.Event().wait()


if __name__ == "__main__":
    asyncio.run(serve(sys.argv[1], answer, on_the_wire, hear, registers=8, baudrate=19200))
