"""A drill at full speed: the same bytes through the same decoders, with simulated time in place of wires.

For tests and for making recordings. Nothing here sleeps or opens a port.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
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


@dataclass(frozen=True, slots=True)
class Moment:
    """What one step of a virtual rig brings to a monitor: entries before the tick at `time_ns`, and what follows it."""

    before: tuple[Entry, ...]
    time_ns: int
    after: tuple[Entry, ...]


def moments(virtual: VirtualRig, *, doctor: Callable[[Said], Said | None] = lambda said: said) -> Iterator[Moment]:
    """Play a virtual rig to its end and decode what it says: all that reaches a monitor. None of it depends on one.

    `doctor` may change or swallow what a port says.
    """
    waiting: list[Entry] = [Notice(0, "link", port.name, False, "connected") for port in virtual.rig.port]

    def sink(it: Reading | LinkState | NodeState) -> None:
        assert isinstance(it, Reading), "no port is opened, so none is lost, and no node says anything of itself"
        waiting.append(it)

    readers = _readers(virtual.rig, sink, lambda: virtual.time_ns)
    crew = virtual.crew
    while not crew.finished:
        now_ns = virtual.time_ns
        for said in virtual.step():
            if said.port not in crew.unplugged and (heard := doctor(said)) is not None:
                _hear(readers[said.port], heard)
        after: list[Entry] = [Notice(now_ns, *crew.notices.popleft()) for _ in range(len(crew.notices))]
        after += [Action(now_ns, *crew.acts.popleft(), "crew") for _ in range(len(crew.acts))]
        yield Moment(tuple(waiting), now_ns, tuple(after))
        waiting.clear()


class Monitor:
    """What hears a drill: the engine, the hand that presses in place of a person, and the verdict so far."""

    def __init__(self, rig: Rig, keeper: Keeper | None = None) -> None:
        self.engine, self.verdict, self._keeper = Engine(rig), Verdict(), keeper

    def hear(self, it: Moment) -> Picture:
        """Take one moment; returns the picture of its tick."""
        for entry in it.before:
            self._feed(entry)
        picture = self._feed(Tick(it.time_ns))
        assert picture is not None, "a tick gives a picture"
        if self._keeper is not None:
            for change in picture.transitions:
                self._keeper.alarm(change)
        self.verdict.take(picture)
        if (press := hand.presses(picture)) is not None:
            self._feed(Action(it.time_ns, press[0], press[1], "automatic"))
        for entry in it.after:
            self._feed(entry)
        return picture

    def _feed(self, entry: Entry) -> Picture | None:
        if self._keeper is not None:
            self._keeper.write(entry)
        return self.engine.feed(entry)


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
    virtual, monitor = VirtualRig(rig, scenario, seed, clocks or {}), Monitor(rig, keeper)
    for moment in moments(virtual, doctor=doctor):
        picture = monitor.hear(moment)
        if on_step is not None:
            on_step(virtual, picture)
    return monitor.verdict


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
