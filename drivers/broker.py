"""A connection to a broker: MQTT 3.1.1 or 5, made, kept and made anew, with a sentence for each way it fails.

What is said over it is a subclass's: mqtt.py reads sensors, the monitor's link speaks of pictures. The client's network
loop runs in the connection's own thread, so every callback does too: no lock, one order. `wake` is the one door from
other threads.
"""

from __future__ import annotations

import contextlib
import select
import socket
import ssl
import uuid
from abc import abstractmethod
from collections.abc import Callable
from typing import Any

from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from drivers import secure
from drivers.backlog import LATE_NS
from drivers.kinds.mqtt import Broker
from drivers.ports import RunningPort
from drivers.reading import Clock, Sink

KEEPALIVE_S = 5
"""A broker that hangs without closing is noticed within one and a half of these (MQTT 5 section 3.1.2.10)."""
_WAIT_S = 0.1
_CONNECT_S = 3.0
_WHO = (4, 5, 0x86, 0x87)
"""Return codes that are about the user and the password (MQTT 3.1.1 section 3.2.2.3, MQTT 5 section 3.2.2.2)."""
_TAKEN_OVER = 0x8E
"""What a broker says when another comes under our name (MQTT 5 section 3.14.2.1); others just shut the wire, and those that
speak 3.1.1 cannot say it."""


def _at_once(_client: mqtt.Client, _data: Any, wire: Any) -> None:
    """Small messages go at once and do not wait for the answer to the one before, up to 0.04 s (Nagle's algorithm, RFC 896)."""
    wire.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


