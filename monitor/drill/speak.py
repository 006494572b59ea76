"""A virtual rig on real wires: TCP ports that serve, pseudo-terminals, a broker. The same drivers read it as read sensors.

One thread paces the drill by the monotonic clock and writes; a reader that is slow or gone loses bytes, as a real wire
would, and disturbs nobody.
"""

from __future__ import annotations

import contextlib
import os
import socket
import threading
import time
import uuid
from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping
from typing import Any
from urllib.parse import urlsplit

from drivers import secure
from drivers.kinds.mqtt import MqttPort
from drivers.kinds.nmea import NmeaPort
from drivers.ports import PortError, redirect
from drivers.tables import PortTable
from monitor.drill.wire import Said, VirtualRig

_LEAVE_S = 0.5
"""How long a broker is waited for at the end: one that is there says goodbye at once."""


class Mouth(ABC):
    """What one port of a virtual rig speaks through. `url` is where a monitor finds it."""

    url: str

    @abstractmethod
    def say(self, said: Said) -> None:
        """Send it, without waiting."""

    @abstractmethod
    def close(self) -> None:
        """Let go of the wire."""

    def begin(self) -> None:  # noqa: B027 - most wires are there as soon as they are made
        """Take up what runs by itself, once the drill starts."""

    def heard(self) -> bool:
        """Whether anybody listens, as far as that can be known."""
        return True


class TcpMouth(Mouth):
    """Serves whoever connects, like a serial server on the network."""

    def __init__(self, host: str, port: int) -> None:
        try:
            self._server = socket.create_server((host, port))
        except OSError as error:
            why = (error.strerror or str(error)).partition(" (while")[0]  # the address is said already
            raise PortError(f"cannot serve {host}:{port}: {why}; name another with --port") from None
        self._server.setblocking(False)
        self._clients: list[socket.socket] = []
        self.url = f"socket://{host}:{self._server.getsockname()[1]}"

    def heard(self) -> bool:
        """Whether a client has connected."""
        self._accept()
        return bool(self._clients)

    def _accept(self) -> None:
        with contextlib.suppress(BlockingIOError, ConnectionError):  # nobody waits, or somebody has gone again already
            while True:
                client, _ = self._server.accept()
                client.setblocking(False)
                self._clients.append(client)

    def say(self, said: Said) -> None:
        """Send to every client; one that has gone is let go."""
        self._accept()
        for client in list(self._clients):
            try:
                client.send(said.data)
            except BlockingIOError:
                continue  # its buffer is full: these bytes are lost to it
            except OSError:
                self._clients.remove(client)
                client.close()

    def close(self) -> None:
        """Hang up on everybody."""
        for client in self._clients:
            client.close()
        self._server.close()


class PtyMouth(Mouth):
    """A pseudo-terminal: to a reader it is a serial device."""

    def __init__(self) -> None:
        import tty

        self._near, self._far = os.openpty()
        tty.setraw(self._far)
        os.set_blocking(self._near, False)
        self.url = os.ttyname(self._far)

    def say(self, said: Said) -> None:
        """Write; what nobody reads in time is lost."""
        with contextlib.suppress(BlockingIOError):
            os.write(self._near, said.data)

    def close(self) -> None:
        """Take the device away."""
        os.close(self._near)
        os.close(self._far)


