"""Leaks at hold: a load on bags that sinks, and a fixed volume of air that loses pressure.

A leaking bag under load shows no falling pressure: the load goes on pressing, and sinks. A bag (or shore) whose height is
fixed because the load stands on shores does lose pressure. Both are a straight line fitted to what came in since nobody
touched anything, for as long back as it is straight, with its error. Whether anybody fills or vents, and what to say of a
leak, is decided elsewhere.

Air that has just been pressed in is warm and shrinks as it cools, at constant load as well as in a fixed volume. Where no
sensor gives its temperature the first while after a fill is left out; slower cooling still looks like a leak.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import fsum, hypot, sqrt
from operator import mul

from drivers.quick import quick

P_ATM = 101_325.0
"""Standard atmosphere, Pa (exact; CGPM 1954)."""

_SIGNIFICANT = 4.0
"""Standard deviations a rate must exceed (common practice, no source)."""
_SINKS_M_S = 0.05e-3
"""Sinking slower than this, 3 mm a minute, is creep (common practice, no source)."""
_LOSES_PA_S = 10.0
"""Loss slower than this, 0.36 bar an hour, is not called a leak (invented)."""
_HOLD_OFF_NS = 20_000_000_000
"""How long air is left to cool after a fill (invented)."""
_BLOCK_NS = 1_000_000_000
"""Readings are averaged over this: longer than the filters before them remember, so that the means err independently."""
_FEWEST = 10
"""Means before there is a rate (invented): fewer make four standard deviations no rare thing."""
_MOST = 300
"""Means kept: five minutes (invented)."""
_UNCORRECTED_S = 60.0
"""How long a pressure must have fallen along one line to be called a leak where no temperature is known: cooling slows
down meanwhile (invented)."""
_JOLT = 5.0
"""Standard deviations by which a mean off the line shows that something else has moved (invented)."""
_SURELY = 1.0 - 1e-9
"""Less than this share of a limit lies under it, whatever was rounded on the way."""
_ROUNDING = 1e-9
"""Share of a reading that is nothing but rounding: readings without noise are no jolt to one another."""
_CREDIBLE = 1e12
"""No reading is larger, in any unit used here: what is comes from a broken sensor, and its square must stay finite."""


@quick
@dataclass(frozen=True, slots=True)
class SinkPicture:
    """How fast a stack head sinks at hold (m/s, down positive), one standard deviation, over how long that was seen (s).

    `significant`: beyond four standard deviations and beyond creep.
    """

    sink_m_s: float
    sink_sd_m_s: float
    over_s: float
    significant: bool


@quick
@dataclass(frozen=True, slots=True)
class LossPicture:
    """How fast a fixed volume loses air (gauge Pa/s at the first temperature and volume seen, loss positive).

    One standard deviation, over how long that was seen (s). `corrected`: for temperature; if not, a loss may be cooling.
    `free_air_m3_s`: the loss as air at atmospheric pressure, None where the volume is not known. `significant`: beyond
    four standard deviations and 10 Pa/s, and for a minute where it is not corrected.
    """

    loss_pa_s: float
    loss_sd_pa_s: float
    over_s: float
    corrected: bool
    free_air_m3_s: float | None
    significant: bool


class _Line:
    """A least-squares line through (t, y, square of its noise): about its mean point, slope up positive. Nobody changes one."""

    __slots__ = ("_residuals", "_variance", "n", "noise", "slope", "stt", "t", "y")

    def __init__(self, ts: list[float], ys: list[float], squares: list[float]) -> None:
        """Fit it. At least three points, at different times."""
        n = self.n = len(ts)
        t, y = fsum(ts) / n, fsum(ys) / n
        later, higher = [it - t for it in ts], [it - y for it in ys]
        self.t, self.y = t, y
        self.stt = fsum([it**2 for it in later])
        self.slope = fsum(map(mul, later, higher)) / self.stt
        self.noise = fsum(squares) / n
        """Of one point: the mean square of what was said of it."""
        self._residuals: tuple[list[float], list[float]] | None = (later, higher)
        self._variance = 0.0

    @property
    def variance(self) -> float:
        """Of one point about it: what the residuals show, or what the noise says if that is more. Worked out when first asked."""
        if self._residuals is not None:
            slope, (later, higher) = self.slope, self._residuals
            left = fsum([(up - slope * on) ** 2 for on, up in zip(later, higher, strict=True)]) / (self.n - 2)
            self._variance = max(left, self.noise) + (_ROUNDING * self.y) ** 2
            self._residuals = None
        return self._variance

    @property
    def slope_sd(self) -> float:
        """One standard deviation of `slope`."""
        return sqrt(self.variance / self.stt)

    @property
    def over_s(self) -> float:
        """How long it is: as long as so many points evenly spread."""
        return sqrt(12.0 * self.stt / self.n)

    def misses(self, t: float, y: float) -> bool:
        """Whether a new point lies off it beyond chance."""
        off = y - self.y - self.slope * (t - self.t)
        return off * off > _JOLT**2 * self.variance * (1.0 + 1.0 / self.n + (t - self.t) ** 2 / self.stt)

    def bends(self, after: _Line) -> bool:
        """Whether the line after it runs on at another slope, beyond chance."""
        apart = abs(after.slope - self.slope)
        if apart < _SURELY * _SIGNIFICANT * hypot(sqrt(after.noise / after.stt), sqrt(self.noise / self.stt)):
            return False  # by their noise alone: however they scatter, they are not known better
        return apart > _SIGNIFICANT * hypot(after.slope_sd, self.slope_sd)

    def falls(self, limit: float) -> bool:
        """Whether it falls beyond doubt, and faster than `limit`."""
        return -self.slope > max(limit, _SIGNIFICANT * self.slope_sd)


class _Trend:
    """What came in since the last restart, as means over a second, for as long back as it is one straight line.

    After a jolt it starts again; where it bends, the older half is forgotten: what has stopped is no leak any more. The
    noise of a mean is taken as that of one reading, as if averaging had not helped: what remains of a reading's error is
    often the same over the whole second.
    """

    def __init__(self) -> None:
        self.restart()

    def restart(self) -> None:
        """Forget everything."""
        self.line: _Line | None = None
        self._means: tuple[list[float], list[float], list[float]] = [], [], []
        """Times, values, squares of their noises."""
        self._block: list[tuple[float, float, float]] = []
        self.from_ns: int | None = None
        """When its first reading came; None while there is nothing to forget."""
        self._block_ns = 0

    def add(self, now_ns: int, value: float, noise: float) -> None:
        """Take one reading and its standard deviation; one that is not a number or goes back in time is left out."""
        if not (-_CREDIBLE < value < _CREDIBLE and 0.0 <= noise < _CREDIBLE):
            return
        if self.from_ns is None:
            self.from_ns = self._block_ns = now_ns
        t, block = (now_ns - self.from_ns) * 1e-9, self._block
        if block and t < block[-1][0]:
            return
        if now_ns - self._block_ns >= _BLOCK_NS:
            size = len(block)
            mean_t, mean, mean_noise = (fsum(column) / size for column in zip(*block, strict=True))
            self._take(mean_t, mean, mean_noise**2)
            self._block, self._block_ns = [(t, value, noise)], now_ns
        else:
            block.append((t, value, noise))

    def _take(self, mean_t: float, mean: float, square: float) -> None:
        ts, ys, squares = self._means
        half = _FEWEST // 2
        if len(ts) >= half and (self.line or _Line(ts, ys, squares)).misses(mean_t, mean):
            self._forget(len(ts))
        ts.append(mean_t)
        ys.append(mean)
        squares.append(square)
        self._forget(len(ts) - _MOST)
        while len(ts) > _FEWEST:
            middle = len(ts) // 2
            older = _Line(ts[:middle], ys[:middle], squares[:middle])
            if not older.bends(_Line(ts[middle:], ys[middle:], squares[middle:])):
                break
            self._forget(min(middle, len(ts) - _FEWEST))
        self.line = _Line(ts, ys, squares) if len(ts) >= _FEWEST else None

    def _forget(self, count: int) -> None:
        """Leave out so many of the oldest means."""
        if count > 0:
            for column in self._means:
                del column[:count]


class _Hold:
    """Since when nobody has filled or vented."""

    def __init__(self) -> None:
        self._since_ns: int | None = None

    def still_for_ns(self, now_ns: int, still: bool) -> int | None:
        """How long it has been quiet as far as is known, None while it is not."""
        if not still:
            self._since_ns = None
            return None
        if self._since_ns is None:
            self._since_ns = now_ns
        return now_ns - self._since_ns


class Sinking:
    """The sinking of one stack head at hold, load on the bags: followed from tick to tick."""

    def __init__(self) -> None:
        self.reset()

    def reset(self) -> None:
        """Start again: something was moved that `still` does not tell of."""
        self._trend, self._hold = _Trend(), _Hold()
        self._said: tuple[_Line | None, SinkPicture | None] = (None, None)
        """What the last line says, which there is a new one of once a second."""

    def tick(self, now_ns: int, still: bool, rise_m: float | None, rise_sd_m: float = 0.0) -> SinkPicture | None:
        """How fast it sinks. `still`: nobody fills or vents a bag of this stack, nor moves the load otherwise.

        `rise_m`: of the stack head (up positive), with its standard deviation; None while it is not known. None until
        there is a rate: 20 s for the air to cool and ten for a line.
        """
        quiet = self._hold.still_for_ns(now_ns, still)
        if quiet is None:
            if self._trend.from_ns is not None:
                self._trend.restart()
            return None
        if rise_m is None or quiet < _HOLD_OFF_NS:
            return None
        self._trend.add(now_ns, rise_m, rise_sd_m)
        line = self._trend.line
        if line is not self._said[0]:
            said = SinkPicture(-line.slope, line.slope_sd, line.over_s, line.falls(_SINKS_M_S)) if line else None
            self._said = line, said
        return self._said[1]


class PressureLoss:
    """The loss of one shut bag or shore whose volume stays as it is, load on shores: followed from tick to tick."""

    def __init__(self, atmospheric_pa: float = P_ATM) -> None:
        self.atmospheric_pa = atmospheric_pa
        self.reset()

    def reset(self) -> None:
        """Start again: something was changed that `still` does not tell of."""
        self._trend, self._hold = _Trend(), _Hold()
        self._reference: tuple[float | None, float | None] = (None, None)
        self._said: tuple[_Line | None, LossPicture | None] = (None, None)
        """What the last line says, which there is a new one of once a second: with another reference there is none."""

    def tick(
        self,
        now_ns: int,
        still: bool,
        pressure_pa: float | None,
        noise_pa: float = 0.0,
        temperature_k: float | None = None,
        volume_m3: float | None = None,
    ) -> LossPicture | None:
        """How fast it loses air. `still`: nobody fills or vents it. `pressure_pa` gauge, None while it is not known.

        `temperature_k` of the air inside and `volume_m3`, where they are known: with them a pressure that follows them
        is no loss. Without a temperature nothing is said within 20 s of a fill. None until there is a rate.
        """
        quiet = self._hold.still_for_ns(now_ns, still)
        temperature = None if temperature_k is None else _positive(temperature_k)
        volume = None if volume_m3 is None else _positive(volume_m3)
        before_t, before_v = self._reference
        if quiet is None or (temperature is None) != (before_t is None) or (volume is None) != (before_v is None):
            if self._trend.from_ns is not None:
                self._trend.restart()
            self._reference = before_t, before_v = temperature, volume
        if quiet is None or pressure_pa is None or (temperature is None and quiet < _HOLD_OFF_NS):
            return None
        warmer = temperature / before_t if temperature and before_t else 1.0
        larger = volume / before_v if volume and before_v else 1.0
        self._trend.add(now_ns, at_reference(pressure_pa, warmer, larger, self.atmospheric_pa), noise_pa)
        line = self._trend.line
        if line is not self._said[0]:
            self._said = line, self._says(line, temperature is not None, before_v) if line else None
        return self._said[1]

    def _says(self, line: _Line, corrected: bool, volume: float | None) -> LossPicture:
        return LossPicture(
            loss_pa_s=-line.slope,
            loss_sd_pa_s=line.slope_sd,
            over_s=line.over_s,
            corrected=corrected,
            free_air_m3_s=-line.slope * volume / self.atmospheric_pa if volume and self.atmospheric_pa > 0.0 else None,
            significant=line.falls(_LOSES_PA_S) and (corrected or line.over_s >= _UNCORRECTED_S),
        )


def at_reference(pressure_pa: float, warmer: float, larger: float, atmospheric_pa: float = P_ATM) -> float:
    """The gauge pressure (Pa) that air of gauge `pressure_pa` would have at its reference temperature and volume.

    `warmer`, `larger`: its absolute temperature and volume now over those at the reference. p V / T is constant with p
    absolute (ideal gas: Boyle, Gay-Lussac), which is why the atmosphere counts.
    """
    return (pressure_pa + atmospheric_pa) * larger / warmer - atmospheric_pa if warmer > 0.0 else pressure_pa


def _positive(value: float) -> float | None:
    return value if 0.0 < value < _CREDIBLE else None
