"""The truth as bytes: what each port of a virtual rig says, sample by sample, in the formats its channels name."""

from __future__ import annotations

import random
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace

import orjson

from drivers import nmea, senml
from drivers.config import Channel
from drivers.kinds.mqtt import MqttSource
from drivers.kinds.nmea import NmeaSource
from drivers.topics import example
from drivers.units import linear
from monitor.drill.crew import Crew
from monitor.drill.faults import DrillError
from monitor.drill.physics import Truth
from monitor.drill.scenario import Scenario
from monitor.drill.sensors import Sensors
from monitor.rig.schema import Rig

STEP_NS = 50_000_000
"""Twenty samples a second on serial lines, every second of them on a broker."""
_MQTT_EVERY = 2
_SENML_UNIT = {
    "pressure": "Pa",
    "length": "m",
    "angle": "rad",
    "force": "N",
    "temperature": "K",
    "current": "A",
    "voltage": "V",
}


@dataclass(frozen=True, slots=True)
class Said:
    """What one port says at one moment: `topic` is None on a serial line."""

    time_ns: int
    port: str
    data: bytes
    topic: str | None = None


@dataclass(frozen=True, slots=True)
class PortClock:
    """How a port keeps time: what it says arrives late by the size of a normal deviate of `jitter_s` (s), in order; and
    its own clock runs slow by a share `skew`, so that it falls behind and leaves a beat out now and then."""

    jitter_s: float = 0.0
    skew: float = 0.0


@dataclass
class VirtualRig:
    """A rig, its crew and its sensors. `step` lets one twentieth of a second pass and gives what the ports say.

    `clocks` says of which ports the time is not kept well, beside those the drill names. What such a port says late comes
    with a later step.
    """

    rig: Rig
    scenario: Scenario
    seed: int = 1
    clocks: Mapping[str, PortClock] = field(default_factory=dict)
    truth: Truth = field(init=False)
    crew: Crew = field(init=False)

    def __post_init__(self) -> None:
        true = self.scenario.truth
        try:
            self.truth = Truth(self.rig, weight=true.weight, centre_of_gravity=true.centre_of_gravity)
        except ValueError as error:
            raise DrillError(f"rig '{self.rig.rig.name}': {error}") from None
        self._sensors = Sensors(self.rig, self.seed)
        self.crew = Crew(self.rig, self.scenario, self.truth, self._sensors)
        self.clocks = self._kept() | dict(self.clocks)
        self._count = 0
        self._late: list[Said] = []
        self._latest = dict.fromkeys(self.clocks, 0)
        self._beat = dict.fromkeys(self.clocks, 0.0)
        self._random = {name: random.Random(f"{self.seed} {name}") for name in self.clocks}
        self._by_port: dict[str, list[Channel]] = {port.name: [] for port in self.rig.port}
        for channel in self.rig.channel:
            self._by_port[channel.source.port].append(channel)

    def _kept(self) -> dict[str, PortClock]:
        """How the drill says that ports keep time."""
        ports = [port.name for port in self.rig.port]
        for i, bad in enumerate(self.scenario.clock):
            if bad.port not in ports:
                where = f"{self.scenario.name}: clock[{i}].port"
                raise DrillError(f"{where}: found '{bad.port}'; this rig has {', '.join(ports)}")
        return {bad.port: PortClock(bad.jitter, bad.skew) for bad in self.scenario.clock}

    @property
    def time_ns(self) -> int:
        """Nanoseconds since the drill began."""
        return self._count * STEP_NS

    def step(self) -> list[Said]:
        """What every port says now; then time passes."""
        said = self._arrived(list(self._say()))
        self.crew.act()
        self.truth.advance(STEP_NS * 1e-9)
        self._count += 1
        return said

    def _arrived(self, said: list[Said]) -> list[Said]:
        """What has come in by now, in the order in which it came."""
        if not self.clocks:
            return said
        for it in said:
            if it.port not in self.clocks:
                self._late.append(it)
                continue
            delay = abs(self._random[it.port].gauss(0.0, self.clocks[it.port].jitter_s))
            due = self._latest[it.port] = max(it.time_ns + round(delay * 1e9), self._latest[it.port])
            self._late.append(replace(it, time_ns=due))
        come = [it for it in self._late if it.time_ns <= self.time_ns]
        self._late = [it for it in self._late if it.time_ns > self.time_ns]
        return sorted(come, key=lambda it: it.time_ns)

    def _speaks(self, port: str, period_ns: int) -> bool:
        """Whether a port's own clock has come to its next beat."""
        clock = self.clocks.get(port)
        if clock is None or clock.skew == 0.0:
            return self.time_ns % period_ns == 0
        if self.time_ns < self._beat[port]:
            return False
        self._beat[port] += period_ns * (1.0 + clock.skew)
        return True

    def _say(self) -> Iterator[Said]:
        for port in self.rig.port:
            channels = self._by_port[port.name]
            if not self._speaks(port.name, STEP_NS * (_MQTT_EVERY if port.driver == "mqtt" else 1)):
                continue
            if port.driver == "mqtt":
                yield from self._messages(port.name, channels)
            else:
                yield from self._sentences(port.name, channels)

    def _sentences(self, port: str, channels: list[Channel]) -> Iterator[Said]:
        values = [(channel, channel.source, self._sensors.read(channel, self.truth)) for channel in channels]
        words = [
            nmea.quadruple(source.id, channel.wired.quantity, _wired(channel, value))
            for channel, source, value in values
            if value is not None and isinstance(source, NmeaSource)
        ]
        data = b"".join(nmea.sentences("II", words))
        if data:
            yield Said(self.time_ns, port, data)

    def _messages(self, port: str, channels: list[Channel]) -> Iterator[Said]:
        topics: dict[str, list[tuple[MqttSource, Channel, float]]] = {}
        for channel in channels:
            value = self._sensors.read(channel, self.truth)
            if value is not None and isinstance(channel.source, MqttSource):
                part = (channel.source, channel.wired, _wired(channel, value))
                topics.setdefault(channel.source.topic, []).append(part)
        for topic, parts in topics.items():
            yield Said(self.time_ns, port, _payload(parts), example(topic))


