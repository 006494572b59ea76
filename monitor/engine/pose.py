"""Where the load is: rise and tilt from every height sensor and inclinometer, each at its own time and rate.

State: rise z of the load's origin and the changes a, b (since the zero) of the vertical direction cosines of the
load's x and y axes, with their rates. For points of the load's underside the model is linear at any angle:
the rise of the load-fixed point (x, y) is z + a*x + b*y, and an inclinometer along the unit axis u reads
asin of a direction cosine, so sin(reading) - sin(reading at zero) = ux*a + uy*b.

A single reading that no expected motion explains is held back; two channels that jump together, or one that has no
others to check it, open the model up instead: a real slip is not a sensor fault.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import asin, cos, hypot, sin, sqrt

from monitor.engine.channels import ChannelState
from monitor.engine.kalman import Row, TripleFilter, variance_along
from monitor.rig.schema import Rig

_GATE = 36.0
"""Squared innovation over its variance, above which a reading is held back: six standard deviations."""
_TOGETHER_NS = 250_000_000
"""Two channels held back within this time have moved together."""
_PATIENCE = 3
"""Readings in a row after which a channel with too few others is believed."""
_HELD_TO_DISAGREE = 10
"""Readings in a row held back before the channel is said to disagree with the others."""
_ACCELERATION = 3e-6
"""Density of the acceleration of a point of the load, m^2/s^3: a lift that starts or stops within a second."""
_JUMP_M, _JUMP_M_S = 0.02, 0.1
"""How far and how fast the load may have moved when the model is opened up."""
_AT_REST_M, _AT_REST_M_S = 1e-4, 1e-4
"""How far and how fast a resting load may be off at the zero."""
_VOUCHED_M = 0.02
"""The rise at a stack head is known only while the live sensors alone give it to this (one standard deviation)."""


@dataclass(frozen=True, slots=True)
class PoseEstimate:
    """The pose at one moment: state, covariance (6x6), and the absolute cosines at the zero."""

    x: tuple[float, ...]
    p: list[list[float]]
    a0: float
    b0: float

    def rise(self, x_m: float, y_m: float) -> float:
        """Rise (m) of the load-fixed point (x, y) since the zero."""
        return self.x[0] + self.x[1] * x_m + self.x[2] * y_m

    def rise_sd(self, x_m: float, y_m: float) -> float:
        """One standard deviation of `rise`."""
        return sqrt(max(0.0, variance_along(self.p, (1.0, x_m, y_m))))

    def rate(self, x_m: float, y_m: float) -> float:
        """Rise rate (m/s) of the load-fixed point (x, y)."""
        return self.x[3] + self.x[4] * x_m + self.x[5] * y_m

    def rate_sd(self, x_m: float, y_m: float) -> float:
        """One standard deviation of `rate`."""
        block = [row[3:] for row in self.p[3:]]
        return sqrt(max(0.0, variance_along(block, (1.0, x_m, y_m))))

    def tilt(self, ux: float, uy: float) -> float:
        """Tilt (rad) since the zero along the unit axis (ux, uy) of the load, positive when its + end has gone up."""
        before = ux * self.a0 + uy * self.b0
        return asin(_clip(before + ux * self.x[1] + uy * self.x[2])) - asin(_clip(before))

    def tilt_sd(self, ux: float, uy: float) -> float:
        """One standard deviation of `tilt` (small-angle: the cosine's own)."""
        return sqrt(max(0.0, variance_along(self.p, (0.0, ux, uy))))

    @property
    def absolute(self) -> tuple[float, float]:
        """Tilt of the load's x and y axes against gravity (rad)."""
        return asin(_clip(self.a0 + self.x[1])), asin(_clip(self.b0 + self.x[2]))


@dataclass(slots=True)
class _Sensor:
    """One row of the pose: a height at (x, y), or an inclinometer along the unit axis (x, y)."""

    state: ChannelState
    kind: str
    x: float
    y: float
    held: int = 0
    held_at_ns: int = -_TOGETHER_NS

    def row(self, at: PoseFilter) -> tuple[Row, float]:
        """(h, what the pose predicts) for the state as it is."""
        z, a, b = at.filter.x[:3]
        if self.kind == "tilt":
            return (0.0, self.x, self.y), self.x * a + self.y * b
        if self.kind == "load":
            return (1.0, self.x, self.y), z + self.x * a + self.y * b
        ca, cb = _clip(at.a0 + a), _clip(at.b0 + b)
        c = sqrt(max(0.05, 1.0 - ca * ca - cb * cb))
        reach = a * self.x + b * self.y  # a ground-mounted rangefinder sees the tilted underside above it
        slope = reach / c**3
        return (1.0, self.x / c + slope * ca, self.y / c + slope * cb), z + reach / c

    def measured(self, value: float) -> float:
        """The reading as the model sees it, since the zero."""
        base = self.state.baseline
        assert base is not None, "only zeroed channels are fused"
        return sin(value) - sin(base.mean) if self.kind == "tilt" else value - base.mean

    @property
    def variance(self) -> float:
        """Variance of one reading: what the rig file says, or what the zero showed if that is more."""
        base = self.state.baseline
        sd = max(self.state.noise, base.sd if base else 0.0)
        scale = cos(base.mean) if base and self.kind == "tilt" else 1.0
        return (sd * scale) ** 2


class PoseFilter:
    """Fuses the pose channels of a rig. Dead until `zero` has been called."""

    def __init__(self, rig: Rig, states: dict[str, ChannelState]) -> None:
        self.heads = [stack.at for stack in rig.stack]
        self._sensors = {
            sensor.channel: _Sensor(states[sensor.channel], sensor.mount, *sensor.at) for sensor in rig.height
        }
        for tilt in rig.tilt:
            length = hypot(*tilt.axis)
            axis = tilt.axis[0] / length, tilt.axis[1] / length
            self._sensors[tilt.channel] = _Sensor(states[tilt.channel], "tilt", *axis)
        points = [*self.heads, *(sensor.at for sensor in rig.height)]
        self._size = max(1.0, max(hypot(*point) for point in points))
        self.a0 = self.b0 = 0.0
        self.filter = TripleFilter((0.0,) * 3, (0.0,) * 3, (0.0,) * 3)
        self.time_ns: int | None = None

    @property
    def channels(self) -> tuple[str, ...]:
        """The channels the pose is made from."""
        return tuple(self._sensors)

    def zero(self, now_ns: int) -> None:
        """Start from rest here and now. The zeroed channels have their baselines already."""
        self.filter = TripleFilter(
            self._spread(_ACCELERATION), self._spread(_AT_REST_M**2), self._spread(_AT_REST_M_S**2)
        )
        self.a0, self.b0 = self._level()
        self.time_ns = now_ns
        for sensor in self._sensors.values():
            sensor.held = 0
            sensor.state.disagrees = False

    def _spread(self, variance: float) -> Row:
        """A variance of heights, for z and, at the arm of the farthest point, for the two cosines."""
        lever = self._size**2
        return variance, variance / lever, variance / lever

    def _level(self) -> tuple[float, float]:
        """The absolute cosines at the zero, from the inclinometers (least squares); 0 along an axis none sees."""
        sxx = sxy = syy = sx = sy = 0.0
        for sensor in self._sensors.values():
            if sensor.kind == "tilt" and sensor.state.baseline is not None:
                reading = sin(sensor.state.baseline.mean)
                sxx, sxy, syy = sxx + sensor.x**2, sxy + sensor.x * sensor.y, syy + sensor.y**2
                sx, sy = sx + sensor.x * reading, sy + sensor.y * reading
        det = sxx * syy - sxy * sxy
        if det > 1e-6:
            return (syy * sx - sxy * sy) / det, (sxx * sy - sxy * sx) / det
        total = sxx + syy  # one direction only: along it, and level across
        return (sx / total, sy / total) if total > 0.0 else (0.0, 0.0)

    def accept(self, channel: str, time_ns: int, value: float) -> None:
        """Fuse one live reading."""
        sensor = self._sensors.get(channel)
        if sensor is None or self.time_ns is None or sensor.state.baseline is None:
            return
        if time_ns > self.time_ns:
            self.filter.predict((time_ns - self.time_ns) * 1e-9)
            self.time_ns = time_ns
        h, predicted = sensor.row(self)
        innovation = sensor.measured(value) - predicted
        r = sensor.variance
        if innovation * innovation > _GATE * self.filter.innovation_variance(h, r):
            sensor.held += 1
            sensor.held_at_ns = time_ns
            sensor.state.disagrees = sensor.held >= _HELD_TO_DISAGREE
            if not self._load_has_moved(sensor, time_ns):
                return
            self.filter.open_up(self._spread(_JUMP_M**2), self._spread(_JUMP_M_S**2))
        sensor.held = 0
        sensor.state.disagrees = False
        self.filter.update(h, innovation, r)

    def _load_has_moved(self, sensor: _Sensor, time_ns: int) -> bool:
        """Whether what was held back is the load's doing: another channel jumps too, or too few are left to say no."""
        others = [other for other in self._sensors.values() if other is not sensor and other.state.baseline]
        jumping = [other for other in others if other.held and not other.state.disagrees]
        if any(time_ns - other.held_at_ns <= _TOGETHER_NS for other in jumping):
            return True
        live = [other for other in others if other.state.live(time_ns) and not other.held]
        return sensor.held >= _PATIENCE and not self._vouched(live)

    def estimate(self, now_ns: int) -> PoseEstimate | None:
        """The pose now, or None before the zero and while the live sensors cannot vouch for it."""
        if self.time_ns is None:
            return None
        live = [s for s in self._sensors.values() if s.state.baseline is not None and s.state.live(now_ns)]
        if not self._vouched(live):
            return None
        ahead = self.filter.copy()
        ahead.predict((now_ns - self.time_ns) * 1e-9)
        return PoseEstimate(tuple(ahead.x), ahead.p, self.a0, self.b0)

    def missing(self, now_ns: int) -> tuple[str, ...]:
        """The pose channels that say nothing now: not live, or without a zero."""
        return tuple(name for name, s in self._sensors.items() if s.state.baseline is None or not s.state.live(now_ns))

    def _vouched(self, sensors: list[_Sensor]) -> bool:
        """Whether these sensors alone, one reading each, give the rise at every stack head well enough."""
        g = [[0.0] * 3 for _ in range(3)]
        for sensor in sensors:
            h, weight = sensor.row(self)[0], 1.0 / sensor.variance
            for i in range(3):
                for j in range(3):
                    g[i][j] += h[i] * h[j] * weight
        det = (
            g[0][0] * (g[1][1] * g[2][2] - g[1][2] * g[2][1])
            - g[0][1] * (g[1][0] * g[2][2] - g[1][2] * g[2][0])
            + g[0][2] * (g[1][0] * g[2][1] - g[1][1] * g[2][0])
        )
        if det <= 1e-9 * g[0][0] * g[1][1] * g[2][2] or det <= 0.0:
            return False
        cofactor = [
            [
                g[1][1] * g[2][2] - g[1][2] ** 2,
                g[0][2] * g[1][2] - g[0][1] * g[2][2],
                g[0][1] * g[1][2] - g[0][2] * g[1][1],
            ],
            [0.0, g[0][0] * g[2][2] - g[0][2] ** 2, g[0][1] * g[0][2] - g[0][0] * g[1][2]],
            [0.0, 0.0, g[0][0] * g[1][1] - g[0][1] ** 2],
        ]
        inverse = [[value / det for value in row] for row in cofactor]
        return all(variance_along(inverse, (1.0, x, y)) <= _VOUCHED_M**2 for x, y in self.heads)


def _clip(cosine: float) -> float:
    return -1.0 if cosine < -1.0 else 1.0 if cosine > 1.0 else cosine