class BrokerClient(RunningPort):
    """A client of a broker, for as long as it runs.

    A subclass says what is done once it is in (`joined`), takes messages (`took`), and says what is due (`work`).
    `client_id`: the name it goes by, one of its own where none is given. It keeps it, so that a broker that has not noticed yet
    that a connection is lost ends it, and sends its Last Will, before the next one begins.
    """

    def __init__(self, name: str, config: Broker, sink: Sink, clock: Clock, *, client_id: str | None = None) -> None:
        super().__init__(name, sink, clock)
        self._config = config
        self._client_id = client_id or f"inchwatch-{uuid.uuid4().hex[:12]}"
        self._named = client_id is not None
        self._asked: dict[int, list[str]] = {}
        """Subscriptions that are not answered yet, by the packet that asked for them."""
        self._looked_ns, self._stalled = 0, False
        self._why = ""
        self._alert: ssl.SSLError | None = None
        self._answered = False
        self._subscribed: Callable[[], None] = lambda: None
        self._waker: socket.socket | None = None

    @property
    def newest(self) -> bool:
        """Whether MQTT 5 is spoken."""
        return self._config.protocol == "5"

    @abstractmethod
    def joined(self, client: mqtt.Client, flags: mqtt.ConnectFlags, said: Properties | None) -> None:
        """The broker has taken us: subscribe (`asked_for`), or say `self._subscribed()` where nothing is to be heard."""

    @abstractmethod
    def took(self, message: mqtt.MQTTMessage) -> None:
        """A message came."""

    def work(self, _client: mqtt.Client) -> float:
        """What is due on a connection that is up, and for how long nothing will be (s)."""
        return _WAIT_S

    def prepare(self, client: mqtt.Client) -> None:
        """What a client is told before it connects."""

    def leave(self, client: mqtt.Client) -> None:
        """The last that is said before a connection is ended in order."""

    def wake(self) -> None:
        """Have `work` asked at once. Callable from any thread; never waits."""
        if (waker := self._waker) is not None:
            with contextlib.suppress(OSError):  # full: it is awake anyhow; closed: there is nobody to wake
                waker.send(b"\0")

    def halt(self) -> None:
        """Ask the thread to end; returns at once."""
        super().halt()
        self.wake()

    def serve(self, connected: Callable[[], None]) -> str:
        """Connect, subscribe, and run the network loop until the broker is lost."""
        where = f"broker {self._config.host}:{self._config.port}"
        self._why, self._alert, self._answered, self._subscribed = "", None, False, connected
        self._asked = {}
        try:
            client = self._client()
            self._connect(client)
        except secure.NotSecure as error:
            return f"{error} ({where})"
        except OSError as error:
            return f"{secure.broken(error, self._config)} ({where})"
        except UnicodeError:  # an empty part, or one of more than 63 letters: no name to ask for
            return f"cannot connect: no host can be called that ({where})"
        try:
            self._loop(client)
        finally:
            client.disconnect()
            client.loop(0.0)
        return f"{self._why or 'stopped'} ({where})"

    def _loop(self, client: mqtt.Client) -> None:
        waker, woken = socket.socketpair()
        with waker, woken:
            waker.setblocking(False)
            woken.setblocking(False)
            self._waker = waker
            self._looked_ns, self._stalled = self.clock(), False
            try:
                while not self.stopping and not self._why:
                    code = self._turn(client, woken)
                    self._look(client)
                    if code != MQTTErrorCode.MQTT_ERR_SUCCESS and not self._why:
                        self._why = f"connection lost ({mqtt.error_string(code).rstrip('.').lower()})"
                if not self._why:
                    self.leave(client)
            finally:
                self._waker = None

    def _look(self, client: mqtt.Client) -> None:
        """After a while in which this loop did not run, all is late until nothing waits here any more."""
        self._stalled = self.late(self.clock()) and _waiting(client)
        self._looked_ns = self.clock()

    def late(self, now_ns: int) -> bool:
        """Whether what is read now may have waited in this computer: the program did not run (stopped, or the computer slept)."""
        return self._stalled or now_ns - self._looked_ns > LATE_NS

    def _turn(self, client: mqtt.Client, woken: socket.socket) -> MQTTErrorCode:
        """One turn of the loop: wait for the wire, for whoever wakes us or for what is due; then read, write, mind the pings."""
        wait_s = min(_WAIT_S, self.work(client)) if self._answered else _WAIT_S
        wire: Any = client.socket()
        if wire is None:
            return MQTTErrorCode.MQTT_ERR_CONN_LOST
        held = isinstance(wire, ssl.SSLSocket) and wire.pending() > 0  # decrypted already: no select tells of it
        writes = [wire] if client.want_write() else []
        try:
            readable, writable, _ = select.select([wire, woken], writes, [], 0.0 if held else max(0.0, wait_s))
        except (OSError, ValueError):  # closed under us
            return MQTTErrorCode.MQTT_ERR_CONN_LOST
        if woken in readable:
            with contextlib.suppress(BlockingIOError):
                woken.recv(4096)
        code = client.loop_read() if held or wire in readable else MQTTErrorCode.MQTT_ERR_SUCCESS
        if code == MQTTErrorCode.MQTT_ERR_SUCCESS and writable:
            code = client.loop_write()
        return code if code != MQTTErrorCode.MQTT_ERR_SUCCESS else client.loop_misc()

    def _client(self) -> mqtt.Client:
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=self._client_id,
            protocol=mqtt.MQTTv5 if self.newest else mqtt.MQTTv311,
            clean_session=None if self.newest else True,
        )
        client.connect_timeout = _CONNECT_S
        client.on_socket_open = _at_once
        if self._config.tls:
            client.tls_set_context(secure.context(self._config, self._alerted))
        if self._config.user is not None:
            client.username_pw_set(self._config.user, secure.password(self._config))
        client.on_connect, client.on_subscribe = self._on_connect, self._on_subscribe
        client.on_disconnect, client.on_message = self._on_disconnect, self._on_message
        self.prepare(client)
        return client

    def _alerted(self, error: ssl.SSLError) -> None:
        self._alert = error

    def _connect(self, client: mqtt.Client) -> None:
        client.connect(self._config.host, self._config.port, KEEPALIVE_S)

    def _on_connect(
        self, client: mqtt.Client, _data: Any, flags: mqtt.ConnectFlags, reason: ReasonCode, said: Properties | None
    ) -> None:
        self._answered = True
        if reason.is_failure:
            self._why = f"refused: {str(reason).lower()}{self._who() if reason.value in _WHO else ''}"
            return
        self.joined(client, flags, said)

    def asked_for(self, packet: int | None, filters: list[str]) -> None:
        """A packet has asked for filters: the connection is up once all are answered."""
        self._asked[packet or 0] = filters

    def _on_subscribe(self, _client: mqtt.Client, _data: Any, packet: int, reasons: list[ReasonCode], _p: Any) -> None:
        asked = self._asked.pop(packet, [])
        refused = [
            f"{topic} ({str(reason).lower()})"
            for topic, reason in zip(asked, reasons, strict=False)
            if reason.is_failure
        ]
        if refused:
            self._why = f"may not subscribe to {', '.join(refused)}"
        elif not self._asked and not self._why:
            self._subscribed()

    def _on_message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        self.took(message)

    def _on_disconnect(self, _client: mqtt.Client, _data: Any, _flags: Any, reason: ReasonCode, _p: Any) -> None:
        if self._why:
            return
        if self._alert is not None:
            self._why = secure.alerted(self._alert, self._config)
            return
        said = str(reason).lower()
        name = self._client_id
        if reason.value == _TAKEN_OVER:
            said = f"another program is called '{name}', too; allowed is one program a client_id"
        elif said == "unspecified error":  # also how some brokers end us when another comes under our name
            said = f"is another program called '{name}', too?" if self._named else ""
        self._why = "connection lost" + (f" ({said})" if said else "")
        if not self._answered:
            self._why += secure.unanswered(self._config)

    def _who(self) -> str:
        """As whom a broker has refused us, and what it would take."""
        user, password = self._config.user, self._config.password_file or self._config.password_env
        if user is None:
            return "; found no user, allowed is one that the broker knows: user and password_file"
        return f"; found user '{user}' with {f'the password of {password}' if password else 'no password'}, allowed is one it knows"


def _waiting(client: mqtt.Client) -> bool:
    """Whether bytes of the broker wait in this computer."""
    wire = client.socket()
    if wire is None:
        return False
    return (isinstance(wire, ssl.SSLSocket) and wire.pending() > 0) or bool(select.select([wire], [], [], 0.0)[0])
