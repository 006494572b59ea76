"""A broker's port: MQTT 3.1.1 or 5, connected, subscribed, and kept so. What messages say is read in intake.py.

The client's network loop runs in the port's own thread, so every callback does too: no lock, one order.

What is not of now is marked old, and nothing is computed from it. That is what waited in this computer while the program did not
run (stopped, or the computer asleep), what the broker kept (a retained message), and with a `session` whatever it put aside while
nobody was there. MQTT does not say which messages those are; here each connection subscribes anew under numbers that none had
before, and a message bears the number of the subscription that it matched when it came to the broker (MQTT 5 section 3.3.4): one
without a number of this connection is old. That is why a session takes MQTT 5. The same numbers tell which filter a message is
for where filters overlap, so that each channel gets it once, whether the broker sends it once or once a filter. A message
delivered twice is two readings of one value, which harms nobody.
"""

from __future__ import annotations

import random
import select
import ssl
import uuid
from collections.abc import Callable, Sequence
from typing import Any

from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from drivers import secure, topics
from drivers.backlog import LATE_NS
from drivers.config import Channel
from drivers.intake import Intake
from drivers.kinds.mqtt import MqttPort
from drivers.ports import Numbered, RunningPort
from drivers.reading import Clock, Sink

KEEPALIVE_S = 5
"""A broker that hangs without closing is noticed within one and a half of these (MQTT 5 section 3.1.2.10)."""
_WAIT_S = 0.1
_CONNECT_S = 3.0
_IDENTIFIERS = 2**28
"""Subscription identifiers are 1 to 268,435,455 (MQTT 5 section 3.8.2.1.2)."""
_WHO = (4, 5, 0x86, 0x87)
"""Return codes that are about the user and the password (MQTT 3.1.1 section 3.2.2.3, MQTT 5 section 3.2.2.2)."""
_TAKEN_OVER = 0x8E
"""What a broker says when another comes under our name (MQTT 5 section 3.14.2.1); others just shut the wire, and those that
speak 3.1.1 cannot say it."""


