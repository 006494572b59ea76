"""What is known of each channel by itself: its last reading, whether it is live, and what it was at the zero.

Staleness is decided here and nowhere else, and so is what a channel's own readings give away: a value that stands to the
bit where it used to tremble is frozen, one that trembles far more than at the zero is noisy. A value that is stale, out of
range, frozen or merely handed over from a store is still shown, but nothing is computed from it; a noisy one is
computed with as the poor witness it is. What the other sensors say against a channel is put here by pose.py.
"""

from __future__ import annotations

import itertools
from collections import deque
from dataclasses import dataclass
from math import fsum, inf, isfinite, sqrt

from drivers.config import Channel
from drivers.current_loop import failing
from drivers.reading import Quality, Reading
from monitor.engine.kalman import RateFilter
from monitor.engine.picture import SensorPicture, SensorStatus
from monitor.rig.curve import Curve

ZERO_WINDOW_NS = 2_000_000_000
"""How much of the past a zero looks at, and how long a signal must have been still."""

_USUAL_NOISE = {"length": 0.0005, "pressure": 1000.0, "angle": 0.0009, "force": 200.0}
"""One standard deviation where the rig file gives none (common practice, no source)."""

_CREDIBLE = {
    "length": 1e3,
    "pressure": 1e9,
    "angle": 7.0,
    "force": 1e10,
    "temperature": 1e4,
    "current": 1e3,
    "voltage": 1e6,
}
"""Beyond this, either way, no sensor's value is computed with, whatever the rig file allows."""

_FROZEN_NS, _FROZEN_COUNT = 2_000_000_000, 20
"""A channel is frozen when it has read the same to the bit for this long and this often (and see `_longest_run`)."""
_COARSE_RUN = 5
"""A channel that read the same so often in a row at its zero is a coarse one: standing still means nothing there."""
_COARSE_SDS = 2.0
"""A channel whose least step is more than so many standard deviations of its noise may well read the same for long."""
_ROUGH_MEMORY = 1.0 / 40.0
"""Share of a new reading in the running estimate of the noise."""
_NOISY_SQUARED, _QUIET_SQUARED = 9.0, 4.0
"""Variances at which a channel is called noisy, and no longer so: three and two times its noise (common practice, no source)."""
_ROUGHEST = 60.0
"""Variances at which one reading's share in that estimate is cut: one shock does not make a sensor noisy."""
_SURELY_Z = 3.09
"""One in a thousand: how sure the zero must be that a channel is noisier than the rig file says."""

_AGILITY = {"length": (3e-6, 5e-3), "pressure": (1e7, 5e4), "angle": (1e-6, 5e-3), "force": (1e6, 1e4)}
"""For each quantity's rate filter: density of its acceleration (unit^2/s^3; a quarter of a second of smoothing at 20 Hz)
and how fast it may be changing when first seen (unit/s). From what lifts do; common practice, no source."""


_SAID = {
    Quality.FAILURE: SensorStatus.FAILED,
    Quality.CHECK: SensorStatus.CHECK,
    Quality.OUT_OF_SPECIFICATION: SensorStatus.OUT_OF_RANGE,
}
"""What a device or its loop says of itself, as the status it makes: there is no value, or none to compute with."""
_OK, _MAINTENANCE, _STALE = SensorStatus.OK, SensorStatus.MAINTENANCE, SensorStatus.STALE
_GOOD, _OLD, _ASKS = Quality.GOOD, Quality.OLD, Quality.MAINTENANCE
_NEVER_NS = -(1 << 63)
"""Before anything: a channel that is not live, whatever the time."""
_OWN_WORDS = {
    Quality.FAILURE: "says failed",
    Quality.CHECK: "under check",
    Quality.OUT_OF_SPECIFICATION: "out of specification",
    Quality.MAINTENANCE: "asks for maintenance",
}


@dataclass(frozen=True, slots=True)
class Baseline:
    """What a channel read while everything rested: mean, standard deviation of one reading, how many readings, and how
    many of them in a row were the same."""

    mean: float
    sd: float
    count: int
    longest_run: int = 1