class MqttMouth(Mouth):
    """Publishes to a broker, and comes back to it by itself; says once each time that it is not there."""

    def __init__(self, config: MqttPort, say_trouble: Callable[[str], None]) -> None:
        from paho.mqtt import client as mqtt
        from paho.mqtt.enums import CallbackAPIVersion

        self.url = place(config)
        self._qos, self._where = config.qos, f"broker {config.host}:{config.port}"
        self._say_trouble, self._troubled, self._closing = say_trouble, False, False
        self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=f"drill-{uuid.uuid4().hex[:12]}",
            protocol=mqtt.MQTTv5 if config.protocol == "5" else mqtt.MQTTv311,
        )
        try:
            if config.tls:
                self._client.tls_set_context(secure.context(config))
            if config.user is not None:
                self._client.username_pw_set(config.user, secure.password(config))
        except secure.NotSecure as error:
            raise PortError(f"port '{config.name}': {error}") from None
        self._client.on_connect, self._client.on_connect_fail = self._on_connect, self._on_connect_fail
        self._client.on_disconnect = self._on_disconnect
        self._client.reconnect_delay_set(1, 2)
        self._client.connect_async(config.host, config.port, 5)

    def begin(self) -> None:
        """Connect, in the client's own thread."""
        self._client.loop_start()

    def _on_connect(self, _client: Any, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            self._trouble(f"refused: {str(reason).lower()}")
        else:
            self._troubled = False

    def _on_connect_fail(self, _client: Any, _data: Any) -> None:
        self._trouble("cannot connect")

    def _on_disconnect(self, _client: Any, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        self._trouble(f"connection lost ({str(reason).lower()})")

    def _trouble(self, what: str) -> None:
        if not self._troubled and not self._closing:
            self._troubled = True
            self._say_trouble(f"{self._where}: {what}; trying again until it is there")

    def say(self, said: Said) -> None:
        """Publish; while the broker is away nothing is stored up, as a sensor would not."""
        if said.topic is not None and self._client.is_connected():
            self._client.publish(said.topic, said.data, self._qos)

    def close(self) -> None:
        """Leave the broker. The client's thread ends at its own time where no broker is: it tries, or waits to try again."""
        self._closing, there = True, self._client.is_connected()
        self._client.disconnect()
        leaving = threading.Thread(target=self._client.loop_stop, name="leaving", daemon=True)
        leaving.start()
        leaving.join(_LEAVE_S if there else 0.0)


class Drill:
    """Plays a virtual rig in real time (or `speed` times that). Raises PortError when a wire cannot be had.

    `where` gives another place for a port: `socket://HOST:PORT` (0: any free port), `pty`, `mqtt://HOST:PORT`. `urls` tells
    where each port was found. The clock starts when every TCP port has been connected to; `done` is set when the crew has
    finished, and the sensors go on until `stop`; `ended` once the wires are let go. `on_step` is called after each step, in the
    drill's thread; an OSError of its (a full disk) ends the drill and is kept in `failure`. `say_trouble` takes a sentence when a
    broker is not there.
    """

    def __init__(
        self,
        virtual: VirtualRig,
        where: Mapping[str, str] | None = None,
        *,
        speed: float = 1.0,
        on_step: Callable[[VirtualRig], None] | None = None,
        say_trouble: Callable[[str], None] = lambda _: None,
    ) -> None:
        self.virtual = virtual
        self._speed = speed
        self._on_step = on_step
        self._stopping = threading.Event()
        self.done = threading.Event()
        self.ended = threading.Event()
        self.failure: OSError | None = None
        self._mouths: dict[str, Mouth] = {}
        try:
            for port in virtual.rig.port:
                self._mouths[port.name] = _mouth(port, (where or {}).get(port.name), say_trouble)
        except PortError:
            self._close()
            raise
        self.urls = {name: mouth.url for name, mouth in self._mouths.items()}
        self._thread = threading.Thread(target=self._run, name="drill", daemon=True)

    def start(self) -> None:
        """Begin; returns at once."""
        for mouth in self._mouths.values():
            mouth.begin()
        self._thread.start()

    def stop(self) -> None:
        """End the drill and let go of the wires. Safe to call twice."""
        self._stopping.set()
        if self._thread.is_alive():
            self._thread.join()

    def _run(self) -> None:
        try:
            while not self._stopping.is_set() and not all(
                mouth.heard() for mouth in self._mouths.values() if isinstance(mouth, TcpMouth)
            ):
                self._stopping.wait(0.02)
            begun = time.monotonic()
            while not self._stopping.is_set():
                if self.virtual.crew.finished:  # the sensors go on: only the crew has nothing left to do
                    self.done.set()
                for said in self.virtual.step():
                    self._mouths[said.port].say(said)
                if self._on_step is not None:
                    try:
                        self._on_step(self.virtual)
                    except OSError as error:  # a thread has nobody to raise to: kept for whoever waits for the end
                        self.failure = error
                        return
                due = begun + self.virtual.time_ns * 1e-9 / self._speed
                self._stopping.wait(max(0.0, due - time.monotonic()))
        finally:
            self._close()
            self.done.set()
            self.ended.set()

    def _close(self) -> None:
        for mouth in self._mouths.values():
            mouth.close()


def place(port: PortTable) -> str:
    """Where a port is, as `--port NAME=URL` takes it. Raises PortError for a driver that no drill speaks."""
    if isinstance(port, MqttPort):
        return f"{'mqtts' if port.tls else 'mqtt'}://{port.user + '@' if port.user else ''}{port.host}:{port.port}"
    return _spoken(port).url


def _spoken(port: PortTable) -> NmeaPort:
    if not isinstance(port, NmeaPort):
        raise PortError(f"port '{port.name}': found driver '{port.driver}', a drill speaks nmea and mqtt")
    return port


def _mouth(port: PortTable, where: str | None, say_trouble: Callable[[str], None]) -> Mouth:
    if isinstance(port, MqttPort):
        moved = redirect(port, where) if where else port
        assert isinstance(moved, MqttPort), "a port keeps its kind"
        return MqttMouth(moved, say_trouble)
    url = where or _spoken(port).url
    if url == "pty":
        return PtyMouth()
    try:
        parts = urlsplit(url)
        host, number = parts.hostname, parts.port or 0
    except ValueError:  # a port beyond 65535, or a broken [address]
        host, number = None, 0
    if host and parts.scheme == "socket" and parts.path in ("", "/"):
        return TcpMouth(host, number)
    raise PortError(f"port '{port.name}': found '{url}', a drill can speak at socket://HOST:PORT or pty")
