"""The heights of a stack's bags with their errors, and what a correction does to them: the filter that heights.py feeds.

State: the heights h, and for each bag the share s by which its data plate and gauge are off, constant over the lift: that is
why a thousand looks at the same pressures do not make the split a thousand times surer. The heights' errors cancel in their
sum, which is known: every correction keeps to it.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from math import exp, sqrt

from monitor.addition import added
from monitor.rig.capacity import AreaTable
from monitor.rig.schema import Bag

FLAT_M = 0.002
"""So near its flat height a bag may be flat, whatever its error (invented)."""
GATE = 4.0
"""Standard deviations by which forces, or a height sensor, contradict what is known: then they teach it nothing."""
LEAST = 1e-9
"""Nothing is divided by less, nor its logarithm taken (Pa, N, m^2)."""
_WANDER = 1.0 / 16.0
"""Variances of a height sensor by which a split may change between two looks: its mean errs as much as half a reading."""
_FARTHEST_M = 0.03
"""The stretch to either side over which a table's slope is taken at most (invented)."""

Matrix = list[list[float]]
Sparse = Sequence[tuple[int, float]]
"""A row of which most is nothing: where something stands, and what."""


class BagFilter:
    """The bags of one stack: `h` (m, from the foot up), `scale`, the shares, `p`, their covariance, and which are `open`."""

    def __init__(self, bags: Sequence[Bag]) -> None:
        self.bags = bags
        self.tables = [AreaTable(bag) for bag in bags]
        self.n = len(bags)
        self.flat = [table.heights[0] for table in self.tables]
        """The heights of the flat bags (m)."""
        self.known: Matrix = [[0.0] * self.n for _ in bags]
        """Their covariance: there is nothing uncertain in them."""
        self.flat_m = added(self.flat)
        self.begin()

    def begin(self) -> None:
        """Every bag is flat and nothing has been learnt."""
        n = self.n
        self.h, self.scale = list(self.flat), [0.0] * n
        self.open = [False] * n
        self.p = [[0.0] * (2 * n) for _ in range(2 * n)]
        for i, bag in enumerate(self.bags):
            self.p[n + i][n + i] = bag.capacity_error**2

    def area(self, i: int) -> float:
        """The effective area of a bag (m^2) at its height."""
        return self.tables[i].area(self.h[i])

    def push(self, i: int, pressure: float | None, area: float) -> float:
        """What a bag of this pressure (Pa gauge) pushes with an area (N), its plate's known error allowed for."""
        return (pressure or 0.0) * area * exp(self.scale[i])

    def falls(self, i: int, area: float) -> float:
        """Derivative of that push's logarithm by the bag's height (by the error of its plate it is 1), over the stretch in which
        the height may lie."""
        table, height, variance, flat = self.tables[i], self.h[i], self.p[i][i], self.flat[i]
        reach = FLAT_M
        if variance > 0.0 and (unsure := sqrt(variance)) > FLAT_M:
            reach = unsure if unsure < _FARTHEST_M else _FARTHEST_M
        low, high = height - reach, height + reach
        if low < flat:
            low = flat
        over = high - low
        falls = (table.area(high) - table.area(low)) / (over if over > FLAT_M else FLAT_M)
        return falls / (area if area > LEAST else LEAST)

    def spread(self, variance: float, taker: int | None) -> None:
        """Let height that one bag was given belong to another, from the taker or between any two."""
        up = [i for i in range(self.n) if self.open[i]]
        for i, j in combinations(up, 2):
            if taker is None or taker in (i, j):
                v = variance / (len(up) - 1)
                self.p[i][i] += v
                self.p[j][j] += v
                self.p[i][j] -= v
                self.p[j][i] -= v

    def shut(self, i: int) -> None:
        """It is flat for certain: what that says of the others, and nothing more is to be learnt of its height."""
        flat = self.flat[i]
        self.correct(((i, 1.0),), 1e-12, flat - self.h[i])
        self.h[i] = flat
        for j in range(2 * self.n):
            self.p[i][j] = self.p[j][i] = 0.0

    def correct_by_sensor(self, i: int, height: float, sd: float) -> None:
        """Take in what a bag's own height sensor says (m, m)."""
        self.spread(_WANDER * sd * sd, i)
        off = height - self.h[i]
        if off * off <= GATE**2 * (self.p[i][i] + sd * sd):
            self.correct(((i, 1.0),), sd * sd, off)

    def keep_above_flat(self, total: float) -> None:
        """No bag is lower than flat: what one would lack the other open ones give."""
        for _ in range(self.n):
            low = [i for i, flat in enumerate(self.flat) if self.h[i] < flat and self.open[i]]
            if not low:
                return
            for i in low:
                self.h[i] = self.flat[i]
            room = [i for i in range(self.n) if self.open[i] and self.h[i] > self.flat[i]]
            missing = total - added(self.h)
            if not room:
                return
            for i in room:
                self.h[i] += missing / len(room)

    def variance(self, h: Sparse) -> float:
        """h' P h."""
        p, total = self.p, 0.0
        for k, a in h:
            row = p[k]
            for m, b in h:
                total += a * row[m] * b
        return total if total > 0.0 else 0.0

    def along(self, h: Sparse) -> tuple[list[float], float]:
        """(P h, h' P h)."""
        ph = []
        for row in self.p:
            total = 0.0
            for k, value in h:
                total += row[k] * value
            ph.append(total)
        total = 0.0
        for k, value in h:
            total += ph[k] * value
        return ph, total if total > 0.0 else 0.0

    def correct(self, h: Sparse, r: float, innovation: float) -> None:
        """One scalar update; the covariance stays symmetric by construction."""
        ph, variance = self.along(h)
        s, n = variance + r, self.n
        for i in range(n):
            self.h[i] += ph[i] / s * innovation
            self.scale[i] += ph[n + i] / s * innovation
        for k, row in enumerate(self.p):
            a = ph[k]
            row[:] = [it - a * ph[m] / s for m, it in enumerate(row)]
            if not row[k] > 0.0:
                row[k] = 0.0