class ChannelState:
    """One channel, as it stands. Feed it readings with `take`; ask it at a tick.

    `curve`: its calibration. A reading is corrected by it before anything else looks at it.
    """

    def __init__(self, channel: Channel, curve: Curve | None = None) -> None:
        self.channel, self.curve = channel, curve
        self.noise = (channel.noise or _USUAL_NOISE.get(channel.quantity, 1.0)) * (curve.gain if curve else 1.0)
        self.stale_after_ns = round(channel.stale_after * 1e9)
        self._named = channel.name, channel.quantity, channel.source.port
        agility, rate_sd = _AGILITY.get(channel.quantity, (self.noise**2, self.noise))
        self.filter = RateFilter(self.noise, agility, rate_sd)
        self.baseline: Baseline | None = None
        self.last: Reading | None = None
        credible = _CREDIBLE[channel.quantity]
        low, high = channel.range if channel.range is not None else (-credible, credible)
        self._low, self._high = max(low, -credible), min(high, credible)
        self.in_range = True
        self.excluded = False
        """The other sensors agree that this one is lying. Set by `leave_out`."""
        self.disputed: tuple[str, ...] = ()
        """One of these and this one is lying, and nobody can say which."""
        self.unzeroed = False
        """It came alive after the zero, so that nothing can be measured from there. Set by `measure`."""
        self.gone = False
        """Its sender was said to be gone: it is silent from then on, however short a time. Set by `went`."""
        self.frozen = self.noisy = False
        self.variance = self._usual_variance = self.noise**2
        """`sd` squared."""
        self._usual_sd = self.noise
        self._barred = False  # one of the three above
        self._live_until_ns = _NEVER_NS
        """Until when it is live if it says nothing more. A reading makes this stale, and so does what is said of its channel."""
        self._rough: float | None = None
        self._run = 1
        self._run_since_ns = 0
        self._finest = inf  # the least step it was seen to take
        self._recent: deque[tuple[int, float]] = deque()
        self._before = 0.0, 0.0, 0.0  # the three values before the last, where there are as many
        self._live_since_ns: int | None = None
        self._as_read = self._as_read_at_zero = 0.0

    def take(self, reading: Reading) -> bool:
        """Take one reading; True if it is live and in range, so that it may be computed with."""
        quality = reading.quality
        if quality is _OLD:
            return False
        as_read = value = reading.value
        if self.curve is not None and not quality.void and isfinite(true := self.curve.true(as_read)):
            value = true
            reading = Reading(reading.channel, reading.sequence, reading.time_ns, reading.device_time_ns, true, quality)
        last, self.last = self.last, reading
        if quality is not _GOOD and not quality.valid:
            self._live_since_ns, self.frozen, self._live_until_ns = None, False, _NEVER_NS
            return False
        time_ns, recent = reading.time_ns, self._recent
        if last is None:
            self._live_since_ns = time_ns
            self._run, self._run_since_ns, self.frozen = 1, time_ns, False
        else:
            if time_ns - last.time_ns > self.stale_after_ns:
                self._live_since_ns = time_ns
                recent.clear()
            step = value - last.value
            if step == 0.0:
                self._stands(time_ns)
            else:
                if step < 0.0:
                    step = -step
                if step < self._finest:
                    self._finest = step
                self._run, self._run_since_ns, self.frozen = 1, time_ns, False
        if not self._low <= value <= self._high:
            self._live_since_ns, self.in_range, self._live_until_ns = None, False, _NEVER_NS
            return False
        self.in_range, self._as_read = True, as_read
        if self._live_since_ns is None:
            self._live_since_ns = time_ns
        recent.append((time_ns, value))
        oldest = time_ns - ZERO_WINDOW_NS
        while recent[0][0] < oldest:
            recent.popleft()
        v0, v1, v2 = self._before
        self._before = v1, v2, value
        if self.baseline is not None and len(recent) > 3:
            self._listen(value - 3.0 * v2 + 3.0 * v1 - v0)
        if self.frozen:
            self._live_until_ns = _NEVER_NS
            return False
        self._live_until_ns = _NEVER_NS if self._barred else time_ns + self.stale_after_ns
        self.filter.update(time_ns, value)
        return True

    def leave_out(self, out: bool) -> None:
        """Compute nothing from it, or do so again: the other sensors agree that it is lying, or that it no longer is."""
        self.excluded = out
        self._until()

    def measure(self, measured: bool) -> None:
        """Whether anything can be measured from it since the zero."""
        self.unzeroed = not measured
        self._until()

    def went(self, gone: bool) -> None:
        """Its sender was said to be gone, or to be back."""
        self.gone = gone
        self._until()

    def _until(self) -> None:
        """Find anew until when it is live."""
        last = self.last
        self._barred = self.excluded or self.unzeroed or self.gone
        sound = last is not None and last.quality.valid and self.in_range and not self.frozen and not self._barred
        self._live_until_ns = last.time_ns + self.stale_after_ns if sound and last is not None else _NEVER_NS

    @property
    def sd(self) -> float:
        """One standard deviation of a reading: as the rig file says, more where the zero or the last seconds showed it."""
        if not self.noisy or self._rough is None:
            return self._usual_sd
        return max(self._usual_sd, sqrt(self._rough))

    @property
    def calibration_sd(self) -> float:
        """One standard uncertainty of the last value by its calibration; 0 where none is known. It is the same at every
        reading, and no part of `sd`."""
        return self.curve.sd(self._as_read) if self.curve is not None and self.last is not None else 0.0

    @property
    def calibration_sd_since_zero(self) -> float:
        """The same of how far the value has gone since the zero: what is off by as much at both cancels."""
        if self.curve is None or self.baseline is None:
            return 0.0
        return self.curve.sd_between(self._as_read, self._as_read_at_zero)

    @property
    def way(self) -> float:
        """How far the last value itself is from the zero's mean; 0 before either."""
        return self.last.value - self.baseline.mean if self.last is not None and self.baseline is not None else 0.0

    def _credible_sd(self, at: Baseline) -> float:
        """The zero's own spread where it is surely more than the rig file says (chi-square, one in a thousand, by Wilson
        and Hilferty 1931), else what the rig file says."""
        share = 2.0 / (9.0 * max(1, at.count - 1))
        return at.sd if (at.sd / self.noise) ** 2 > (1.0 - share + _SURELY_Z * sqrt(share)) ** 3 else self.noise

    def _stands(self, time_ns: int) -> None:
        """It reads the same again, to the bit: whether for too long. Never said of one that stood as still at its zero, nor of one
        whose digits are coarser than its noise, which stands still wherever that does not reach the next."""
        self._run += 1
        still = self._run >= _FROZEN_COUNT and time_ns - self._run_since_ns >= _FROZEN_NS
        coarse = _COARSE_SDS * self.noise < self._finest < inf
        self.frozen = still and not coarse and self.baseline is not None and self.baseline.longest_run < _COARSE_RUN

    def _listen(self, third: float) -> None:
        """Follow the noise by third differences, which a smooth motion hardly touches (of white noise: 20 variances)."""
        usual, rough = self._usual_variance, self._rough
        seen, most = third**2 / 20.0, _ROUGHEST * usual
        if seen > most:
            seen = most
        self._rough = rough = usual if rough is None else rough + _ROUGH_MEMORY * (seen - rough)
        if self.noisy or rough > _NOISY_SQUARED * usual:
            self.noisy = rough > (_QUIET_SQUARED if self.noisy else _NOISY_SQUARED) * usual
            self.variance = self.sd**2 if self.noisy else usual

    def status(self, now_ns: int) -> SensorStatus:
        """How far this channel may be believed now."""
        last = self.last
        if last is None:
            return SensorStatus.NEVER_SEEN
        if self.gone or now_ns - last.time_ns > self.stale_after_ns:
            return _STALE
        if (quality := last.quality) is not _GOOD and (said := _SAID.get(quality)) is not None:
            return said
        if not self.in_range:
            return SensorStatus.OUT_OF_RANGE
        if self.frozen:
            return SensorStatus.FAILED
        if self.excluded or self.unzeroed or self.disputed:
            return SensorStatus.CHECK
        return _MAINTENANCE if self.noisy or quality is _ASKS else _OK

    @property
    def void(self) -> bool:
        """Whether its device or its loop said last that there is no value."""
        return self.last is not None and self.last.quality.void

    def heard(self, now_ns: int) -> bool:
        """Whether it is to be heard at all: live by itself, whatever the others say of it."""
        last = self.last
        if last is None or self.gone or self.frozen or not self.in_range:
            return False
        return now_ns - last.time_ns <= self.stale_after_ns and (last.quality is _GOOD or last.quality.valid)

    def live(self, now_ns: int) -> bool:
        """Whether what it reads now may be computed with: heard, and neither left out nor without a zero."""
        return now_ns <= self._live_until_ns

    def value(self, now_ns: int) -> float | None:
        """The smoothed value while live, else None."""
        return self.filter.value if now_ns <= self._live_until_ns else None

    def reading(self, now_ns: int) -> float | None:
        """The last reading itself while live, else None: what the gauge says, without the smoothing's lag."""
        return self.last.value if now_ns <= self._live_until_ns and self.last is not None else None

    def rate(self, now_ns: int) -> float | None:
        """The rate of change, per second, while live, else None."""
        return self.filter.rate if now_ns <= self._live_until_ns else None

    def since_zero(self, now_ns: int) -> float | None:
        """The smoothed value less its value at the zero, while live and zeroed, else None."""
        if now_ns > self._live_until_ns or self.baseline is None:
            return None
        return self.filter.value - self.baseline.mean

    def why_not_zero(self, now_ns: int) -> str:
        """Why no zero can be taken from this channel now, or "" if it can."""
        status = self.status(now_ns)
        if not self.heard(now_ns):  # a new zero is what a channel to check may need
            return f"{self.channel.name} is {status.value}"
        since = self._live_since_ns
        if since is None or now_ns - since < ZERO_WINDOW_NS or len(self._recent) < 2:
            return f"{self.channel.name} has not been live for 2 s"
        return f"{self.channel.name} is moving" if self._moving() else ""

    def take_zero(self) -> None:
        """Keep what the last seconds say as the baseline."""
        values = [value for _, value in self._recent]
        mean, sd = _mean_sd(values)
        runs = [len(list(same)) for _, same in itertools.groupby(values)]
        self.baseline = Baseline(mean, sd, len(values), max(runs))
        self._as_read_at_zero = self._as_read
        self._usual_sd = self._credible_sd(self.baseline)
        self.variance = self._usual_variance = self._usual_sd**2
        self._rough, self.noisy = None, False

    def _moving(self) -> bool:
        """Whether the last seconds show a trend or a spread that noise does not explain.

        The means of the older and the newer half are compared by their own spread (four standard errors), and
        the spread with three times the noise the rig file gives.
        """
        half = len(self._recent) // 2
        values = [value for _, value in self._recent]
        older, newer = values[:half], values[half:]
        (mean_0, sd_0), (mean_1, sd_1) = _mean_sd(older), _mean_sd(newer)
        sd = max(self.noise, sd_0, sd_1)
        if max(sd_0, sd_1) > 3.0 * self.noise:
            return True
        return abs(mean_1 - mean_0) > 4.0 * sd * sqrt(1.0 / len(older) + 1.0 / len(newer))

    def picture(self, now_ns: int) -> SensorPicture:
        """This channel for the picture."""
        name, quantity, port = self._named
        last, curve = self.last, self.curve
        if last is None:
            return SensorPicture(name, quantity, port, self.status(now_ns), None, None, "", self.gone)
        age_ns = now_ns - last.time_ns
        if (
            now_ns <= self._live_until_ns
            and last.quality is _GOOD
            and curve is None
            and not (self.noisy or self.disputed)
        ):
            return SensorPicture(name, quantity, port, _OK, age_ns * 1e-9 if age_ns > 0 else 0.0, last.value)
        return SensorPicture(
            name,
            quantity,
            port,
            self.status(now_ns),
            age_ns * 1e-9 if age_ns > 0 else 0.0,
            None if last.quality is not _GOOD and last.quality.void else last.value,
            "" if last.quality is _GOOD else self._says(last),
            self.gone,
            None if curve is None else self.calibration_sd,
            curve is not None and not curve.inside(self._as_read),
        )

    def _says(self, last: Reading) -> str:
        """What is wrong by the device's or the loop's own word, "" for nothing; nothing yet of a current that has not stood
        for failure long enough to be one."""
        if self.noisy and last.quality is _ASKS:
            return ""
        doubted = last.quality is Quality.CHECK and _failing_ma(self.channel, last) is not None
        return "" if doubted else own_words(self.channel, last)


def own_words(channel: Channel, reading: Reading) -> str:
    """What a reading's device or loop says is wrong with it, as the middle of a sentence; "" for nothing."""
    milliamperes = _failing_ma(channel, reading)
    return _OWN_WORDS.get(reading.quality, "") if milliamperes is None else f"at {milliamperes:.1f} mA"


def _failing_ma(channel: Channel, reading: Reading) -> float | None:
    """The current (mA) of a loop that gives no value, where it is one of those that stand for failure."""
    if channel.loop is None or not reading.quality.void:
        return None
    current_a = channel.loop.current(reading.value)
    return current_a * 1e3 if failing(current_a) else None


def _mean_sd(values: list[float]) -> tuple[float, float]:
    mean = fsum(values) / len(values)
    spread = fsum((value - mean) ** 2 for value in values)
    return mean, sqrt(spread / (len(values) - 1)) if len(values) > 1 else 0.0
