"""Far ends of a Modbus bus for tests: a real server in its own process behind a cable, and a bus of simple stations."""

from __future__ import annotations

import json
import os
import select
import struct
import subprocess
import sys
import tempfile
import threading
import tty
from collections import Counter
from collections.abc import Callable
from pathlib import Path

from drivers import registers
from drivers.config import Channel
from drivers.kinds.modbus import ModbusPort

from .conformance import Far


def crc(data: bytes) -> bytes:
    """The checksum as it stands on the wire, bit by bit after MODBUS over Serial Line V1.02, appendix B."""
    value = 0xFFFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = value >> 1 ^ (0xA001 if value & 1 else 0)
    return struct.pack("<H", value)


def framed(text: str) -> bytes:
    data = bytes.fromhex(text)
    return data + crc(data)


class Server:
    """pymodbus's server on a pty of its own; `far` is the other end of it."""

    def __init__(self) -> None:
        self.far, self._near = os.openpty()
        tty.setraw(self._near)
        self._process = subprocess.Popen(
            [sys.executable, str(Path(__file__).with_name("modbus_station.py")), os.ttyname(self._near)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert self._process.stdout.readline() == "ready\n"

    def tell(self, **one) -> None:
        self._process.stdin.write(json.dumps(one) + "\n")
        self._process.stdin.flush()

    def close(self) -> None:
        self._process.terminate()
        self._process.communicate()
        os.close(self.far)
        os.close(self._near)


class Cable:
    """A link in the file system, as an adapter's name, to a pty whose bytes go to `handle`, or to and from `behind`."""

    def __init__(self) -> None:
        self.folder = tempfile.TemporaryDirectory()
        self.name = os.path.join(self.folder.name, "ttyUSB0")
        self._wake, self._woken = os.pipe()
        self.plug()

    def plug(self) -> None:
        self.near, self._far = os.openpty()
        tty.setraw(self._far)
        os.symlink(os.ttyname(self._far), self.name)
        self._thread = threading.Thread(target=self._carry, daemon=True)
        self._thread.start()

    def pull(self) -> None:
        os.unlink(self.name)
        os.write(self._woken, b"x")
        self._thread.join()
        os.read(self._wake, 1)
        os.close(self.near)
        os.close(self._far)

    def close(self) -> None:
        if os.path.islink(self.name):
            self.pull()
        os.close(self._wake)
        os.close(self._woken)
        self.folder.cleanup()

    def _carry(self) -> None:
        while True:
            ready, _, _ = select.select([self.near, self._wake, *self.others()], [], [])
            if self._wake in ready:
                return
            for one in ready:
                self.heard(one, os.read(one, 4096))

    def others(self) -> list[int]:
        return []

    def heard(self, end: int, data: bytes) -> None:
        raise NotImplementedError


class ServerFar(Cable, Far):
    """The server behind a cable: two float32 in four holding registers that touch."""

    def __init__(self, server: Server) -> None:
        self.server = server
        server.tell(forget=True)
        super().__init__()
        self.config = ModbusPort(name="it", driver="modbus", url=self.name, parity="none", every=0.02)
        source = {"port": "it", "station": 1, "type": "float32"}
        self.channels = [
            Channel(
                name="P", quantity="pressure", source=source | {"holding": 0, "words": "high-first", "unit": "bar"}
            ),
            Channel(name="H", quantity="length", source=source | {"holding": 2, "words": "low-first", "unit": "mm"}),
        ]

    def others(self):
        return [self.server.far]

    def heard(self, end, data):
        os.write(self.near if end == self.server.far else self.server.far, data)

    def say(self, pressure, height):
        first = registers.encode(float("nan") if pressure is None else pressure / 1e5, "float32", "high-first")
        second = registers.encode(float("nan") if height is None else height / 1e-3, "float32", "low-first")
        self.server.tell(registers=first + second)

    def junk(self):
        self.server.tell(raw="010308000000000000000000000000")
        self.server.tell(raw=framed("0103020000").hex())

    def stranger(self):
        self.server.tell(raw=framed("0903080000000000000000").hex())

    def cut(self):
        self.pull()

    def mend(self):
        self.plug()


class Bus(Cable):
    """Stations that answer in this process, and count what they are asked. `tables` is {station: {(function, register): word}};
    a station that is not in it says nothing, as on a real bus. `instead` may say something else in place of an answer, `slow`
    how long (s) a station takes over one.
    """

    def __init__(self, tables: dict[int, dict[tuple[int, int], int]]) -> None:
        self.tables = tables
        self.asked: Counter[int] = Counter()
        self.requests: list[bytes] = []
        self.instead: list[bytes | Callable[[], None] | None] = []
        self.noise = b""
        self.slow: dict[int, float] = {}
        super().__init__()

    def heard(self, _end, data):
        assert len(data) == 8, "a request is written at once"
        assert crc(data[:6]) == data[6:]
        station, function, register, count = struct.unpack(">BBHH", data[:6])
        self.asked[station] += 1
        self.requests.append(data[:6])
        if self.instead and (other := self.instead.pop(0)) is not None:
            if callable(other):
                other()
            else:
                os.write(self.near, other)
            return
        if station not in self.tables:
            return
        table = self.tables[station]
        words = [table.get((function, at)) for at in range(register, register + count)]
        if None in words:
            body = bytes([station, function | 0x80, 2])
        else:
            body = bytes([station, function, 2 * count]) + struct.pack(f">{count}H", *words)
        if station in self.slow:
            threading.Event().wait(self.slow[station])
        os.write(self.near, self.noise + body + crc(body))

    def later(self, seconds: float, data: bytes, done: threading.Event) -> Callable[[], None]:
        """An answer that is said so long after it was asked for."""

        def say() -> None:
            os.write(self.near, data)
            done.set()

        return lambda: threading.Timer(seconds, say).start()
