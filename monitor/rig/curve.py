"""What a calibration makes of a reading, and how sure that is. Pure: points in, a curve out.

The correction (true less read) is fitted against the reading, so that a channel that reads true is left as it is, to the bit.
Two points give the line through them; more give the line of least squares while no point is off it by more than the
reference may be wrong, else straight pieces from point to point. Beyond the points the last line goes on, and the doubt grows.

Sources: least squares of the correction and its uncertainty, JCGM 100:2008 (GUM) Annex H.3; scatter that stays in one reading
(the 1 beside 1/n), NIST/SEMATECH e-Handbook of Statistical Methods, prediction from a linear calibration; what straight
pieces leave of a bend, the remainder of linear interpolation (any text of numerical analysis), as a rectangle (GUM 4.3.7).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import fsum, hypot, sqrt

_WITHIN = 2.0
"""Standard uncertainties by which a point may be off the line that all share (common practice, no source)."""
_OF_A_RECTANGLE = sqrt(3.0)


@dataclass(frozen=True, slots=True)
class Line:
    """Least squares of the correction c against the reading x: c = c0 + slope * (x - x0), x0 the mean reading.

    `sd` is the scatter about it, sqrt(sum of squares / (n - 2)), 0 for two points; `sxx` the sum of (x - x0)^2.
    """

    n: int
    x0: float
    c0: float
    slope: float
    sxx: float
    sd: float

    def at(self, x: float) -> float:
        """The correction of a reading."""
        return self.c0 + self.slope * (x - self.x0)

    def leverage(self, x: float) -> float:
        """1/n + (x - x0)^2 / sxx: the line's variance there in variances of one point (GUM H.3, uncorrelated form)."""
        return 1.0 / self.n + (x - self.x0) ** 2 / self.sxx

    def line_sd(self, x: float) -> float:
        """One standard uncertainty of the line itself, from the scatter alone (GUM equation H.15)."""
        return self.sd * sqrt(self.leverage(x))


def line_of(xs: Sequence[float], cs: Sequence[float]) -> Line:
    """The line of least squares through at least two points with different x."""
    n = len(xs)
    x0, c0 = fsum(xs) / n, fsum(cs) / n
    sxx = fsum((x - x0) ** 2 for x in xs)
    slope = fsum((x - x0) * (c - c0) for x, c in zip(xs, cs, strict=True)) / sxx
    left = fsum((c - c0 - slope * (x - x0)) ** 2 for x, c in zip(xs, cs, strict=True))
    return Line(n, x0, c0, slope, sxx, sqrt(left / (n - 2)) if n > 2 else 0.0)


class Curve:
    """One calibration. Readings and true values in SI; `points` ascend in both; `doubt` is one standard uncertainty of a point.

    Nothing tells whether the reference errs the same at all points (then it shifts the line by `doubt` everywhere) or
    differently at each (then it also turns it): the greater counts.
    """

    def __init__(self, points: Sequence[tuple[float, float]], doubt: float) -> None:
        self.reads = [read for read, _ in points]
        self._corrections = [true - read for read, true in points]
        self.doubt = doubt
        self.line = line_of(self.reads, self._corrections)
        off = [abs(c - self.line.at(x)) for x, c in zip(self.reads, self._corrections, strict=True)]
        self.bent = len(points) > 2 and max(off) > _WITHIN * doubt
        """Whether it goes in straight pieces from point to point."""
        self._spacing = (self.reads[-1] - self.reads[0]) / (len(points) - 1)
        self._bend = self._greatest_bend() if self.bent else 0.0

    def _greatest_bend(self) -> float:
        """The greatest second divided difference of the corrections, without its sign."""
        xs, cs = self.reads, self._corrections
        slopes = [(c1 - c0) / (x1 - x0) for (x0, c0), (x1, c1) in pairwise(zip(xs, cs, strict=True))]
        return max(abs(slopes[k + 1] - slopes[k]) / (xs[k + 2] - xs[k]) for k in range(len(xs) - 2))

    @property
    def gain(self) -> float:
        """How far the true value goes when the reading goes one, as the line of least squares has it."""
        return 1.0 + self.line.slope

    @property
    def residuals(self) -> list[float]:
        """By how much each point is above the line of least squares, in the order of the readings."""
        return [c - self.line.at(x) for x, c in zip(self.reads, self._corrections, strict=True)]

    def _piece(self, x: float) -> int:
        """The piece that a reading lies in: the first or the last beyond the ends."""
        k = 0
        while k < len(self.reads) - 2 and x > self.reads[k + 1]:
            k += 1
        return k

    def true(self, x: float) -> float:
        """The true value of a reading."""
        if not self.bent:
            return x + self.line.at(x)
        k = self._piece(x)
        x0, x1, c0, c1 = self.reads[k], self.reads[k + 1], self._corrections[k], self._corrections[k + 1]
        return x + (c0 + (x - x0) * ((c1 - c0) / (x1 - x0)))

    def inside(self, x: float) -> bool:
        """Whether a reading lies between the points, where alone the calibration was made."""
        return self.reads[0] <= x <= self.reads[-1]

    def sd(self, x: float) -> float:
        """One standard uncertainty of the true value of a reading (SI). It is the same at every look: no averaging lessens it."""
        if not self.bent:
            leverage = self.line.leverage(x)
            return hypot(self.doubt * sqrt(max(1.0, leverage)), self.line.sd * sqrt(1.0 + leverage))
        k = self._piece(x)
        x0, x1 = self.reads[k], self.reads[k + 1]
        middle, half = (x0 + x1) / 2.0, (x1 - x0) / 2.0
        leverage = max(1.0, 0.5 * (1.0 + ((x - middle) / half) ** 2))
        return hypot(self.doubt * sqrt(leverage), self._left_of_bend(x))

    def _left_of_bend(self, x: float) -> float:
        k = self._piece(x)
        return self._bend * abs((x - self.reads[k]) * (x - self.reads[k + 1])) / _OF_A_RECTANGLE

    def sd_between(self, x: float, start: float) -> float:
        """One standard uncertainty of the true way from the reading `start` to the reading `x`: a shift of all cancels.

        What is left is the turn of the line, and the scatter about it, of which two readings nearer than the points stand
        apart share as much as they are near.
        """
        way = abs(x - start)
        apart = way / self._spacing
        if not self.bent:
            turn = hypot(self.doubt, self.line.sd) / sqrt(self.line.sxx) * way
            return hypot(turn, sqrt(2.0) * self.line.sd * min(1.0, apart))
        if self.inside(x) and self.inside(start):
            apart = min(1.0, apart)
        bend = hypot(self._left_of_bend(x), self._left_of_bend(start)) * min(1.0, way / self._spacing)
        return hypot(sqrt(2.0) * self.doubt * apart, bend)
