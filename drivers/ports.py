"""Running ports: what every driver offers, how it counts, how it tries again; and which driver opens which port.

A port runs one thread that does three things: time-stamp, decode, put. It keeps its wire open for ever and says, once
each time, when it is lost and when it is back.
"""

from __future__ import annotations

import random
import threading
import time
from abc import ABC, abstractmethod
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from math import isfinite
from pathlib import Path

from drivers.config import Channel
from drivers.current_loop import LoopWatch
from drivers.raw import Raw, Ring
from drivers.reading import CONNECTED, GRAVITY, Clock, LinkState, NodeState, Quality, Reading, Sink
from drivers.registry import usable
from drivers.tables import PortTable

COUNTS = (
    "good",
    "old",
    "bad_checksum",
    "no_checksum",
    "malformed",
    "other",
    "empty",
    "mislabelled",
    "unknown_id",
    "reconnects",
)
"""What every port counts, whether it happens on its kind of wire or not."""


_DEVICE_TIME_BOUND = 2**62
_STOP_S = 0.5
"""How long `stop` waits for a port's thread. Only a connection that nobody answers or refuses holds one longer."""
_HELD_S = 2.0
"""A wire that was up for so long is tried anew at once. One that is lost sooner, again and again (two programs under one name at
a broker, a plug that wobbles), is given the longer waits."""
_STRANGERS = 40
"""So many names of sources that no channel names are kept a port: a wire that babbles must not fill the memory."""


class PortError(ValueError):
    """A port that cannot be opened as asked. The message says what was found and what is allowed."""


class Backoff:
    """How long to wait before the next try: doubling from `first_s` to `most_s`, each with a quarter of jitter.

    Jitter keeps several monitors from knocking at a restarted broker in step.
    """

    def __init__(
        self, first_s: float = 0.25, most_s: float = 2.0, jitter: float = 0.25, rng: random.Random | None = None
    ) -> None:
        self._first, self._most, self._jitter = first_s, most_s, jitter
        self._random = rng or random.Random()
        self._next = first_s

    def wait_s(self) -> float:
        """The next wait (s)."""
        wait, self._next = self._next, min(self._most, self._next * 2.0)
        return wait * (1.0 + self._jitter * (2.0 * self._random.random() - 1.0))

    def reset(self) -> None:
        """A connection was made: begin anew."""
        self._next = self._first


class Numbered:
    """Makes readings of values: counts them, numbers each channel's from 0, and hands them on.

    What is not finite (a number too large for its unit) is no reading; a device time beyond what a journal holds is none.
    """

    def __init__(self, channels: Sequence[Channel], sink: Sink, counts: Counter[str]) -> None:
        self._count = {channel.name: 0 for channel in channels}
        self._counts = counts
        self._sink = sink

    def put(
        self,
        channel: str,
        time_ns: int,
        value: float,
        quality: Quality = Quality.GOOD,
        device_time_ns: int | None = None,
    ) -> None:
        """Hand on one value of one channel."""
        if not isfinite(value):
            self._counts["malformed"] += 1
            return
        if device_time_ns is not None and abs(device_time_ns) >= _DEVICE_TIME_BOUND:
            device_time_ns = None
        self._counts["good" if quality.valid else quality.value] += 1
        sequence = self._count[channel]
        self._count[channel] = sequence + 1
        self._sink(Reading(channel, sequence, time_ns, device_time_ns, value, quality))


