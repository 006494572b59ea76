"""Whether each channel is live: seen, often enough, in range, and no noisier than the rig file says.

Fed with readings for some seconds, then asked once. Nothing here needs a person.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise

from drivers.config import Channel
from drivers.reading import Quality, Reading
from monitor import quantities as show
from monitor.engine.channels import ChannelState, own_words
from monitor.engine.picture import PortPicture
from monitor.prelift.results import Outcome, Result
from monitor.sensorboard.following import NOISY, trembling

LISTEN_NS = 5_000_000_000
"""How long is listened (invented): a hundred readings of a sensor that speaks twenty times a second."""
_FEW, _SHARE = 2, 0.02
"""How many messages of a port may be spoilt without a word, and which share of the good ones (invented): the first
sentence is cut in two more often than not."""

_NAMED = 6
"""So many strangers are told by name."""

_DAMAGE = {
    "bad_checksum": "garbled: a poor cable, or a wrong baud rate",
    "no_checksum": "without the checksum that the rig file requires",
    "malformed": "not to be read",
    "silent": "not answered: a station that is off, or another number or speed than the rig file says",
    "refused": "refused by a station: another register than the rig file says, or a device in trouble",
    "mislabelled": "in another quantity than the rig file says: swapped sources",
}
"""What a port counts of what is spoilt, and what that means before a lift."""


class Listening:
    """One channel, listened to. Times are ns since the session began."""

    def __init__(self, channel: Channel, units: str = "metric") -> None:
        self.channel, self._units = channel, units
        self.noise = ChannelState(channel).noise
        """What one reading is said to be off by (one standard deviation, SI)."""
        self._heard: list[Reading] = []
        self._stored = 0
        self._wrong: Reading | None = None

    def take(self, reading: Reading) -> None:
        """Take a reading of this channel."""
        if reading.quality.valid:
            self._heard.append(reading)
        elif reading.quality is Quality.OLD:
            self._stored += 1
        else:
            self._wrong = reading

    @property
    def rate(self) -> float | None:
        """Readings a second, None before two at different times."""
        if len(self._heard) < 2 or self._heard[-1].time_ns <= self._heard[0].time_ns:
            return None
        return (len(self._heard) - 1) / ((self._heard[-1].time_ns - self._heard[0].time_ns) * 1e-9)

    @property
    def trembles(self) -> float | None:
        """Standard deviation of one reading (SI) by successive differences. None of fewer than ten."""
        return trembling([it.value for it in self._heard])

    def judge(self, now_ns: int) -> Result:
        """What is to be said of it now."""
        if self._wrong is not None:
            said = own_words(self.channel, self._wrong)
            shown = "" if self._wrong.quality.void else f", at {self._value(self._wrong.value)}"
            return self._said(Outcome.WRONG, f"{said}{shown}: look at its wire, its supply and the device itself")
        if not self._heard:
            stored = " but what was kept from earlier" if self._stored else ""
            return self._said(Outcome.WRONG, f"nothing heard{stored}: look at its plug, its supply and its source")
        last, stale_ns = self._heard[-1], round(self.channel.stale_after * 1e9)
        age_ns = now_ns - last.time_ns
        if age_ns > stale_ns:
            return self._said(Outcome.WRONG, f"silent for {age_ns * 1e-9:.1f} s")
        if beyond := self._beyond():
            return self._said(Outcome.WRONG, f"reads {self._value(beyond.value)}, out of its range {self._range()}")
        pauses = pairwise(self._heard)
        pause_ns = max((after.time_ns - before.time_ns for before, after in pauses), default=0)
        if pause_ns > stale_ns:
            return self._said(Outcome.WRONG, f"went silent for {pause_ns * 1e-9:.1f} s: look for a loose plug")
        rate, trembles = self.rate, self.trembles
        spoken = "one reading" if rate is None else f"{rate:.1f} readings/s"
        said = f"{spoken}, {self._value(last.value)}"
        if trembles is None:
            return self._said(Outcome.OK, f"{said}, too few to say how noisy")
        times = trembles / self.noise
        if times > NOISY:
            text = f"{said}, {times:.1f} times as noisy as the rig file says"
            return self._said(Outcome.WRONG, text + ": look for a loose mount or a bad screen, or mend the rig file")
        if trembles == 0.0:
            return self._said(Outcome.OK, f"{said}, the same to the bit: it is yet to be seen whether it moves")
        return self._said(Outcome.OK, f"{said}, noise {times:.1f} of what the rig file says")

    def _beyond(self) -> Reading | None:
        low, high = self.channel.range or (float("-inf"), float("inf"))
        return next((it for it in reversed(self._heard) if not low <= it.value <= high), None)

    def _range(self) -> str:
        assert self.channel.range is not None, "only what has a range is out of it"
        return " to ".join(map(self._value, self.channel.range))

    def _value(self, value: float) -> str:
        return show.value(value, self.channel.quantity, self._units)

    def _said(self, outcome: Outcome, text: str) -> Result:
        last = self._heard[-1] if self._heard else None
        own = None if last is None or last.device_time_ns is None else round(last.device_time_ns * 1e-9, 4)
        figures = (
            ("rate_hz", self.rate),
            ("value", None if last is None else last.value),
            ("noise", self.trembles),
            ("noise_said", self.noise),
            ("device_utc", own),
        )
        return Result("live", self.channel.name, outcome, text, figures)


def port(picture: PortPicture, counts: Mapping[str, int], strangers: Mapping[str, int]) -> Result:
    """Whether a port is up and what it brings can be read, and what comes in on it that no channel names.

    `counts`: of the port, by what it counts. `strangers`: how often each source was heard that no channel names.
    """
    good = counts.get("good", 0)
    named = ", ".join(f"{name} ({count} times)" for name, count in list(strangers.items())[:_NAMED])
    more = f" and {len(strangers) - _NAMED} more" if len(strangers) > _NAMED else ""
    unnamed = f"; a source nobody named: {named}{more}" if strangers else ""
    figures = tuple((key, float(count)) for key, count in counts.items() if count)

    def said(outcome: Outcome, text: str) -> Result:
        return Result("port", picture.name, outcome, text + unnamed, figures)

    if picture.up is not True:
        return said(Outcome.WRONG, picture.text or "nothing heard from it since the start")
    if picture.unwell:
        return said(Outcome.WRONG, picture.unwell)
    spoilt = [
        f"{count} {means}" for key, means in _DAMAGE.items() if (count := counts.get(key, 0)) > max(_FEW, _SHARE * good)
    ]
    if spoilt:
        return said(Outcome.WRONG, f"{good} values, " + ", ".join(spoilt))
    return said(Outcome.OK, f"connected, {good} values")
