"""The tally wire, live: connect, read, hand on. Waiting, trying again and saying so once are RunningPort's."""

from __future__ import annotations

import socket
from collections.abc import Callable, Sequence

from drivers.config import Channel
from drivers.cutting import Cutter
from drivers.ports import Numbered, RunningPort
from drivers.reading import Clock, Sink
from inchwatch_tally import TallyPort, TallySource
from inchwatch_tally.decoder import TallyError, decode

_CONNECT_S, _WAIT_S = 3.0, 0.1
"""How long a connection is tried, and how soon `stop` is noticed while nothing comes."""


class TallyReader(RunningPort):
    """Reads a box's lines."""

    def __init__(self, config: TallyPort, channels: Sequence[Channel], sink: Sink, clock: Clock) -> None:
        super().__init__(config.name, sink, clock)
        self._address = (config.host, config.port)
        self._cutter = Cutter()
        self._put = Numbered(channels, sink, self.counts).put
        self._channels = {it.source.id: it.name for it in channels if isinstance(it.source, TallySource)}

    def serve(self, connected: Callable[[], None]) -> str:
        """Connect, call `connected`, read. What it returns is shown to the crew: one sentence, and where."""
        where = f"{self._address[0]}:{self._address[1]}"
        try:
            wire = socket.create_connection(self._address, _CONNECT_S)
        except OSError as error:
            return f"cannot connect: {error.strerror or error} ({where})"
        with wire:
            wire.settimeout(_WAIT_S)
            self._cutter.reset()  # half a line of the last connection is none of this one
            connected()
            while not self.stopping:
                try:
                    data = wire.recv(4096)
                except TimeoutError:
                    continue
                except OSError as error:
                    return f"lost: {error.strerror or error} ({where})"
                if not data:
                    return f"lost: the far end hung up ({where})"
                self.take(data, self.clock())
        return "stopped"

    def take(self, data: bytes, time_ns: int) -> None:
        """Turn bytes into readings, all of the moment they were taken from the wire; count what is none."""
        self.heard(data, time_ns)
        for line in self._cutter.feed(data):
            try:
                name, value = decode(line or b"")
            except TallyError:
                self.counts["malformed"] += 1
                continue
            channel = self._channels.get(name)
            if channel is None:
                self.stranger(name)
            elif value is None:
                self.counts["empty"] += 1
            else:
                self._put(channel, time_ns, value)
