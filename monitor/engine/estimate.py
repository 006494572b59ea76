"""The pose at one moment, with its errors: what every other part of the engine asks about rise and tilt.

How it comes about stands in pose.py.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, sqrt

from drivers.quick import quick
from monitor.engine.integrity import shift
from monitor.engine.kalman import Row
from monitor.engine.mounts import Level, asin_clipped

BOUND_SDS = 3.0
"""Standard deviations in a bound, before what an unseen fault could do."""


@quick
@dataclass(frozen=True, slots=True)
class PoseEstimate:
    """The pose at one moment: state, covariance (6x6, the errors of zero and calibrations included), how the load lay at the
    zero, and how far each fault that the residual test would miss moves [z, a, b]. `left_out` and `disputed` name the sensors
    that do not speak for it, and those of which one should not. `level_sd` (rad): what calibrations leave uncertain of the tilt
    against gravity, besides."""

    x: tuple[float, ...]
    p: list[list[float]]
    level: Level
    faults: tuple[Row, ...] = ()
    left_out: frozenset[str] = frozenset()
    disputed: frozenset[str] = frozenset()
    level_sd: float = 0.0

    def rise(self, x_m: float, y_m: float) -> float:
        """Rise (m) of the load-fixed point (x, y) since the zero."""
        return self.x[0] + self.x[1] * x_m + self.x[2] * y_m

    def rise_sd(self, x_m: float, y_m: float) -> float:
        """One standard deviation of `rise`."""
        z, a, b, _, _, _ = (
            self.p
        )  # kalman.variance_along (1, x, y), the factors of one left out: it is asked at every turn
        variance = z[0] + 2.0 * (z[1] * x_m + z[2] * y_m) + x_m * (a[1] * x_m + 2.0 * a[2] * y_m) + y_m * b[2] * y_m
        return sqrt(variance) if variance > 0.0 else 0.0

    def rise_bound(self, x_m: float, y_m: float) -> float | None:
        """How far `rise` may be off (m), one sensor lying unseen included; None where a lie of one would go unseen."""
        unseen = shift(self.faults, (1.0, x_m, y_m))
        return None if unseen == inf else BOUND_SDS * self.rise_sd(x_m, y_m) + unseen

    def rate(self, x_m: float, y_m: float) -> float:
        """Rise rate (m/s) of the load-fixed point (x, y)."""
        return self.x[3] + self.x[4] * x_m + self.x[5] * y_m

    def rate_sd(self, x_m: float, y_m: float) -> float:
        """One standard deviation of `rate`."""
        _, _, _, z, a, b = self.p
        along_z, along_a = z[3] + 2.0 * (z[4] * x_m + z[5] * y_m), x_m * (a[4] * x_m + 2.0 * a[5] * y_m)
        variance = along_z + along_a + y_m * b[5] * y_m
        return sqrt(variance) if variance > 0.0 else 0.0

    def tilt(self, ux: float, uy: float) -> float:
        """Tilt (rad) since the zero along the unit axis (ux, uy) of the load, positive when its + end has gone up."""
        level, x = self.level, self.x
        before = ux * level.a0 + uy * level.b0
        return asin_clipped(before + ux * x[1] + uy * x[2]) - asin_clipped(before)

    def tilt_sd(self, ux: float, uy: float) -> float:
        """One standard deviation of `tilt` (small-angle: the cosine's own)."""
        _, a, b, _, _, _ = self.p  # kalman.variance_along (0, ux, uy)
        variance = ux * (a[1] * ux + 2.0 * a[2] * uy) + uy * b[2] * uy
        return sqrt(variance) if variance > 0.0 else 0.0

    def tilt_bound(self, ux: float, uy: float) -> float | None:
        """How far `tilt` may be off (rad), one sensor lying unseen included; None where a lie of one would go unseen."""
        unseen = shift(self.faults, (0.0, ux, uy))
        return None if unseen == inf else BOUND_SDS * self.tilt_sd(ux, uy) + unseen

    @property
    def a0(self) -> float:
        """Absolute cosine of the load's x axis at the zero."""
        return self.level.a0

    @property
    def b0(self) -> float:
        """Absolute cosine of the load's y axis at the zero."""
        return self.level.b0

    @property
    def absolute(self) -> tuple[float, float]:
        """Tilt of the load's x and y axes against gravity (rad)."""
        return asin_clipped(self.a0 + self.x[1]), asin_clipped(self.b0 + self.x[2])
