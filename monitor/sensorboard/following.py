"""Follows every channel and port of a rig: readings and pictures in, the board's picture out.

The health word of a channel is the engine's. How often it speaks and how much it trembles is counted here, and what was wrong
with it last is kept here after it went. No clock, no thread: time is what readings and pictures say.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import islice, pairwise
from math import fsum, isfinite, sqrt
from statistics import median

from drivers.config import Channel
from drivers.reading import Quality, Reading
from monitor import quantities as show
from monitor.engine.channels import ChannelState
from monitor.engine.picture import AlarmState, Picture, PortPicture, SensorPicture, SensorStatus
from monitor.rig.calibrated import curve_of, newest
from monitor.rig.curve import Curve
from monitor.rig.schema import Rig
from monitor.sensorboard.picture import BoardPicture, ChannelRow, Fault, PortRow, Wrong

WINDOW_NS = 5_000_000_000
"""Rate and noise are those of so long a past (invented)."""
RECENT_NS, RECENT = 60_000_000_000, 6_000
"""So long a past, and so many readings a channel at most, are kept to be exported."""
NOISY = 3.0
"""Times the rig file's noise from where on a channel is called noisier than that (common practice, no source)."""
FEWEST = 10
"""Readings before anything is said of the noise (invented)."""
NOISE_OF = 100
"""The noise is that of so many newest readings at most: known to 9 %, and soon found where sensors speak fast."""
_FEW = 4
"""So many readings are looked at for the rate, however long ago: a slow sensor has one, too."""
_MEDIAN = 0.4549364231195724
"""The median of the square of a standard normal number (chi-square with one degree of freedom)."""
_CALM_S = 5.0
"""So long after its trouble has gone a channel stays on top (invented): rows that come and go cannot be read."""
_STATES = (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.RETURNED)
_OURS = ("sensor-", "link-lost")

_WRONG = {
    SensorStatus.STALE: Wrong.STALE,
    SensorStatus.OUT_OF_RANGE: Wrong.RANGE,
    SensorStatus.FAILED: Wrong.FROZEN,
    SensorStatus.CHECK: Wrong.DISAGREES,
    SensorStatus.MAINTENANCE: Wrong.NOISY,
}


def trembling(values: Sequence[float]) -> float | None:
    """Standard deviation of one reading by the squares of successive differences, half their mean: a channel that moves
    slowly is not called noisy for it (von Neumann 1941). None of fewer than ten."""
    if len(values) < FEWEST:
        return None
    steps = fsum((after - before) ** 2 for before, after in pairwise(values))
    return sqrt(steps / (2.0 * (len(values) - 1)))


def trembles_throughout(values: Sequence[float], noise: float) -> bool:
    """Whether values tremble far beyond `noise` (one standard deviation), and not for a part of the time only: the median
    of the squared differences must say so as well. A hand that moves a sensor for less than half of the time is no noise."""
    whole = trembling(values)
    if whole is None or whole <= NOISY * noise:
        return False
    middle = median((after - before) ** 2 for before, after in pairwise(values))
    return sqrt(middle / (2.0 * _MEDIAN)) > NOISY * noise


