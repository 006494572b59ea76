"""A broker's port: subscribed to the topics of its channels, and kept so. What messages say is read in intake.py.

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
from collections.abc import Callable, Sequence

from paho.mqtt import client as mqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from drivers import topics
from drivers.broker import KEEPALIVE_S, BrokerClient
from drivers.config import Channel
from drivers.intake import Intake
from drivers.kinds.mqtt import MqttPort
from drivers.ports import Numbered
from drivers.reading import Clock, Sink

_IDENTIFIERS = 2**28
"""Subscription identifiers are 1 to 268,435,455 (MQTT 5 section 3.8.2.1.2)."""


class MqttReader(BrokerClient):
    """Subscribes to the topics of its channels and reads what comes."""

    def __init__(
        self, config: MqttPort, channels: Sequence[Channel], sink: Sink, clock: Clock, wall_s: Callable[[], float]
    ) -> None:
        super().__init__(config.name, config, sink, clock, client_id=config.client_id)
        self._port = config
        put = Numbered(channels, sink, self.counts).put
        self._intake = Intake(channels, put, sink, self.counts, self.stranger, wall_s)
        self._filter_of: dict[int, str] = {}
        """The filter behind each subscription identifier of this connection."""
        self._resumed = False

    def _connect(self, client: mqtt.Client) -> None:
        host, port, session = self._port.host, self._port.port, self._port.session
        if not self.newest:
            client.connect(host, port, KEEPALIVE_S)
            return
        kept = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        if session is not None:
            kept.SessionExpiryInterval = round(session)
        client.connect(host, port, KEEPALIVE_S, clean_start=session is None, properties=kept)

    def joined(self, client: mqtt.Client, flags: mqtt.ConnectFlags, said: Properties | None) -> None:
        """Subscribe, if the broker can do what a `session` takes."""
        self._resumed = flags.session_present
        numbered = self.newest and getattr(said, "SubscriptionIdentifierAvailable", 1) == 1
        if self._port.session is not None and not numbered:
            self._why = "found a broker without subscription identifiers; allowed is one that has them, or no 'session'"
        elif self._intake.filters:
            self._subscribe(client, numbered)
        else:
            self._subscribed()

    def _subscribe(self, client: mqtt.Client, numbered: bool) -> None:
        """Ask for every filter. Each gets a number that no connection before had: a message says by it which filter it
        is for, and whether it was put aside before this connection."""
        self._filter_of = {}
        qos: int = self._port.qos
        filters = self._intake.filters
        if not numbered:
            wanted = topics.needed(filters)
            self.asked_for(client.subscribe([(it, qos) for it in wanted])[1], wanted)
            return
        first = random.randrange(1, _IDENTIFIERS - len(filters))
        for identifier, it in enumerate(filters, first):
            number = Properties(PacketTypes.SUBSCRIBE)  # type: ignore[no-untyped-call]
            number.SubscriptionIdentifier = identifier
            self._filter_of[identifier] = it
            self.asked_for(client.subscribe(it, options=SubscribeOptions(qos=qos), properties=number)[1], [it])

    def took(self, message: mqtt.MQTTMessage) -> None:
        """A message: of now, or kept or put aside before."""
        numbers = getattr(message.properties, "SubscriptionIdentifier", ())
        filters = [self._filter_of[it] for it in numbers if it in self._filter_of] or None
        put_aside = self._resumed and filters is None
        payload, now_ns = bytes(message.payload), self.clock()
        old = bool(message.retain) or put_aside or self.late(now_ns)
        self.heard(payload, now_ns, message.topic)
        self._intake.deliver(message.topic, payload, old, now_ns, filters)

    def deliver(self, topic: str, payload: bytes, retained: bool, time_ns: int) -> None:
        """Turn one message into readings, all of the moment it came, whatever filter it came for."""
        self.heard(payload, time_ns, topic)
        self._intake.deliver(topic, payload, retained, time_ns)
