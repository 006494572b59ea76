"""What each sensor of the pose sees of it, exactly and at any angle, for every way of mounting.

A mount gives, for the pose [z, a, b], its row h (the derivatives) and the change since the zero that it predicts. What is
done with the difference is pose.py's business. The rotation is taken without yaw, which nothing observes: its third row is
(A, B, c), the absolute cosines, and

    R = [[1 - A^2/(1+c), -AB/(1+c), -A], [-AB/(1+c), 1 - B^2/(1+c), -B], [A, B, c]]

(the rotation about a level axis that takes the vertical there; any text on rigid-body kinematics).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import asin, dist, sin, sqrt

from monitor.engine.kalman import Row
from monitor.engine.picture import Point

_STEEPEST = 0.05
"""The least vertical cosine that is computed with: beyond 87 degrees nothing here means anything."""


@dataclass(frozen=True, slots=True)
class Level:
    """How the load lay at the zero: absolute cosines A0, B0, and the load-fixed point that goes nowhere sideways."""

    a0: float = 0.0
    b0: float = 0.0
    still: Point = (0.0, 0.0)

    @property
    def c0(self) -> float:
        """The vertical cosine of the load's own upward axis at the zero."""
        return upright(self.a0, self.b0)


def upright(a: float, b: float) -> float:
    """c = sqrt(1 - A^2 - B^2), kept away from zero."""
    return sqrt(max(_STEEPEST**2, 1.0 - a * a - b * b))


def sideways(level: Level, a: float, b: float, arm: tuple[float, float, float]) -> tuple[float, float, Row, Row]:
    """Where a point at `arm` (m, load frame, from the still point) has gone sideways since the zero.

    `a`, `b` are the changes of the cosines since the zero. Returns x and y (m) and their derivatives by [z, a, b].
    """
    x, y, h = arm
    ca, cb = level.a0 + a, level.b0 + b
    c, g0 = upright(ca, cb), 1.0 / (1.0 + level.c0)
    g = 1.0 / (1.0 + c)
    ga, gb = ca / c * g * g, cb / c * g * g  # derivatives of g by A and B
    along, before = ca * x + cb * y, level.a0 * x + level.b0 * y
    dx = -ca * g * along + level.a0 * g0 * before - a * h
    dy = -cb * g * along + level.b0 * g0 * before - b * h
    row_x = (0.0, -(g + ca * ga) * along - ca * g * x - h, -ca * gb * along - ca * g * y)
    row_y = (0.0, -cb * ga * along - cb * g * x, -(g + cb * gb) * along - cb * g * y - h)
    return dx, dy, row_x, row_y


class LoadMount:
    """The vertical rise of the load-fixed point (x, y), `height` above the underside."""

    def __init__(self, at: Point, height: float) -> None:
        self.x, self.y, self.height = *at, height
        self._row: Row = (1.0, self.x, self.y)
        self._level = Level()

    def set_level(self, level: Level) -> None:
        """Take how the load lies at the zero."""
        self._level = level

    def see(self, z: float, a: float, b: float) -> tuple[Row, float]:
        """(h, predicted change since the zero)."""
        if self.height == 0.0:
            return self._row, z + self.x * a + self.y * b
        ca, cb = self._level.a0 + a, self._level.b0 + b
        c = upright(ca, cb)
        row = (1.0, self.x - self.height * ca / c, self.y - self.height * cb / c)
        return row, z + self.x * a + self.y * b + self.height * (c - self._level.c0)

    def change(self, value: float, before: float) -> float:
        """The change since the zero that a reading means."""
        return value - before


class GroundMount(LoadMount):
    """A rangefinder on the ground below (x, y), looking straight up at a face `height` above the underside."""

    def see(self, z: float, a: float, b: float) -> tuple[Row, float]:
        """(h, predicted change since the zero)."""
        at = self._level
        ca, cb, c0 = at.a0 + a, at.b0 + b, at.c0
        c = upright(ca, cb)
        # How far the load's origin has gone sideways: opposite to what the still point would have gone about it.
        ox, oy, by_x, by_y = sideways(at, a, b, (-at.still[0], -at.still[1], 0.0))
        dx, dy = self.x - ox, self.y - oy
        level = ca * dx + cb * dy
        predicted = z + level / c - (at.a0 * self.x + at.b0 * self.y) / c0 + self.height * (1.0 / c - 1.0 / c0)
        steeper = (level + self.height) / c**3
        row = (
            1.0,
            dx / c + steeper * ca - (ca * by_x[1] + cb * by_y[1]) / c,
            dy / c + steeper * cb - (ca * by_x[2] + cb * by_y[2]) / c,
        )
        return row, predicted


class WireMount(LoadMount):
    """A draw-wire: the slant length from a ground-fixed anchor to the load-fixed point (x, y, height)."""

    def __init__(self, at: Point, height: float, anchor: tuple[float, float, float]) -> None:
        super().__init__(at, height)
        self._length = dist(anchor, (*at, height))
        self._anchor = anchor
        self._start = (0.0, 0.0, 0.0)
        self.set_level(Level())

    def set_level(self, level: Level) -> None:
        """Take how the load lies at the zero: it turns the vector from anchor to point into the ground frame."""
        self._level = level
        x, y, h = (p - q for p, q in zip((self.x, self.y, self.height), self._anchor, strict=True))
        a0, b0, c0 = level.a0, level.b0, level.c0
        along = (a0 * x + b0 * y) / (1.0 + c0)
        self._start = x - a0 * along - a0 * h, y - b0 * along - b0 * h, a0 * x + b0 * y + c0 * h

    def see(self, z: float, a: float, b: float) -> tuple[Row, float]:
        """(h, predicted change since the zero)."""
        still = self._level.still
        dx, dy, by_x, by_y = sideways(self._level, a, b, (self.x - still[0], self.y - still[1], self.height))
        by_z, dz = super().see(z, a, b)
        x, y, up = self._start[0] + dx, self._start[1] + dy, self._start[2] + dz
        length = max(1e-6, sqrt(x * x + y * y + up * up))
        ux, uy, uz = x / length, y / length, up / length
        return (
            uz,
            ux * by_x[1] + uy * by_y[1] + uz * by_z[1],
            ux * by_x[2] + uy * by_y[2] + uz * by_z[2],
        ), length - self._length


class TiltMount:
    """An inclinometer along the unit axis (x, y) of the load plane, `mounting` off it: asin of a direction cosine."""

    def __init__(self, axis: Point, mounting: float) -> None:
        self.x, self.y = axis
        self.mounting = mounting
        self._row: Row = (0.0, self.x, self.y)

    def set_level(self, level: Level) -> None:
        """Nothing to take: cosines add up."""

    def see(self, z: float, a: float, b: float) -> tuple[Row, float]:
        """(h, predicted change of the cosine since the zero)."""
        return self._row, self.x * a + self.y * b

    def change(self, value: float, before: float) -> float:
        """The change of the cosine since the zero that a reading means."""
        return sin(value - self.mounting) - sin(before - self.mounting)


Mount = LoadMount | TiltMount


def asin_clipped(cosine: float) -> float:
    """asin of what a little noise may have pushed past one."""
    return asin(-1.0 if cosine < -1.0 else 1.0 if cosine > 1.0 else cosine)