def _wired(channel: Channel, value: float) -> float:
    """What goes over the wire for a value (SI): it, or the current of its loop (A), which never flows backwards."""
    return value if channel.loop is None else max(0.0, channel.loop.current(value))


def _payload(parts: list[tuple[MqttSource, Channel, float]]) -> bytes:
    """One message of one topic, in the format its channels name."""
    kind = parts[0][0].format
    if kind == "senml":
        return senml.pack((source.n or "", _SENML_UNIT[channel.quantity], value) for source, channel, value in parts)
    written = [(source.pointer or "", _in_unit(source, channel, value)) for source, channel, value in parts]
    if kind == "number":
        return f"{written[0][1]:.6f}".encode()
    return orjson.dumps(_document(written))


def _in_unit(source: MqttSource, channel: Channel, value: float) -> float:
    scale, offset = linear(channel.quantity, source.unit) if source.unit else (1.0, 0.0)
    return round((value - offset) / scale, 6)


def _document(values: list[tuple[str, float]]) -> object:
    """A JSON document that holds each value at its RFC 6901 pointer; number tokens count places in a list."""
    root: dict[str, object] = {}
    for pointer, value in values:
        tokens = [token.replace("~1", "/").replace("~0", "~") for token in pointer.split("/")[1:]]
        here = root
        for token in tokens[:-1]:
            here = here.setdefault(token, {})  # type: ignore[assignment]
        if tokens:
            here[tokens[-1]] = value
    return _listed(root)


def _listed(here: object) -> object:
    if not isinstance(here, dict):
        return here
    inner = {key: _listed(value) for key, value in here.items()}
    if inner and all(key.isdigit() for key in inner):
        places = {int(key): value for key, value in inner.items()}
        return [places.get(i) for i in range(max(places) + 1)]
    return inner
