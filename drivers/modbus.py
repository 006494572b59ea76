"""Modbus RTU over any serial URL: asks the stations of a bus in turn, and reads what they answer.

Stations are told apart: one that does not answer is put aside and tried seldom, and its channels go stale by themselves. The link
is down only when no station answers. A line that is quiet, garbled or answered by somebody else is counted, by station.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import serial

from drivers import adapters
from drivers.config import Channel
from drivers.kinds.modbus import ModbusPort, ModbusSource, StatusWord, spans, timeouts
from drivers.opening import LOST, NotOpened, opened, reason
from drivers.ports import Numbered, RunningPort
from drivers.reading import Clock, Quality, Sink
from drivers.registers import Span, decode, joined
from drivers.rounds import Rounds
from drivers.rtu import Answer, Refusal, answer_length, frames, reply, request
from drivers.units import linear

_SLICE_S = 0.01
"""How long one read waits for a byte."""
_GAP_S = 0.03
"""A silence that ends what came in, however it began. Adapters hold bytes back for up to 16 ms (common practice, no source)."""
_STALLED_S = 0.5
"""An answer that comes so much later than it may was there while this program did not run (stopped, or the computer asleep)."""
_NOT_THERE = (2, 3)
"""Exceptions that may be due to a neighbour in the same request: illegal data address, illegal data value."""
_PARITY = {"even": serial.PARITY_EVEN, "odd": serial.PARITY_ODD, "none": serial.PARITY_NONE}


@dataclass(frozen=True, slots=True)
class _Place:
    """Where one channel stands, and what a count of it is worth."""

    name: str
    source: ModbusSource
    span: Span
    status: Span | None
    scale: float
    offset: float

    def value(self, registers: Sequence[int]) -> float:
        """The SI value in the registers of the place; NaN where the device has none."""
        number = decode(registers, self.source.type, self.source.words)
        return self.scale * (self.source.scale * number + self.source.offset) + self.offset


class ModbusReader(RunningPort):
    """Asks for the registers of its channels, as often as they say."""

    def __init__(
        self,
        config: ModbusPort,
        channels: Sequence[Channel],
        sink: Sink,
        clock: Clock,
        plugged: adapters.Plugged = adapters.plugged,
    ) -> None:
        super().__init__(config.name, sink, clock)
        self._config, self._plugged, self._place = config, plugged, config.url
        self._put = Numbered(channels, sink, self.counts).put
        self._places = [_place(config, it, it.source) for it in channels if isinstance(it.source, ModbusSource)]
        self._wanted = spans(config, channels)
        self._timeouts = timeouts(config, channels)
        self._spoken: dict[Span, int] = {}
        self._quiet_since_s = 0.0

    def serve(self, connected: Callable[[], None]) -> str:
        """Ask and read until the port is lost or no station answers any more."""
        config = self._config
        try:
            line, self._place = opened(
                config.url,
                self._plugged,
                f"{config.baud} bit/s, parity {config.parity}, {config.stop_bits} stop bits",
                baudrate=config.baud,
                parity=_PARITY[config.parity],
                stopbits=config.stop_bits,
                timeout=_SLICE_S,
                write_timeout=1.0,
            )
        except NotOpened as error:
            return str(error)
        self._spoken.clear()
        with line:
            if not self._wanted:
                connected()
            try:
                return self._poll(line, connected)
            except LOST as error:
                return f"lost: {reason(error)} ({self._place})"

    def _poll(self, line: serial.Serial, connected: Callable[[], None]) -> str:
        rounds = Rounds(joined(self._wanted), self._timeouts, time.monotonic())
        while not self.stopping:
            turn = rounds.next_turn()
            span, due_s = turn if turn is not None else (None, time.monotonic() + 1.0)
            if (wait_s := due_s - time.monotonic()) > 0.0:
                self._stopping.wait(wait_s)
            if self.stopping or span is None:
                continue
            asked_ns = self.clock()
            heard = self._ask(line, span)
            now_s, now_ns = time.monotonic(), self.clock()
            if isinstance(heard, bytes):
                rounds.missed(span, now_s, garbled=bool(heard))
                if rounds.dead:
                    named = ", ".join(map(str, rounds.aside))
                    return f"no station answers: {named} ({self._place})"
                continue
            connected()
            rounds.answered(span, now_s)
            if isinstance(heard, Answer):
                stalled = now_ns - asked_ns > (self._longest_s(span) + _STALLED_S) * 1e9
                self.take(span, heard.registers, now_ns, old=stalled)
            else:
                self._refused(rounds, span, heard)
        return "stopped"

    def _ask(self, line: serial.Serial, span: Span) -> Answer | Refusal | bytes:
        """One request and its answer; what came in instead, if no answer did."""
        asked = request(span)
        pause_s = self._config.pause_s - (time.monotonic() - self._quiet_since_s)
        if pause_s > 0.0:
            time.sleep(pause_s)
        while line.in_waiting and not self.stopping:  # whatever came too late
            line.read(line.in_waiting)
        line.write(asked)
        length = answer_length(span)
        until_s = time.monotonic() + self._longest_s(span)
        data, last_s = b"", time.monotonic()
        try:
            while (now_s := time.monotonic()) < until_s and not self.stopping:
                if new := line.read(max(1, line.in_waiting)):
                    data, last_s = data + new, time.monotonic()
                    if self._config.echo and len(data) >= len(asked) and data.startswith(asked):
                        data, asked = data[len(asked) :], b""
                    for frame in frames(data):
                        if (found := reply(frame, span)) is not None:
                            return found
                elif len(data) >= length and now_s - last_s > _GAP_S:
                    break
        finally:
            self._quiet_since_s = time.monotonic()
            if data:
                self.heard(data, self.clock(), f"station {span.station}")
        self._explain(span, data)
        return data

    def _longest_s(self, span: Span) -> float:
        """How long a request and its answer may take."""
        return self._timeouts[span.station] + self._config.seconds(len(request(span)) + answer_length(span))

    def _explain(self, span: Span, data: bytes) -> None:
        """Count what came in that was no answer."""
        others = list(frames(data))
        if self.stopping:
            return
        if not data:
            self.counts["silent"] += 1
            self.counts[f"no answer from station {span.station}"] += 1
        elif not others:
            self.counts["bad_checksum"] += 1
            self.counts[f"garbled answer from station {span.station}"] += 1
        for frame in others:
            if frame.station == span.station:
                self.counts["malformed"] += 1
            elif frame.station in self._timeouts:
                self.counts["late"] += 1
                self.counts[f"late answer from station {frame.station}"] += 1
            else:
                self.stranger(f"station {frame.station}")

    def _refused(self, rounds: Rounds, span: Span, refusal: Refusal) -> None:
        """Count a refusal by its name; a request of several channels that may be refused for one of them is taken apart."""
        self.counts["refused"] += 1
        self.counts[f"{refusal.reason} from station {span.station}"] += 1
        for it in self._wanted:
            if it.within(span):
                self._spoken.pop(it, None)
        parts = [it for it in self._wanted if it.within(span) and it.every_s == span.every_s]
        if refusal.code in _NOT_THERE and len(parts) > 1:
            rounds.split(span, parts)

    def take(self, span: Span, registers: Sequence[int], time_ns: int, *, old: bool = False) -> None:
        """Turn the registers of an answer into readings, all of the moment it was whole; what is NaN holds none. `old`: the
        answer has waited."""

        def part(it: Span) -> Sequence[int]:
            return registers[it.register - span.register : it.end - span.register]

        for it in self._wanted:
            if it.count == 1 and it.within(span):
                self._spoken[it] = part(it)[0]
        for place in self._places:
            if not place.span.within(span):
                continue
            quality = Quality.OLD if old else Quality.GOOD
            if place.status is not None and place.source.status is not None:
                if place.status not in self._spoken:  # nobody knows yet what the device says of itself
                    continue
                quality = Quality.OLD if old else _quality(place.source.status, self._spoken[place.status])
            value = place.value(part(place.span))
            if value != value:
                self.counts["empty"] += 1
            else:
                self._put(place.name, time_ns, value, quality)


def _place(port: ModbusPort, channel: Channel, source: ModbusSource) -> _Place:
    scale, offset = linear(channel.quantity, source.unit)
    return _Place(channel.name, source, source.span(port), source.status_span(port), scale, offset)


def _quality(status: StatusWord, word: int) -> Quality:
    """The gravest of what a status word says (see `GRAVITY`)."""
    for bits, quality in (
        (status.failure, Quality.FAILURE),
        (status.check, Quality.CHECK),
        (status.out_of_specification, Quality.OUT_OF_SPECIFICATION),
        (status.maintenance, Quality.MAINTENANCE),
    ):
        if any(word >> bit & 1 for bit in bits or ()):
            return quality
    return Quality.GOOD