class _Followed:
    """One channel."""

    def __init__(self, channel: Channel, units: str, where: str, curve: Curve | None) -> None:
        self.channel, self.where, self._units, self._curve = channel, where, units, curve
        self.noise_said = ChannelState(channel, curve).noise
        self.fault: Fault | None = None
        self.recent: deque[tuple[float, float]] = deque(maxlen=RECENT)
        """(seconds since 1970, value) of the last minute."""
        self.begin()

    def begin(self) -> None:
        """A session begins: its clock starts anew."""
        self._times: deque[int] = deque(maxlen=RECENT)
        self._window: deque[tuple[int, float]] = deque(maxlen=RECENT)
        self._beyond: float | None = None
        self._noisy = False
        self._device_ns: int | None = None
        self.stored = 0

    def take(self, reading: Reading, utc: float) -> None:
        if reading.quality is Quality.OLD:
            self.stored += 1
            return
        self._times.append(reading.time_ns)
        self._device_ns = reading.device_time_ns
        self._forget(reading.time_ns)
        if reading.quality.void:
            return
        value = reading.value
        if self._curve is not None and isfinite(true := self._curve.true(value)):
            value = true
        self.recent.append((utc, value))
        while utc - self.recent[0][0] > RECENT_NS * 1e-9:
            self.recent.popleft()
        if not reading.quality.valid:
            return
        self._window.append((reading.time_ns, value))
        low, high = self.channel.range or (float("-inf"), float("inf"))
        if not low <= value <= high:
            self._beyond = value

    def _forget(self, now_ns: int) -> None:
        while len(self._times) > _FEW and now_ns - self._times[0] > WINDOW_NS:
            self._times.popleft()
        while len(self._window) > _FEW and now_ns - self._window[0][0] > WINDOW_NS:
            self._window.popleft()

    def rate_hz(self, now_ns: int, status: SensorStatus) -> float | None:
        self._forget(now_ns)
        if status is SensorStatus.STALE:
            return 0.0
        if len(self._times) < 2 or self._times[-1] <= self._times[0]:
            return None
        return (len(self._times) - 1) / ((self._times[-1] - self._times[0]) * 1e-9)

    def noise(self) -> float | None:
        """The noise over the window; what is wrong by it is found at the next look."""
        newest = islice(reversed(self._window), NOISE_OF)
        values = [value for _, value in newest]
        self._noisy = trembles_throughout(values, self.noise_said)
        return trembling(values)

    def look(self, sensor: SensorPicture, port: PortPicture, utc: float) -> None:
        """See what is wrong now, and keep what was."""
        found, before = self._wrong(sensor, port), self.fault
        standing = before if before is not None and before.until_utc is None else None
        if standing is not None and (found is None or standing.what is not found[0]):
            self.fault, standing = replace(standing, until_utc=utc), None
        if found is not None:
            self.fault = Fault(*found, utc if standing is None else standing.since_utc)

    def _wrong(self, sensor: SensorPicture, port: PortPicture) -> tuple[Wrong, str] | None:
        beyond, self._beyond = self._beyond, None
        silent = sensor.status in (SensorStatus.STALE, SensorStatus.NEVER_SEEN)
        if silent and port.up is False:
            return Wrong.PORT, port.text
        if sensor.gone and silent:
            return Wrong.STALE, "its sender is gone"
        if not silent and (sensor.says or (sensor.status is SensorStatus.CHECK and sensor.value is None)):
            what = Wrong.DEVICE if self.channel.loop is None else Wrong.WIRE
            return what, sensor.says or "a current of failure"
        if beyond is not None and not silent:
            return Wrong.RANGE, f"read {show.value(beyond, self.channel.quantity, self._units)}"
        found = _WRONG.get(sensor.status)
        if found is None:
            return (Wrong.NOISY, "noisier than the rig file says") if self._noisy and not silent else None
        return found, self._more(found, sensor)

    def _more(self, wrong: Wrong, sensor: SensorPicture) -> str:
        value = show.value(sensor.value, self.channel.quantity, self._units)
        return {
            Wrong.RANGE: f"read {value}",
            Wrong.FROZEN: f"stuck at {value}",
            Wrong.DISAGREES: "with the others, or was silent at the zero",
            Wrong.NOISY: "noisier than at the zero",
        }.get(wrong, "")

    def row(self, sensor: SensorPicture, now_ns: int, utc: float) -> ChannelRow:
        fault, never = self.fault, sensor.status is SensorStatus.NEVER_SEEN
        late = never and now_ns > round(self.channel.stale_after * 1e9)
        recent = fault is not None and (fault.until_utc is None or utc - fault.until_utc < _CALM_S)
        return ChannelRow(
            name=self.channel.name,
            port=self.channel.source.port,
            quantity=self.channel.quantity,
            status=sensor.status,
            value=sensor.value,
            age_s=sensor.age_s,
            rate_hz=self.rate_hz(now_ns, sensor.status),
            noise=self.noise(),
            noise_said=self.noise_said,
            range=self.channel.range,
            stale_after_s=self.channel.stale_after,
            fault=fault,
            stored=self.stored,
            trouble=late or recent,
            where=self.where,
            device_utc=None if self._device_ns is None else self._device_ns * 1e-9,
        )


class Following:
    """All of a rig. `take` every reading, `look` at every picture, ask for the `board` as often as it is shown."""

    def __init__(self, rig: Rig, places: Mapping[str, str] | None = None) -> None:
        """`places`: what each channel measures, in a few words."""
        self.rig = rig
        curves = {name: curve_of(it) for name, it in newest(rig).items()}
        self._followed = {
            it.name: _Followed(it, rig.rig.units, (places or {}).get(it.name, ""), curves.get(it.name))
            for it in rig.channel
        }
        self._begun_utc = 0.0

    def begin(self, utc: float) -> None:
        """A session begins, and with it its clock at zero. What was wrong before stays known."""
        self._begun_utc = utc
        for it in self._followed.values():
            it.begin()

    def take(self, reading: Reading) -> None:
        """Take one reading."""
        it = self._followed.get(reading.channel)
        if it is not None:
            it.take(reading, self._begun_utc + reading.time_ns * 1e-9)

    def look(self, picture: Picture) -> None:
        """See what is wrong in a picture. To be called with every one, so that what is wrong for a moment is kept, too."""
        ports = {port.name: port for port in picture.ports}
        utc = self._begun_utc + picture.time_ns * 1e-9
        for sensor in picture.sensors:
            self._followed[sensor.name].look(sensor, ports[sensor.port], utc)

    def board(
        self,
        picture: Picture,
        counters: Mapping[str, Mapping[str, int]],
        strangers: Mapping[str, Mapping[str, int]],
    ) -> BoardPicture:
        """The board at a picture. `counters` and `strangers` are the ports', by name."""
        utc = self._begun_utc + picture.time_ns * 1e-9
        rows = [self._followed[it.name].row(it, picture.time_ns, utc) for it in picture.sensors]
        return BoardPicture(
            time_ns=picture.time_ns,
            utc=utc,
            rig=self.rig.rig.name,
            channels=tuple(sorted(rows, key=lambda row: not row.trouble)),
            ports=tuple(_port(it, counters.get(it.name, {}), strangers.get(it.name, {})) for it in picture.ports),
            zeroed=picture.zero.taken_ns is not None,
            zero_waits=picture.zero.why_not,
            stop=picture.stop_called,
            alarms=tuple(it for it in picture.alarms if it.state in _STATES and not it.rule.startswith(_OURS)),
            answer=picture.answer,
        )

    def recent(self) -> list[tuple[Channel, list[tuple[float, float]]]]:
        """Every channel with its readings of the last minute: (seconds since 1970, value in SI), the oldest first.

        Values are as the board shows them, corrected by their calibration.
        """
        return [(it.channel, list(it.recent)) for it in self._followed.values()]


def _port(picture: PortPicture, counts: Mapping[str, int], strangers: Mapping[str, int]) -> PortRow:
    return PortRow(
        picture.name,
        picture.up,
        picture.text or ("nothing heard from it since the start" if picture.up is None else ""),
        tuple((what, count) for what, count in counts.items() if count),
        tuple(strangers.items()),
    )
