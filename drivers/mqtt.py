"""Readings from a broker: MQTT 3.1.1 or 5, payloads as SenML, JSON with a pointer, or a bare number.

The client's network loop runs in the port's own thread, so every callback does too: no lock, one order. What the
broker kept (a retained message) is marked old: it was true once. A message delivered twice is two readings of one
value, which harms nobody.
"""

from __future__ import annotations

import ssl
import uuid
from collections.abc import Callable, Sequence
from math import isfinite
from typing import Any

from jsonpointer import JsonPointer
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from drivers import secure
from drivers.config import Channel
from drivers.kinds.mqtt import MqttPort, MqttSource
from drivers.payload import PayloadError, bare_number, document, number_at
from drivers.ports import Numbered, RunningPort
from drivers.reading import Clock, Quality, Sink
from drivers.senml import UNITS as SENML_UNITS
from drivers.senml import SenmlError, resolve
from drivers.units import linear

KEEPALIVE_S = 5
"""A broker that hangs without closing is noticed within one and a half of these (MQTT 5 section 3.1.2.10)."""
_WAIT_S = 0.1
_CONNECT_S = 3.0
_WHO = (4, 5, 0x86, 0x87)
"""Return codes that are about the user and the password (MQTT 3.1.1 section 3.2.2.3, MQTT 5 section 3.2.2.2)."""


class _Place:
    """Where one channel stands in the messages of its topic."""

    def __init__(self, channel: Channel, source: MqttSource) -> None:
        self.channel = channel
        self.format = source.format
        self.n = source.n
        self.pointer = JsonPointer(source.pointer or "") if source.format == "json" else None
        self.scale, self.offset = linear(channel.quantity, source.unit) if source.unit else (1.0, 0.0)


class MqttReader(RunningPort):
    """Subscribes to the topics of its channels and reads what comes."""

    def __init__(
        self, config: MqttPort, channels: Sequence[Channel], sink: Sink, clock: Clock, wall_s: Callable[[], float]
    ) -> None:
        super().__init__(config.name, sink, clock)
        self._config = config
        self._wall_s = wall_s
        self._put = Numbered(channels, sink, self.counts).put
        self._topics: dict[str, list[_Place]] = {}
        for channel in channels:
            if isinstance(channel.source, MqttSource):
                self._topics.setdefault(channel.source.topic, []).append(_Place(channel, channel.source))
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
        try:
            while not self.stopping and not self._why:
                code = client.loop(_WAIT_S)
                if code != MQTTErrorCode.MQTT_ERR_SUCCESS and not self._why:
                    self._why = f"connection lost ({mqtt.error_string(code).rstrip('.').lower()})"
        finally:
            client.disconnect()
            client.loop(0.0)
        return f"{self._why or 'stopped'} ({where})"

    def _client(self) -> mqtt.Client:
        newest = self._config.protocol == "5"
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=f"inchwatch-{uuid.uuid4().hex[:12]}",
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
        if self._config.protocol == "5":
            client.connect(host, port, KEEPALIVE_S, clean_start=True)
        else:
            client.connect(host, port, KEEPALIVE_S)

    def _on_connect(self, client: mqtt.Client, _data: Any, _flags: Any, reason: ReasonCode, _properties: Any) -> None:
        self._answered = True
        if reason.is_failure:
            self._why = f"refused: {str(reason).lower()}{self._who() if reason.value in _WHO else ''}"
            return
        if not self._topics:
            self._subscribed()
            return
        qos: int = self._config.qos
        if self._config.protocol == "5":
            options = SubscribeOptions(qos=qos, retainAsPublished=False)
            client.subscribe([(topic, options) for topic in self._topics])
        else:
            client.subscribe([(topic, qos) for topic in self._topics])

    def _on_subscribe(self, _client: mqtt.Client, _data: Any, _mid: int, reasons: list[ReasonCode], _p: Any) -> None:
        refused = [topic for topic, reason in zip(self._topics, reasons, strict=False) if reason.is_failure]
        if refused:
            self._why = f"may not subscribe to {', '.join(refused)}"
        else:
            self._subscribed()

    def _on_disconnect(self, _client: mqtt.Client, _data: Any, _flags: Any, reason: ReasonCode, _p: Any) -> None:
        if self._why:
            return
        if self._alert is not None:
            self._why = secure.alerted(self._alert, self._config)
            return
        said = str(reason).lower()
        self._why = "connection lost" + ("" if said == "unspecified error" else f" ({said})")
        if not self._answered:
            self._why += secure.unanswered(self._config)

    def _who(self) -> str:
        """As whom a broker has refused us, and what it would take."""
        user, password = self._config.user, self._config.password_file or self._config.password_env
        if user is None:
            return "; found no user, allowed is one that the broker knows: user and password_file"
        return f"; found user '{user}' with {f'the password of {password}' if password else 'no password'}, allowed is one it knows"

    def _on_message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        self.deliver(message.topic, bytes(message.payload), bool(message.retain), self.clock())

    def deliver(self, topic: str, payload: bytes, retained: bool, time_ns: int) -> None:
        """Turn one message into readings, all of the moment it came; what holds none is counted."""
        places = self._topics.get(topic)
        if places is None:
            self.stranger(topic)
            return
        try:
            self._take(places, payload, retained, time_ns)
        except (PayloadError, SenmlError):
            self.counts["malformed"] += 1

    def _take(self, places: list[_Place], payload: bytes, retained: bool, time_ns: int) -> None:
        kind = places[0].format
        if kind == "senml":
            self._take_senml(places, payload, retained, time_ns)
            return
        if not payload.strip():  # a zero-byte message: the stored value was deleted, and nothing measured
            self.counts["empty"] += 1
            return
        parsed = document(payload) if kind == "json" else None
        for place in places:
            try:
                value = number_at(place.pointer, parsed) if place.pointer is not None else bare_number(payload)
            except PayloadError:
                self.counts["malformed"] += 1
                continue
            if value is None:
                self.counts["empty"] += 1
            else:
                self._hand_on(place, place.scale * value + place.offset, retained, time_ns, None)

    def _take_senml(self, places: list[_Place], payload: bytes, retained: bool, time_ns: int) -> None:
        if not payload:
            self.counts["empty"] += 1
            return
        by_name = {place.n: place for place in places}
        for record in resolve(payload, self._wall_s()):
            place = by_name.get(record.name)
            meaning = SENML_UNITS.get(record.unit or "")
            if place is None:
                self.stranger(record.name)
            elif record.value is None:
                self.counts["empty"] += 1
            elif meaning is None or meaning[0] != place.channel.quantity:
                self.counts["mislabelled"] += 1
            else:
                seconds = record.time_s
                device_ns = round(seconds * 1e9) if seconds is not None and isfinite(seconds * 1e9) else None
                self._hand_on(place, meaning[1] * record.value + meaning[2], retained, time_ns, device_ns)

    def _hand_on(self, place: _Place, value: float, retained: bool, time_ns: int, device_ns: int | None) -> None:
        quality = Quality.OLD if retained else Quality.GOOD
        self._put(place.channel.name, time_ns, value, quality, device_ns)