class MqttReader(RunningPort):
    """Subscribes to the topics of its channels and reads what comes."""

    def __init__(
        self, config: MqttPort, channels: Sequence[Channel], sink: Sink, clock: Clock, wall_s: Callable[[], float]
    ) -> None:
        super().__init__(config.name, sink, clock)
        self._config = config
        put = Numbered(channels, sink, self.counts).put
        self._intake = Intake(channels, put, sink, self.counts, self.stranger, wall_s)
        self._asked: dict[int, list[str]] = {}
        """Subscriptions that are not answered yet, by the packet that asked for them."""
        self._filter_of: dict[int, str] = {}
        """The filter behind each subscription identifier of this connection."""
        self._resumed = False
        self._looked_ns, self._stalled = 0, False
        self._why = ""
        self._alert: ssl.SSLError | None = None
        self._answered = False
        self._subscribed: Callable[[], None] = lambda: None

    def serve(self, connected: Callable[[], None]) -> str:
        """Connect, subscribe, and run the network loop until the broker is lost."""
        where = f"broker {self._config.host}:{self._config.port}"
        self._why, self._alert, self._answered, self._subscribed = "", None, False, connected
        try:
            client = self._client()
            self._connect(client)
        except secure.NotSecure as error:
            return f"{error} ({where})"
        except OSError as error:
            return f"{secure.broken(error, self._config)} ({where})"
        self._looked_ns, self._stalled = self.clock(), False
        try:
            while not self.stopping and not self._why:
                code = client.loop(_WAIT_S)
                self._look(client)
                if code != MQTTErrorCode.MQTT_ERR_SUCCESS and not self._why:
                    self._why = f"connection lost ({mqtt.error_string(code).rstrip('.').lower()})"
        finally:
            client.disconnect()
            client.loop(0.0)
        return f"{self._why or 'stopped'} ({where})"

    def _look(self, client: mqtt.Client) -> None:
        """After a while in which this loop did not run, all is old until nothing waits here any more."""
        self._stalled = self._late(self.clock()) and _waiting(client)
        self._looked_ns = self.clock()

    def _late(self, now_ns: int) -> bool:
        return self._stalled or now_ns - self._looked_ns > LATE_NS

    def _client(self) -> mqtt.Client:
        newest = self._config.protocol == "5"
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=self._config.client_id or f"inchwatch-{uuid.uuid4().hex[:12]}",
            protocol=mqtt.MQTTv5 if newest else mqtt.MQTTv311,
            clean_session=None if newest else True,
        )
        client.connect_timeout = _CONNECT_S
        if self._config.tls:
            client.tls_set_context(secure.context(self._config, self._alerted))
        if self._config.user is not None:
            client.username_pw_set(self._config.user, secure.password(self._config))
        client.on_connect, client.on_subscribe = self._on_connect, self._on_subscribe
        client.on_disconnect, client.on_message = self._on_disconnect, self._on_message
        return client

    def _alerted(self, error: ssl.SSLError) -> None:
        self._alert = error

    def _connect(self, client: mqtt.Client) -> None:
        host, port = self._config.host, self._config.port
        if self._config.protocol != "5":
            client.connect(host, port, KEEPALIVE_S)
            return
        kept = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        if self._config.session is not None:
            kept.SessionExpiryInterval = round(self._config.session)
        client.connect(host, port, KEEPALIVE_S, clean_start=self._config.session is None, properties=kept)

    def _on_connect(
        self, client: mqtt.Client, _data: Any, flags: mqtt.ConnectFlags, reason: ReasonCode, said: Properties | None
    ) -> None:
        self._answered = True
        if reason.is_failure:
            self._why = f"refused: {str(reason).lower()}{self._who() if reason.value in _WHO else ''}"
            return
        self._resumed = flags.session_present
        numbered = self._config.protocol == "5" and getattr(said, "SubscriptionIdentifierAvailable", 1) == 1
        if self._config.session is not None and not numbered:
            self._why = "found a broker without subscription identifiers; allowed is one that has them, or no 'session'"
        elif self._intake.filters:
            self._subscribe(client, numbered)
        else:
            self._subscribed()

    def _subscribe(self, client: mqtt.Client, numbered: bool) -> None:
        """Ask for every filter. Each gets a number that no connection before had: a message says by it which filter it
        is for, and whether it was put aside before this connection."""
        self._asked, self._filter_of = {}, {}
        qos: int = self._config.qos
        filters = self._intake.filters
        if not numbered:
            wanted = topics.needed(filters)
            self._asked[client.subscribe([(it, qos) for it in wanted])[1] or 0] = wanted
            return
        first = random.randrange(1, _IDENTIFIERS - len(filters))
        for identifier, it in enumerate(filters, first):
            number = Properties(PacketTypes.SUBSCRIBE)  # type: ignore[no-untyped-call]
            number.SubscriptionIdentifier = identifier
            self._filter_of[identifier] = it
            _, packet = client.subscribe(it, options=SubscribeOptions(qos=qos), properties=number)
            self._asked[packet or 0] = [it]

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
        numbers = getattr(message.properties, "SubscriptionIdentifier", ())
        filters = [self._filter_of[it] for it in numbers if it in self._filter_of] or None
        put_aside = self._resumed and filters is None
        payload, now_ns = bytes(message.payload), self.clock()
        old = bool(message.retain) or put_aside or self._late(now_ns)
        self.heard(payload, now_ns, message.topic)
        self._intake.deliver(message.topic, payload, old, now_ns, filters)

    def _on_disconnect(self, _client: mqtt.Client, _data: Any, _flags: Any, reason: ReasonCode, _p: Any) -> None:
        if self._why:
            return
        if self._alert is not None:
            self._why = secure.alerted(self._alert, self._config)
            return
        said = str(reason).lower()
        name = self._config.client_id
        if reason.value == _TAKEN_OVER:
            said = f"another program is called '{name}', too; allowed is one program a client_id"
        elif said == "unspecified error":  # also how some brokers end us when another comes under our name
            said = f"is another program called '{name}', too?" if name else ""
        self._why = "connection lost" + (f" ({said})" if said else "")
        if not self._answered:
            self._why += secure.unanswered(self._config)

    def _who(self) -> str:
        """As whom a broker has refused us, and what it would take."""
        user, password = self._config.user, self._config.password_file or self._config.password_env
        if user is None:
            return "; found no user, allowed is one that the broker knows: user and password_file"
        return f"; found user '{user}' with {f'the password of {password}' if password else 'no password'}, allowed is one it knows"

    def deliver(self, topic: str, payload: bytes, retained: bool, time_ns: int) -> None:
        """Turn one message into readings, all of the moment it came, whatever filter it came for."""
        self.heard(payload, time_ns, topic)
        self._intake.deliver(topic, payload, retained, time_ns)


def _waiting(client: mqtt.Client) -> bool:
    """Whether bytes of the broker wait in this computer."""
    wire = client.socket()
    if wire is None:
        return False
    return (isinstance(wire, ssl.SSLSocket) and wire.pending() > 0) or bool(select.select([wire], [], [], 0.0)[0])