class RunningPort(ABC):
    """A port that runs: `start` it, `stop` it, read its `counters`. Subclasses connect and read.

    `sink` gets Reading, LinkState and NodeState and must not block. `clock` gives the session's monotonic nanoseconds.
    """

    def __init__(self, name: str, sink: Sink, clock: Clock) -> None:
        self.name = name
        self.counts: Counter[str] = Counter(dict.fromkeys(COUNTS, 0))
        self._strangers: dict[str, int] = {}
        self._raw = Ring()
        self.clock = clock
        self._sink = sink
        self._up: bool | None = None
        self._said = ""
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"port:{name}", daemon=True)

    def start(self) -> None:
        """Begin; returns at once."""
        self._thread.start()

    def halt(self) -> None:
        """Ask the thread to end; returns at once. For whoever stops several ports, so that they end side by side."""
        self._stopping.set()

    def stop(self) -> None:
        """End the thread and close the wire. Safe to call twice, and before `start`.

        A connection that is still being tried is left to its end: its thread hands on nothing any more.
        """
        self.halt()
        if self._thread.is_alive():
            self._thread.join(_STOP_S)

    def counters(self) -> Mapping[str, int]:
        """What has been counted so far."""
        return dict(self.counts)

    def strangers(self) -> Mapping[str, int]:
        """The sources that said something and are named by no channel, as the wire calls them, with how often."""
        return dict(self._strangers)

    def stranger(self, name: str) -> None:
        """Count a value whose source no channel names."""
        self.counts["unknown_id"] += 1
        if name in self._strangers or len(self._strangers) < _STRANGERS:
            self._strangers[name] = self._strangers.get(name, 0) + 1

    def heard(self, data: bytes, time_ns: int, about: str | None = None) -> None:
        """Keep bytes as they came, for whoever wants to see them: of a stream, or one message and where it came."""
        self._raw.add(time_ns, data, about)

    def raw(self) -> list[Raw]:
        """The newest bytes as they came over the wire, the oldest first. Callable from any thread."""
        return self._raw.pieces()

    @property
    def stopping(self) -> bool:
        """Whether `stop` has been called."""
        return self._stopping.is_set()

    @abstractmethod
    def serve(self, connected: Callable[[], None]) -> str:
        """Connect, call `connected`, read until the wire is lost or `stopping`. Returns why, in one sentence."""

    def connected(self) -> None:
        """The wire is up."""
        if self.stopping:
            return
        if self._up is False:
            self.counts["reconnects"] += 1
        if self._up is not True:
            self._up, self._said = True, CONNECTED
            self._sink(LinkState(self.name, True, self.clock(), CONNECTED))

    def unwell(self, text: str) -> None:
        """What is wrong with a wire that is up, in one sentence, or "" where nothing is any more; said when it changes."""
        text = text or CONNECTED
        if self._up and text != self._said and not self.stopping:
            self._said = text
            self._sink(LinkState(self.name, True, self.clock(), text))

    def lost(self, text: str) -> None:
        """The wire is gone, or cannot be had again for another reason than was said last; said when it changes."""
        if self._up is not False or text != self._said:
            self._up, self._said = False, text
            self._sink(LinkState(self.name, False, self.clock(), text))

    def _run(self) -> None:
        backoff = Backoff()
        up_at_s: list[float] = []

        def connected() -> None:
            up_at_s.append(time.monotonic())
            del up_at_s[1:]
            self.connected()

        while not self.stopping:
            up_at_s.clear()
            try:
                why = self.serve(connected)
            except BaseException as error:  # noqa: BLE001 - a driver's own fault must be heard, and must not end the port
                why = _fault(error)
            if not self.stopping:
                self.lost(why)
                if up_at_s and time.monotonic() - up_at_s[0] >= _HELD_S:
                    backoff.reset()
                self._stopping.wait(backoff.wait_s())


class _Unmade(RunningPort):
    """Stands for a port that its driver could not make."""

    def __init__(self, name: str, sink: Sink, clock: Clock, why: str) -> None:
        super().__init__(name, sink, clock)
        self._why = why

    def serve(self, connected: Callable[[], None]) -> str:
        """Say why."""
        return self._why


def _fault(error: BaseException) -> str:
    return f"driver fault: {_said(error)}"


def _said(error: BaseException) -> str:
    return f"{type(error).__name__}: {' '.join(str(error).split())}"


def open_port(
    config: PortTable, channels: Sequence[Channel], sink: Sink, clock: Clock, wall_s: Callable[[], float] = time.time
) -> RunningPort:
    """The running port for a port of the rig file; `channels` are those whose source names it. Not started yet.

    `wall_s` gives seconds since 1970, for formats whose times are relative to now. A driver knows nothing of 4-20 mA: it
    delivers currents, and `looped` makes of them what they stand for. One that cannot even make its port is heard like one
    that fails later: the port is lost, and the others run.
    """
    wired = [channel.wired for channel in channels]
    try:
        return usable()[config.driver].open(config, wired, looped(channels, sink), clock, wall_s)
    except Exception as error:  # noqa: BLE001 - another's code
        return _Unmade(config.name, sink, clock, _fault(error))


def looped(channels: Sequence[Channel], sink: Sink) -> Sink:
    """A sink for what the wire delivers, in front of one for what it means: a loop's current becomes its quantity, and what
    NAMUR NE 43 says of it. What a device says of itself beside its current counts where it is graver. A current that was kept
    in a store says nothing of the wire of now, and one that stands for nothing finite is no reading."""
    loops = {it.name: (it.loop, LoopWatch(it.loop.fails_after)) for it in channels if it.loop is not None}
    if not loops:
        return sink

    def put(it: Reading | LinkState | NodeState) -> None:
        if isinstance(it, Reading) and it.channel in loops:
            loop, watch = loops[it.channel]
            quality = it.quality
            if quality is not Quality.OLD:
                quality = max(watch.judge(it.value, it.time_ns), quality, key=GRAVITY.index)
            it = replace(it, value=loop.value(it.value), quality=quality)
            if not isfinite(it.value):
                return
        sink(it)

    return put


def redirect(config: PortTable, url: str) -> PortTable:
    """The same port, found elsewhere, as its driver reads a place: NMEA any serial URL, MQTT `mqtt://HOST:PORT`.

    Raises PortError.
    """
    try:
        return usable()[config.driver].elsewhere(config, url)
    except PortError:
        raise
    except Exception as error:  # noqa: BLE001 - another's code
        raise PortError(f"port '{config.name}': found '{url}'; its driver fails on it ({_said(error)})") from None


def beside(config: PortTable, folder: Path) -> PortTable:
    """The same port, whatever files it names found from a folder. Raises PortError."""
    try:
        return config.beside(folder)
    except Exception as error:  # noqa: BLE001 - another's code
        found = f"found driver '{config.driver}', which fails on finding its files ({_said(error)})"
        raise PortError(f"port '{config.name}': {found}") from None
