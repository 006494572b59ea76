"""The wires of the soak, as their far ends hold them: ptys under links, a TCP server, a broker of our own, a Modbus cable."""

from __future__ import annotations

import contextlib
import getpass
import os
import shutil
import socket
import subprocess
import sys
import tty
from collections import deque
from pathlib import Path


class ByteWire:
    """Bytes go out in order; what the wire does not take yet waits here. A tick is written whole or, pulled amid it, not."""

    def __init__(self) -> None:
        self.fd: int | None = None
        self._waiting: deque[tuple[int, bytes]] = deque()

    def write(self, tick: int, data: bytes) -> None:
        self._waiting.append((tick, data))

    def flush(self) -> None:
        if self.fd is None:
            return
        while self._waiting:
            tick, data = self._waiting[0]
            try:
                sent = os.write(self.fd, data)
            except BlockingIOError:
                return
            except OSError:  # the other end has gone: what was on its way is lost, and said so by whoever looks
                self.lost()
                return
            if sent < len(data):
                self._waiting[0] = (tick, data[sent:])
                return
            self._waiting.popleft()

    def forget(self) -> int | None:
        """Drop what waits; the tick it begins with."""
        first = self._waiting[0][0] if self._waiting else None
        self._waiting.clear()
        return first

    def lost(self) -> None:
        raise NotImplementedError


class Pty(ByteWire):
    """A pty under a link whose name changes each time it is put back, as that of an adapter does."""

    def __init__(self, folder: Path, name: str) -> None:
        super().__init__()
        self._folder, self._name, self._times = folder, name, 0
        self.place = str(folder / f"{name}-tty*")
        self.plug()

    def plug(self) -> None:
        self.fd, self._far = os.openpty()
        tty.setraw(self._far)
        os.set_blocking(self.fd, False)
        self.device = os.ttyname(self._far)
        self._link = self._folder / f"{self._name}-tty{self._times}"
        self._times += 1
        self._link.symlink_to(self.device)

    def pull(self) -> None:
        assert self.fd is not None, "it is plugged in"
        self._link.unlink()
        os.close(self.fd)
        os.close(self._far)
        self.fd = None

    def open_in(self, pid: int) -> bool:
        """Whether a process has it open."""
        for it in Path(f"/proc/{pid}/fd").iterdir():
            with contextlib.suppress(OSError):
                if os.readlink(it) == self.device:
                    return True
        return False


class Tcp(ByteWire):
    """A serial server for one client at a time."""

    def __init__(self) -> None:
        super().__init__()
        self.server = socket.create_server(("127.0.0.1", 0))
        self.server.setblocking(False)
        self.place = f"socket://127.0.0.1:{self.server.getsockname()[1]}"
        self._client: socket.socket | None = None

    def accept(self) -> None:
        client, _ = self.server.accept()
        self.cut()
        client.setblocking(False)
        self._client, self.fd = client, client.fileno()

    def cut(self) -> None:
        if self._client is not None:
            self._client.close()
        self._client = self.fd = None

    def lost(self) -> None:
        self.cut()


class Cable:
    """A Modbus cable: what the one end says the other hears."""

    def __init__(self, folder: Path) -> None:
        self.near, far = os.openpty()
        self.station, self._server = os.openpty()
        for it in (far, self._server):
            tty.setraw(it)
        self._held = far
        self.place, self.server = str(folder / "bus-tty0"), os.ttyname(self._server)
        os.symlink(os.ttyname(far), self.place)

    def carry(self, end: int) -> None:
        os.write(self.station if end == self.near else self.near, os.read(end, 4096))


class Broker:
    """A mosquitto of our own, which says on its standard error who subscribes to what."""

    def __init__(self, folder: Path) -> None:
        program = shutil.which("mosquitto", path=f"{os.environ.get('PATH', '')}:/usr/sbin")
        if program is None:
            sys.exit("bench_soak: found no mosquitto on the PATH")
        with socket.create_server(("127.0.0.1", 0)) as probe:
            self.port = probe.getsockname()[1]
        config = folder / "mosquitto.conf"
        config.write_text(
            f"user {getpass.getuser()}\nlistener {self.port} 127.0.0.1\nallow_anonymous true\nmax_queued_messages 0\n"
            "persistence false\nlog_dest stderr\nlog_type subscribe\nset_tcp_nodelay true\n"
        )
        self._command = [program, "-c", str(config)]
        self.start()

    def start(self) -> None:
        self.process = subprocess.Popen(self._command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
        assert self.process.stdout is not None, "it is a pipe"
        self.said = self.process.stdout.fileno()
        os.set_blocking(self.said, False)
        self.subscriptions = 0

    def listen(self) -> None:
        """Count the subscriptions of the monitor."""
        self.subscriptions += os.read(self.said, 65536).count(b"inchwatch-")

    def kill(self) -> None:
        self.process.kill()
        self.process.wait()
        assert self.process.stdout is not None, "it is a pipe"
        self.process.stdout.close()
