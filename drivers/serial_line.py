"""NMEA 0183 over any serial URL: an adapter, a pseudo-terminal, or a serial server on the network."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import serial

from drivers import adapters
from drivers.config import Channel
from drivers.kinds.nmea import NmeaPort, NmeaSource
from drivers.nmea import XdrDecoder
from drivers.ports import Numbered, RunningPort
from drivers.reading import Clock, Sink

_WAIT_S = 0.1
"""How long one read waits for a first byte; also how soon `stop` is noticed."""


class SerialReader(RunningPort):
    """Reads XDR sentences from a serial URL. `plugged` gives the adapters that are plugged in, asked at every opening."""

    def __init__(
        self,
        config: NmeaPort,
        channels: Sequence[Channel],
        sink: Sink,
        clock: Clock,
        plugged: adapters.Plugged = adapters.plugged,
    ) -> None:
        super().__init__(config.name, sink, clock)
        self._plugged = plugged
        self._config = config
        self._decoder = XdrDecoder(config.checksum == "required")
        self._decoder.counts = self.counts
        self._put = Numbered(channels, sink, self.counts).put
        self._channels = {it.source.id: it for it in channels if isinstance(it.source, NmeaSource)}

    def serve(self, connected: Callable[[], None]) -> str:
        """Read until the wire is lost."""
        url = self._config.url
        try:
            url = adapters.device(url, self._plugged)
            line = serial.serial_for_url(url, baudrate=self._config.baud, timeout=_WAIT_S)
        except adapters.AdapterError as error:
            return f"cannot open: {error}"
        except (serial.SerialException, OSError, ValueError) as error:
            return f"cannot open: {_reason(error)} ({url})"
        self._decoder.reset()
        with line:
            connected()
            try:
                while not self.stopping:
                    data = line.read(max(1, line.in_waiting))
                    if data:
                        self.take(data, self.clock())
            except (
                serial.SerialException,
                OSError,
                TypeError,
            ) as error:  # TypeError: closed under a read, pyserial 3.5
                return f"lost: {_reason(error)} ({url})"
        return "stopped"

    def take(self, data: bytes, time_ns: int) -> None:
        """Turn bytes into readings, all of the moment they were taken from the wire."""
        for item in self._decoder.feed(data):
            channel = self._channels.get(item.id)
            if channel is None:
                self.stranger(item.id)
            elif channel.quantity != item.quantity:
                self.counts["mislabelled"] += 1
            else:
                self._put(channel.name, time_ns, item.value)


def _reason(error: BaseException) -> str:
    """What the system said, without the library's wrapping."""
    cause = error.__context__ if isinstance(error.__context__, OSError) else error
    text = getattr(cause, "strerror", None) or str(error)
    return " ".join(text.split())
