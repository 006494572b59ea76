"""From one message of a broker to readings: which channels it is for, what it says, and whether it may pass as live.

A channel's sender may say that it is gone (`presence`); that is told once, and so is its coming back.

What comes from a store is old; so is what its sensor's own clock shows to have waited longer than the channel's `stale_after`
(see skew.py; only SenML says times). Old values are kept in the recording, and nothing is computed from them.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence

from jsonpointer import JsonPointer

from drivers import topics
from drivers.config import Channel
from drivers.kinds.mqtt import MqttSource
from drivers.payload import PayloadError, bare_number, document, number_at
from drivers.reading import NodeState, Quality
from drivers.senml import UNITS as SENML_UNITS
from drivers.senml import SenmlError, resolve
from drivers.skew import Skew
from drivers.units import linear

Put = Callable[[str, int, float, Quality, int | None], None]
"""(channel, time, SI value, quality, device time)"""
_DEVICE_TIME_BOUND_S = 2**62 * 1e-9
"""Device times beyond what a journal holds are none."""


class _Place:
    """Where one channel stands in the messages of its topic."""

    def __init__(self, channel: Channel, source: MqttSource) -> None:
        self.channel = channel
        self.format = source.format
        self.n = source.n
        self.pointer = JsonPointer(source.pointer or "") if source.format == "json" else None
        self.scale, self.offset = linear(channel.quantity, source.unit) if source.unit else (1.0, 0.0)
        self._stale_after_ns = round(channel.stale_after * 1e9)
        self.skew = Skew(self._stale_after_ns)
        self._topic: str | None = None
        self._heard_ns = 0

    def belongs(self, topic: str, time_ns: int) -> bool:
        """Whether a live value that came under a topic is this channel's.

        A filter may take the topics of several senders; a channel is one sensor. Whoever was heard first keeps it until
        silent for the channel's `stale_after`, so that two sensors are never mixed into one.
        """
        if self._topic != topic and self._topic is not None and time_ns - self._heard_ns <= self._stale_after_ns:
            return False
        self._topic, self._heard_ns = topic, time_ns
        return True


class Intake:
    """What a port does with the messages it gets. `stranger` takes the name of a source that no channel names, `tell` who is
    gone and who is back."""

    def __init__(
        self,
        channels: Sequence[Channel],
        put: Put,
        tell: Callable[[NodeState], None],
        counts: Counter[str],
        stranger: Callable[[str], None],
        wall_s: Callable[[], float],
    ) -> None:
        self._put, self._tell = put, tell
        self._counts, self._stranger, self._wall_s = counts, stranger, wall_s
        self._nodes: dict[str, tuple[str, list[str]]] = {}
        """The word that says that a sender is gone, and its channels, by the topic that says so."""
        self._gone: set[str] = set()
        self._places: dict[str, list[_Place]] = {}
        for channel in channels:
            if isinstance(channel.source, MqttSource):
                self._places.setdefault(channel.source.topic, []).append(_Place(channel, channel.source))
                if (presence := channel.source.presence) is not None:
                    self._nodes.setdefault(presence.topic, (presence.gone, []))[1].append(channel.name)

        self._loose = [it for it in self._places if topics.wild(it) or topics.shared(it)]
        """Filters that are not the very topic of what they take."""

    @property
    def filters(self) -> list[str]:
        """The topic filters that the channels name, each once."""
        return [*self._places, *self._nodes]

    def deliver(
        self, topic: str, payload: bytes, old: bool, time_ns: int, filters: Iterable[str] | None = None
    ) -> None:
        """Turn one message into readings, all of the moment it came; what holds none is counted.

        `old`: it comes from a store. `filters`: those that the broker says it comes for, so that one that it sends twice
        for two filters is two different halves; None where it does not say, and every filter that takes the topic counts.
        """
        if topic in self._nodes:
            self._hear_of(topic, payload, time_ns)
            return
        if filters is None:
            filters = [topic, *(it for it in self._loose if topics.matches(it, topic))]
        places = [place for it in filters for place in self._places.get(it, ())]
        if not places:
            self._stranger(topic)
            return
        try:
            self._take(places, topic, payload, old, time_ns)
        except (PayloadError, SenmlError):
            self._counts["malformed"] += 1

    def _hear_of(self, topic: str, payload: bytes, time_ns: int) -> None:
        """What is kept of a presence is as good as news: it says how things stand."""
        gone, channels = self._nodes[topic]
        said = payload.decode(errors="replace").strip()
        if not said:
            self._counts["empty"] += 1
        for channel in channels if said else ():
            self._set_gone(channel, said == gone, time_ns, f"'{said[:80]}' on {topic}")

    def _set_gone(self, channel: str, gone: bool, time_ns: int, text: str) -> None:
        if gone != (channel in self._gone):
            self._gone ^= {channel}
            self._tell(NodeState(channel, not gone, time_ns, text))

    def _take(self, places: list[_Place], topic: str, payload: bytes, old: bool, time_ns: int) -> None:
        kind = places[0].format
        if kind == "senml":
            self._take_senml(places, topic, payload, old, time_ns)
            return
        if not payload.strip():  # a zero-byte message: the stored value was deleted, and nothing measured
            self._counts["empty"] += 1
            return
        parsed = document(payload) if kind == "json" else None
        for place in places:
            try:
                value = number_at(place.pointer, parsed) if place.pointer is not None else bare_number(payload)
            except PayloadError:
                self._counts["malformed"] += 1
                continue
            if value is None:
                self._counts["empty"] += 1
            else:
                self._hand_on(place, topic, [(None, place.scale * value + place.offset)], old, time_ns)

    def _take_senml(self, places: list[_Place], topic: str, payload: bytes, old: bool, time_ns: int) -> None:
        if not payload:
            self._counts["empty"] += 1
            return
        by_name = {place.n: place for place in places}
        said: dict[str, list[tuple[int | None, float]]] = {}
        for record in resolve(payload, self._wall_s()):
            place = by_name.get(record.name)
            meaning = SENML_UNITS.get(record.unit or "")
            if place is None:
                self._stranger(record.name)
            elif record.value is None:
                self._counts["empty"] += 1
            elif meaning is None or meaning[0] != place.channel.quantity:
                self._counts["mislabelled"] += 1
            else:
                value = meaning[1] * record.value + meaning[2]
                said.setdefault(record.name, []).append((_device_ns(record.time_s), value))
        for name, values in said.items():
            self._hand_on(by_name[name], topic, values, old, time_ns)

    def _hand_on(
        self, place: _Place, topic: str, values: list[tuple[int | None, float]], old: bool, time_ns: int
    ) -> None:
        """Give the values of one channel in one message, each with its device time, the eldest first."""
        if not old and not place.belongs(topic, time_ns):
            for _ in values:
                self._stranger(topic)
            return
        values.sort(key=lambda it: it[0] or 0)
        late = iter(
            () if old else place.skew.late(time_ns, [device_ns for device_ns, _ in values if device_ns is not None])
        )
        for device_ns, value in values:
            put_aside = old or (device_ns is not None and next(late))
            if not put_aside:
                self._set_gone(place.channel.name, False, time_ns, "a live value")
            self._put(place.channel.name, time_ns, value, Quality.OLD if put_aside else Quality.GOOD, device_ns)


def _device_ns(seconds: float | None) -> int | None:
    """A device's time in whole nanoseconds, None where it is none or beyond all bounds."""
    if seconds is None or not abs(seconds) < _DEVICE_TIME_BOUND_S:
        return None
    return round(seconds * 1e9)
