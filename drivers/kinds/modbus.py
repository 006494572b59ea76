"""Modbus RTU: input and holding registers of the stations on a serial bus."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import Field, field_validator
from pydantic_core import PydanticCustomError

from drivers.driver import Driver, Fault
from drivers.registers import Span, joined, width
from drivers.serial_place import SerialPort, elsewhere
from drivers.tables import FLAG, NUMBER, WHOLE, SourceTable, Strict
from drivers.units import UNITS, Time, allowed

if TYPE_CHECKING:
    from drivers.config import Channel
    from drivers.ports import RunningPort
    from drivers.reading import Clock, Sink

_Register = Annotated[int, Field(ge=0, le=65535), WHOLE]
_Bits = Annotated[list[Annotated[int, Field(ge=0, le=15), WHOLE]], Field(min_length=1)]
_LONGEST_S = 60.0
_FASTEST_S = 0.005


def _period(value: float | None) -> float | None:
    if value is not None and not _FASTEST_S <= value <= _LONGEST_S:
        said = f"{_FASTEST_S * 1e3:g} ms to {_LONGEST_S:g} s: {allowed('time')}"
        raise PydanticCustomError("period", "{allowed}", {"allowed": said})
    return value


class ModbusPort(SerialPort):
    """A serial bus with Modbus RTU stations. Speed and parity are the specification's own where nothing else is said.

    `every` is how often each register is asked for, `timeout` how long a station may take to answer; a channel's source may
    have its own of either. `echo`: the adapter hears what it sends.
    """

    driver: Literal["modbus"]
    baud: Annotated[int, Field(ge=300, le=4_000_000), WHOLE] = 19200
    parity: Literal["even", "odd", "none"] = "even"
    stop_bits: Annotated[Literal[1, 2], WHOLE] = 1
    every: Time = 0.1
    timeout: Time = 0.2
    echo: Annotated[bool, FLAG] = False

    _periods = field_validator("every", "timeout")(_period)

    def seconds(self, count: int) -> float:
        """How long so many bytes take (s): a start bit, eight of data, parity if there is one, and the stop bits."""
        return count * (9 + (self.parity != "none") + self.stop_bits) / self.baud

    @property
    def pause_s(self) -> float:
        """The silence that parts two frames (s): 3.5 characters, of 11 bits each; 1.75 ms above 19200 bit/s (MODBUS over
        Serial Line V1.02, 2.5.1.1)."""
        return 3.5 * 11 / self.baud if self.baud <= 19200 else 0.00175


class _At(Strict):
    """A register: `holding` or `input` is its number, counted from 0 as on the wire."""

    holding: _Register | None = None
    input: _Register | None = None

    @property
    def told(self) -> bool:
        """Whether it is one register."""
        return (self.holding is None) != (self.input is None)

    @property
    def where(self) -> tuple[str, int]:
        """Table and number."""
        return ("input", self.input or 0) if self.holding is None else ("holding", self.holding)


class StatusWord(_At):
    """A register in which the device says how it is, in the words of NAMUR NE 107. The bits of each word count from 0, the
    lowest; any of them set is enough. The gravest word counts."""

    failure: _Bits | None = None
    check: _Bits | None = None
    out_of_specification: _Bits | None = None
    maintenance: _Bits | None = None


class ModbusSource(_At, SourceTable):
    """Where on the bus the value stands, and what it is in: (`scale` * what the register holds + `offset`) `unit`.

    `holding` or `input` is the register, counted from 0 as on the wire: what a data sheet calls 40108 is `holding = 107`,
    30009 is `input = 8`. `words`: which half of a 32-bit value comes first. `timeout` is the whole station's: said in one of
    its channels it holds for all of them.
    """

    station: Annotated[int, Field(ge=1, le=247), WHOLE]
    type: Literal["int16", "uint16", "int32", "uint32", "float32"]
    words: Literal["high-first", "low-first"] | None = None
    scale: Annotated[float, Field(allow_inf_nan=False), NUMBER] = 1.0
    offset: Annotated[float, Field(allow_inf_nan=False), NUMBER] = 0.0
    unit: str
    every: Time | None = None
    timeout: Time | None = None
    status: StatusWord | None = None

    _periods = field_validator("every", "timeout")(_period)

    def place(self) -> tuple[object, ...]:
        """Station, table and register."""
        return (self.station, *self.where)

    def span(self, port: ModbusPort) -> Span:
        """The registers of the value."""
        every_s = port.every if self.every is None else self.every
        return Span(self.station, *self.where, width(self.type), every_s)

    def status_span(self, port: ModbusPort) -> Span | None:
        """The register of the status word, if the device has one."""
        if self.status is None:
            return None
        return Span(self.station, *self.status.where, 1, self.span(port).every_s)


def spans(port: ModbusPort, channels: Sequence[Channel]) -> list[Span]:
    """All that the channels of a port need to have read, values and status words."""
    sources = [channel.source for channel in channels if isinstance(channel.source, ModbusSource)]
    both = [span for source in sources for span in (source.span(port), source.status_span(port)) if span is not None]
    return sorted(set(both), key=lambda it: (it.station, it.table, it.register, it.count))


def timeouts(port: ModbusPort, channels: Sequence[Channel]) -> dict[int, float]:
    """How long each station of a port may take to answer (s)."""
    sources = [channel.source for channel in channels if isinstance(channel.source, ModbusSource)]
    said = {it.station: it.timeout for it in sources if it.timeout is not None}
    return {it.station: said.get(it.station, port.timeout) for it in sources}


def _load(port: ModbusPort, channels: Sequence[Channel]) -> float:
    """The share of the bus that asking for everything in time would take, if stations answered at once."""
    return sum(
        (port.seconds(8 + 5 + 2 * span.count) + 2.0 * port.pause_s) / span.every_s
        for span in joined(spans(port, channels))
    )


def _faults(port: ModbusPort, channels: Sequence[Channel]) -> Iterator[tuple[str, Fault]]:
    for channel in channels:
        if isinstance(channel.source, ModbusSource):
            yield from ((channel.name, fault) for fault in _of_one(port, channel, channel.source))
    yield from _too_long(port, channels)
    share = _load(port, channels)
    if share > 1.0:
        found = f"requests that take {share:.1f} times as long as there is, at {port.baud} bit/s"
        yield channels[0].name, ((), found, f"fewer or slower ones ('every'), or a faster port '{port.name}'")


def _too_long(port: ModbusPort, channels: Sequence[Channel]) -> Iterator[tuple[str, Fault]]:
    """Time-outs that contradict each other, or that a station which falls silent would make others stale by."""
    sources = [(it, it.source) for it in channels if isinstance(it.source, ModbusSource)]
    said: dict[int, float] = {}
    for channel, source in sources:
        if source.timeout is not None and said.setdefault(source.station, source.timeout) != source.timeout:
            allowed = f"one time-out a station: {source.station} has {said[source.station]:g} s already"
            yield channel.name, (("timeout",), f"{source.timeout:g} s", allowed)
    for station, timeout in timeouts(port, channels).items():
        beside = [channel for channel, source in sources if source.station != station]
        shortest = min(beside, key=lambda it: it.stale_after, default=None)
        if shortest is not None and timeout >= shortest.stale_after:
            name = next(channel.name for channel, source in sources if source.station == station)
            less = f"less than {shortest.stale_after:g} s, the 'stale_after' of {shortest.name}"
            found = f"{timeout:g} s for station {station}"
            yield name, (("timeout",), found, f"{less}: so long a silent station keeps the bus")


def _of_one(port: ModbusPort, channel: Channel, source: ModbusSource) -> Iterator[Fault]:
    units = UNITS[channel.quantity][1]
    if source.unit not in units:
        yield ("unit",), f"'{source.unit}'", f"a unit of {channel.quantity}: {', '.join(units)}"
    if source.scale == 0.0:
        yield ("scale",), "0", "what one count of the register is worth"
    if (every_s := source.span(port).every_s) > channel.stale_after:
        yield ("every",), f"{every_s:g} s", f"at most the channel's 'stale_after' ({channel.stale_after:g} s)"
    long = width(source.type) == 2
    if long and source.words is None:
        yield ("words",), "nothing", "'high-first' or 'low-first': the standard leaves it to the device"
    if not long and source.words is not None:
        yield ("words",), f"'{source.words}'", f"nothing: {source.type} is one register"
    table, register = source.where
    if not source.told:
        yield (), "both or neither of 'holding' and 'input'", "one of them"
    elif register + width(source.type) > 65536:
        yield (table,), str(register), f"at most 65534: {source.type} is two registers"
    status = source.status
    if status is not None:
        if not status.told:
            yield ("status",), "both or neither of 'holding' and 'input'", "one of them"
        words = (status.failure, status.check, status.out_of_specification, status.maintenance)
        if not any(words):
            allowed = "bits for at least one of failure, check, out_of_specification, maintenance"
            yield ("status",), "no bits", allowed


def _open(
    port: ModbusPort, channels: Sequence[Channel], sink: Sink, clock: Clock, _wall_s: Callable[[], float]
) -> RunningPort:
    from drivers.modbus import ModbusReader

    return ModbusReader(port, channels, sink, clock)


DRIVER = Driver("modbus", "Modbus RTU registers on a serial bus", ModbusPort, ModbusSource, _open, elsewhere, _faults)
