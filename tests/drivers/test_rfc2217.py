"""A serial server that speaks RFC 2217 on real TCP: pyserial's own server side, on a real pseudo-terminal."""

from __future__ import annotations

import contextlib
import os
import select
import socket
import threading
import time
import tty

import pytest
import serial
from serial import rfc2217

from drivers import nmea
from drivers.config import Channel
from drivers.kinds.nmea import NmeaPort
from drivers.ports import open_port
from drivers.reading import Quality

from .conformance import Heard


class Line(serial.Serial):
    """A pseudo-terminal has no modem lines, and says so with an error; these are always set."""

    cts = dsr = ri = cd = True

    def _update_dtr_state(self) -> None: ...

    def _update_rts_state(self) -> None: ...


class _Sender:
    """What the library's server side answers through."""

    def __init__(self, connection: socket.socket) -> None:
        self._connection = connection

    def write(self, data: bytes) -> None:
        self._connection.sendall(data)


class Server:
    """One client at a time; what the line brings goes to it."""

    def __init__(self) -> None:
        self.near, self.far = os.openpty()
        tty.setraw(self.far)
        self.line = Line(os.ttyname(self.far), timeout=0)
        self.listening = socket.create_server(("127.0.0.1", 0))
        self.url = f"rfc2217://127.0.0.1:{self.listening.getsockname()[1]}"
        self.client: socket.socket | None = None
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._serve, name="server")
        self._thread.start()

    def _serve(self) -> None:
        while not self._stop.is_set():
            if not select.select([self.listening], [], [], 0.05)[0]:
                continue
            self.client, _ = self.listening.accept()
            with self.client, contextlib.suppress(OSError):
                self._copy(self.client, rfc2217.PortManager(self.line, _Sender(self.client)))

    def _copy(self, client: socket.socket, manager: rfc2217.PortManager) -> None:
        while not self._stop.is_set():
            ready, _, _ = select.select([client, self.line], [], [], 0.05)
            if client in ready:
                if not (data := client.recv(1024)):
                    return
                b"".join(manager.filter(data))
            if self.line in ready:
                client.sendall(b"".join(manager.escape(self.line.read(1024))))

    def say(self, value: float) -> None:
        os.write(self.near, nmea.sentence("II", [nmea.quadruple("H1", "length", value)]))

    def hang_up(self) -> None:
        assert self.client is not None
        self.client.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        self._stop.set()
        self._thread.join()
        self.listening.close()
        self.line.close()
        os.close(self.near)
        os.close(self.far)


@pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")  # pyserial 3.5's own
def test_a_serial_server_is_read_sets_its_speed_and_is_found_again(wait_until):
    server, heard = Server(), Heard()
    channel = Channel(name="H", quantity="length", source={"port": "b", "id": "H1"})
    port = open_port(NmeaPort(name="b", driver="nmea", url=server.url, baud=38400), [channel], heard, time.monotonic_ns)
    port.start()
    try:
        wait_until(lambda: heard.links == [True])
        assert server.line.baudrate == 38400
        for value in (1.0, 2.0):
            server.say(value)
        wait_until(lambda: heard.values("H") == [1.0, 2.0])
        server.hang_up()
        wait_until(lambda: heard.links == [True, False], 5.0, "the loss")
        wait_until(lambda: heard.links == [True, False, True], 20.0, "the return")
        server.say(3.0)
        wait_until(lambda: heard.values("H") == [1.0, 2.0, 3.0])
        assert {it.quality for it in heard.readings} == {Quality.GOOD}
    finally:
        port.stop()
        server.close()
