"""The load as a rigid body: where a point of it has gone, and how its axes stand, exactly at any angle.

The load is level at the zero and turns about level axes only (no yaw). No force is known here.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, hypot, sin, sqrt

Point = tuple[float, float] | tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Placement:
    """How the load stands: `a`, `b` the vertical cosines of its x and y axes, (ox, oy, oz) where its origin is."""

    a: float = 0.0
    b: float = 0.0
    ox: float = 0.0
    oy: float = 0.0
    oz: float = 0.0

    @property
    def c(self) -> float:
        """Vertical cosine of the underside's normal."""
        return sqrt(max(0.0, 1.0 - self.a * self.a - self.b * self.b))

    def place(self, point: Point) -> tuple[float, float, float]:
        """Where a load-fixed point (x, y and, if given, its height over the underside) is on the ground's axes (m)."""
        x, y, h = point[0], point[1], point[2] if len(point) == 3 else 0.0
        c = self.c
        bend = (self.a * x + self.b * y) / (1.0 + c) + h
        return self.ox + x - self.a * bend, self.oy + y - self.b * bend, self.oz + self.a * x + self.b * y + c * h

    def seen_from_below(self, x: float, y: float, h: float) -> float:
        """Height (m) of the face `h` over the underside, straight above a point of the ground."""
        # The face's normal is (-a, -b, c): the plane through the origin, moved up by h, met by a vertical line.
        return self.oz + (h + self.a * (x - self.ox) + self.b * (y - self.oy)) / self.c

    def no_rise_at(self) -> float | None:
        """Distance (m) from the load's origin to the line of its underside that has not risen; None while it is level."""
        steep = hypot(self.a, self.b)
        return abs(self.oz) / steep if steep > 1e-12 else None


@dataclass(frozen=True, slots=True)
class Hinge:
    """The line the load turns about: a point of it, and the level unit vector toward the centre of gravity.

    What has become of it since the zero: `slid`, the load has slid over its support by so much, away from the centre of
    gravity; `walked`, the edge has worn and the load rolls on a line so much further in; `sunk`, its support has gone down.
    """

    at: tuple[float, float]
    toward: tuple[float, float]
    slid: float = 0.0
    walked: float = 0.0
    sunk: float = 0.0

    def arm(self, point: Point) -> float:
        """Distance (m) of a load-fixed point from where the hinge was at the zero, positive toward the centre of gravity."""
        return (point[0] - self.at[0]) * self.toward[0] + (point[1] - self.at[1]) * self.toward[1]

    @property
    def gone(self) -> float:
        """How far (m) the line of no rise has gone along the load."""
        return self.slid + self.walked

    def placement(self, theta: float) -> Placement:
        """The load turned by an angle (rad): a point at `arm` and height h has risen (arm - gone) sin + h (cos - 1) - sunk."""
        nx, ny = self.toward
        a, b, c = nx * sin(theta), ny * sin(theta), cos(theta)
        px, py = self.at[0] + self.gone * nx, self.at[1] + self.gone * ny
        bend = (a * px + b * py) / (1.0 + c)
        here = self.walked
        return Placement(
            a,
            b,
            self.at[0] + here * nx - (px - a * bend),
            self.at[1] + here * ny - (py - b * bend),
            -self.sunk - (a * px + b * py),
        )


def hinge_of(line: tuple[tuple[float, float], tuple[float, float]], cg: tuple[float, float, float]) -> Hinge:
    """The hinge through two points of a load with its centre of gravity at `cg`."""
    (x0, y0), (x1, y1) = line
    length = hypot(x1 - x0, y1 - y0)
    nx, ny = (y0 - y1) / length, (x1 - x0) / length
    side = (cg[0] - x0) * nx + (cg[1] - y0) * ny
    return Hinge((x0, y0), (nx, ny) if side >= 0.0 else (-nx, -ny))


def free_placement(z: float, a: float, b: float, held: list[tuple[float, float]]) -> Placement:
    """A load that only bags hold: its origin risen by z, the mean of the points `held` gone nowhere sideways.

    (The bags under them are alike in shear, so their sideways forces cancel at that mean.)
    """
    c = sqrt(max(0.0, 1.0 - a * a - b * b))
    bend = sum((a * x + b * y) / (1.0 + c) for x, y in held) / len(held)
    return Placement(a, b, a * bend, b * bend, z)
