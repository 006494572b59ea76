"""Serial lines: one is opened wherever its adapter is now, and read for ever; and NMEA 0183 over one.

What waited in a buffer is told from what comes now (backlog.py), and a wire whose bytes cannot be read is said (legible.py).
"""

from __future__ import annotations

import sys
from abc import abstractmethod
from collections.abc import Callable, Sequence
from typing import Any

from serial.urlhandler.protocol_socket import Serial as _Tcp

from drivers import adapters
from drivers.backlog import Backlog
from drivers.config import Channel
from drivers.kinds.nmea import NmeaPort, NmeaSource
from drivers.legible import Legibility, Legible
from drivers.nmea import XdrDecoder
from drivers.opening import LOST, NotOpened, opened, reason
from drivers.ports import Numbered, RunningPort
from drivers.reading import Clock, Quality, Sink

if sys.platform != "win32":
    import fcntl
    import termios

_AT_ONCE = 65_536
"""Bytes of one read at most, however many wait."""
_WAIT_S = 0.1
"""How long one read waits for a first byte; also how soon `stop` is noticed."""


class SerialLine(RunningPort):
    """Reads a serial URL; a subclass says what the bytes mean.

    `plugged` gives the adapters that are plugged in, asked at every opening.
    """

    def __init__(
        self, name: str, url: str, baud: int, sink: Sink, clock: Clock, plugged: adapters.Plugged = adapters.plugged
    ) -> None:
        super().__init__(name, sink, clock)
        self._url, self._baud, self._plugged = url, baud, plugged
        self._backlog, self._legible = Backlog(), Legible()
        self._old_begun = False

    @abstractmethod
    def begin(self) -> None:
        """The wire was opened: forget the half line at hand."""

    @abstractmethod
    def decode(self, data: bytes, time_ns: int, quality: Quality) -> None:
        """Turn bytes into readings of a moment and a quality."""

    @abstractmethod
    def amid(self) -> bool:
        """Whether a line has begun and not ended."""

    @abstractmethod
    def lines(self) -> tuple[int, int]:
        """How many lines have come whole so far, and how many spoilt."""

    def take(self, data: bytes, time_ns: int, quality: Quality = Quality.GOOD) -> None:
        """Turn bytes into readings, all of the moment they were taken from the wire. A line is as old as its beginning."""
        self.heard(data, time_ns)
        if self._old_begun and quality is Quality.GOOD:
            head, end, data = data.partition(b"\n")
            self.decode(head + end, time_ns, Quality.OLD)
            self._old_begun = not end
        self.decode(data, time_ns, quality)
        if quality is Quality.OLD:
            self._old_begun = self.amid()

    def unreadable(self, legible: Legibility) -> str:
        """What to say of a wire of which so much can be read; "" where that is enough."""
        if legible is Legibility.NOTHING:
            return f"bytes come unreadable: speed {self._baud} right?"
        if legible is Legibility.LITTLE:
            return "most lines come spoilt: two talkers, or a bad cable?"
        return ""

    def serve(self, connected: Callable[[], None]) -> str:
        """Read until the wire is lost."""
        try:
            taken = f"{self._baud} bit/s"
            line, url = opened(self._url, self._plugged, taken, baudrate=self._baud, timeout=_WAIT_S)
        except NotOpened as error:
            return str(error)
        self.begin()
        self._old_begun = False
        self._backlog.cut()
        self._legible.cut()
        with line:
            connected()
            try:
                self._read(line)
            except LOST as error:
                return f"lost: {reason(error)} ({url})"
        return "stopped"

    def _read(self, line: Any) -> None:
        empty_ns = self.clock()
        while not self.stopping:
            asked_ns = self.clock()
            waiting = _waiting(line)
            if not waiting:
                empty_ns = asked_ns
            data = line.read(max(1, min(waiting, _AT_ONCE)))
            now_ns = self.clock()
            for part, quality in self._backlog.take(data, empty_ns, now_ns):
                self.take(part, now_ns, quality)
            before = self._legible.now
            if data and self._legible.heard(len(data), *self.lines(), now_ns) is not before:
                self.unwell(self.unreadable(self._legible.now))


class SerialReader(SerialLine):
    """Reads XDR sentences from a serial URL."""

    def __init__(
        self,
        config: NmeaPort,
        channels: Sequence[Channel],
        sink: Sink,
        clock: Clock,
        plugged: adapters.Plugged = adapters.plugged,
    ) -> None:
        super().__init__(config.name, config.url, config.baud, sink, clock, plugged)
        self._decoder = XdrDecoder(config.checksum == "required")
        self._decoder.counts = self.counts
        self._put = Numbered(channels, sink, self.counts).put
        self._channels = {it.source.id: it for it in channels if isinstance(it.source, NmeaSource)}

    def begin(self) -> None:
        """Forget the half line at hand."""
        self._decoder.reset()

    def amid(self) -> bool:
        """Whether a sentence has begun and not ended."""
        return self._decoder.amid

    def lines(self) -> tuple[int, int]:
        """Sentences so far, whole and spoilt."""
        spoilt = self.counts["bad_checksum"] + self.counts["malformed"] + self.counts["no_checksum"]
        return self._decoder.whole, spoilt

    def unreadable(self, legible: Legibility) -> str:
        """What to say of a wire of which so much can be read."""
        if legible is Legibility.NOTHING and self.counts["no_checksum"] > self.counts["malformed"]:
            return 'sentences come without checksum: checksum = "optional"?'
        return super().unreadable(legible)

    def decode(self, data: bytes, time_ns: int, quality: Quality) -> None:
        """Turn bytes into readings of a moment and a quality."""
        for item in self._decoder.feed(data):
            channel = self._channels.get(item.id)
            if channel is None:
                self.stranger(item.id)
            elif channel.quantity != item.quantity:
                self.counts["mislabelled"] += 1
            else:
                self._put(channel.name, time_ns, item.value, quality)


def _waiting(line: Any) -> int:
    """Bytes that can be read at once. pyserial says 1 of a socket with any number of them, and one at a time is slow."""
    waiting = int(line.in_waiting)
    if sys.platform != "win32" and waiting and isinstance(line, _Tcp):
        answer = fcntl.ioctl(line.fileno(), termios.FIONREAD, bytes(4))
        return max(1, int.from_bytes(answer, sys.byteorder))
    return waiting
