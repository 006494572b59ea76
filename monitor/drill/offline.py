"""A drill at full speed: the same bytes through the same decoders, with simulated time in place of wires.

For tests and for making recordings. Nothing here sleeps or opens a port.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Protocol

from drivers.mqtt import MqttReader
from drivers.ports import open_port
from drivers.reading import LinkState, NodeState, Reading, Sink
from drivers.serial_line import SerialReader
from monitor.debrief.verdict import Verdict
from monitor.drill.faults import DrillError
from monitor.drill.scenario import Scenario
from monitor.drill.wire import PortClock, Said, VirtualRig
from monitor.engine.engine import Engine
from monitor.engine.picture import Picture, Transition
from monitor.live import hand
from monitor.rig.schema import Rig
from replay.entries import Action, Entry, Notice, Tick


class Keeper(Protocol):
    """Where entries and alarm transitions are kept, if anywhere."""

    def write(self, entry: Entry) -> None:
        """Keep one entry."""

    def alarm(self, it: Transition) -> None:
        """Keep one alarm transition."""


def play(
    rig: Rig,
    scenario: Scenario,
    *,
    seed: int = 1,
    clocks: Mapping[str, PortClock] | None = None,
    keeper: Keeper | None = None,
    on_step: Callable[[VirtualRig, Picture], None] | None = None,
    doctor: Callable[[Said], Said | None] = lambda said: said,
) -> Verdict:
    """Play a drill to its end; returns the verdict on it. `doctor` may change or swallow what a port says."""
    engine, verdict = Engine(rig), Verdict()
    virtual = VirtualRig(rig, scenario, seed, clocks or {})
    waiting: list[Entry] = [Notice(0, "link", port.name, False, "connected") for port in rig.port]

    def sink(it: Reading | LinkState | NodeState) -> None:
        assert isinstance(it, Reading), "no port is opened, so none is lost, and no node says anything of itself"
        waiting.append(it)

    def feed(entry: Entry) -> Picture | None:
        if keeper is not None:
            keeper.write(entry)
        return engine.feed(entry)

    readers = _readers(rig, sink, lambda: virtual.time_ns)
    while not virtual.crew.finished:
        now_ns = virtual.time_ns
        for said in virtual.step():
            if said.port not in virtual.crew.unplugged and (heard := doctor(said)) is not None:
                _hear(readers[said.port], heard)
        for entry in waiting:
            feed(entry)
        waiting.clear()
        picture = feed(Tick(now_ns))
        assert picture is not None, "a tick gives a picture"
        if keeper is not None:
            for it in picture.transitions:
                keeper.alarm(it)
        verdict.take(picture)
        if (press := hand.presses(picture)) is not None:
            feed(Action(now_ns, press[0], press[1], "automatic"))
        while virtual.crew.notices:
            feed(Notice(now_ns, *virtual.crew.notices.popleft()))
        while virtual.crew.acts:
            feed(Action(now_ns, *virtual.crew.acts.popleft(), "crew"))
        if on_step is not None:
            on_step(virtual, picture)
    return verdict


def _readers(rig: Rig, sink: Sink, clock: Callable[[], int]) -> dict[str, SerialReader | MqttReader]:
    readers: dict[str, SerialReader | MqttReader] = {}
    for port in rig.port:
        channels = [channel for channel in rig.channel if channel.source.port == port.name]
        reader = open_port(port, channels, sink, clock, lambda: clock() * 1e-9)
        if not isinstance(reader, SerialReader | MqttReader):
            raise DrillError(f"port '{port.name}': found driver '{port.driver}', a drill speaks nmea and mqtt")
        readers[port.name] = reader
    return readers


def _hear(reader: SerialReader | MqttReader, said: Said) -> None:
    if isinstance(reader, MqttReader):
        reader.deliver(said.topic or "", said.data, False, said.time_ns)
    else:
        reader.take(said.data, said.time_ns)
