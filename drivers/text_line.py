"""Lines of text over any serial URL: the decoder's numbers, turned into SI and handed to the channels they are of."""

from __future__ import annotations

from collections.abc import Sequence

from drivers import adapters
from drivers.config import Channel
from drivers.kinds.lines import LinesPort, LinesSource
from drivers.legible import Legibility
from drivers.lines import LineDecoder
from drivers.patterns import line_pattern
from drivers.ports import Numbered
from drivers.reading import Clock, Quality, Sink
from drivers.serial_line import SerialLine
from drivers.units import UNITS, linear


class _Place:
    """A channel, and what turns a number in each unit of its quantity into SI. `usual` is the unit where the line gives none."""

    def __init__(self, channel: Channel, usual: str | None) -> None:
        self.name = channel.name
        self.usual = usual
        self.scales = {unit: linear(channel.quantity, unit) for unit in UNITS[channel.quantity][1]}


class TextReader(SerialLine):
    """Reads lines of text from a serial URL."""

    def __init__(
        self,
        config: LinesPort,
        channels: Sequence[Channel],
        sink: Sink,
        clock: Clock,
        plugged: adapters.Plugged = adapters.plugged,
    ) -> None:
        super().__init__(config.name, config.url, config.baud, sink, clock, plugged)
        self._decoder = LineDecoder(line_pattern(config.pattern))
        self._decoder.counts = self.counts
        self._put = Numbered(channels, sink, self.counts).put
        self._places = {
            it.source.id: _Place(it, it.source.unit) for it in channels if isinstance(it.source, LinesSource)
        }

    def begin(self) -> None:
        """Forget the half line at hand, and pass over the first: its beginning may not have been heard."""
        self._decoder.reset()

    def amid(self) -> bool:
        """Whether a line has begun and not ended."""
        return self._decoder.amid

    def lines(self) -> tuple[int, int]:
        """Lines so far, of the pattern and not."""
        return self._decoder.whole, self.counts["malformed"]

    def unreadable(self, legible: Legibility) -> str:
        """What to say of a wire of which so much can be read."""
        if legible is Legibility.NOTHING and 2 * self._decoder.foreign > self.counts["malformed"]:
            return "lines come, and none fits: pattern right?"
        return super().unreadable(legible)

    def decode(self, data: bytes, time_ns: int, quality: Quality) -> None:
        """Turn bytes into readings of a moment and a quality."""
        for item in self._decoder.feed(data):
            place = self._places.get(item.id)
            if place is None:
                self.stranger(item.id or "a line")
                continue
            scale = place.scales.get(item.unit or place.usual or "")
            if scale is None:
                self.counts["mislabelled"] += 1
            else:
                self._put(place.name, time_ns, scale[0] * item.value + scale[1], quality)
