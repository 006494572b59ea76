"""Looking back: what a filter said of each moment, corrected by everything that came after it.

The fixed-interval smoother of Rauch, Tung and Striebel ("Maximum likelihood estimates of linear dynamic systems", AIAA
Journal 3(8), 1965) over the steps of a forward pass, for any small linear model; and the forward pass of the pose's own
model. For looking at a lift afterwards only: nothing that is shown or alarmed live may know the future. Plain lists, fixed
order of summation, as in the filter.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from monitor.addition import added
from monitor.engine.kalman import Row, TripleFilter

Vector = list[float]
Matrix = list[list[float]]

_NOTHING = 1e-13
"""Share of a variance that is nothing but rounding: what is left of it by the numbers before it is known already."""


@dataclass(frozen=True, slots=True)
class Step:
    """One moment of a forward pass: how the state came here from the step before, and what was thought of it.

    `transition` F and `noise` Q are those of the way here (of the first step they are not used): predicted_p is F P F' + Q
    with the P of the step before. Q holds all that was added, also where the model was opened up. `predicted_x` and
    `predicted_p` are before the readings of this moment, `x` and `p` after them.
    """

    time_ns: int
    transition: Matrix
    noise: Matrix
    predicted_x: Vector
    predicted_p: Matrix
    x: Vector
    p: Matrix


def smoothed(steps: Sequence[Step]) -> list[tuple[Vector, Matrix]]:
    """(x, P) of every step given all readings, earlier and later; the last one is the filter's own.

    With C = P F' predicted_P^-1 of the step after: x + C (x_after - predicted_x), and
    (I - C F) P (I - C F)' + C (P_after + Q) C', which stays symmetric and positive. Where a predicted variance is zero the
    readings after it say nothing new.
    """
    if not steps:
        return []
    x, p = steps[-1].x[:], [row[:] for row in steps[-1].p]
    found = [(x, p)]
    for before, after in zip(reversed(steps[:-1]), reversed(steps[1:]), strict=True):
        gain = _gain(before.p, after.transition, after.predicted_p)
        surprise = [a - b for a, b in zip(x, after.predicted_x, strict=True)]
        kept = [[float(i == j) - v for j, v in enumerate(row)] for i, row in enumerate(_times(gain, after.transition))]
        later = [[a + b for a, b in zip(*rows, strict=True)] for rows in zip(p, after.noise, strict=True)]
        x = [value + _dot(row, surprise) for value, row in zip(before.x, gain, strict=True)]
        p = _sum(_around(kept, before.p), _around(gain, later))
        found.append((x, p))
    return found[::-1]


def smoothed_states(steps: Sequence[Step]) -> list[Vector]:
    """The x of `smoothed` without their P, which cost ten times as much: for drawing a line."""
    if not steps:
        return []
    x = steps[-1].x[:]
    found = [x]
    for before, after in zip(reversed(steps[:-1]), reversed(steps[1:]), strict=True):
        surprise = [a - b for a, b in zip(x, after.predicted_x, strict=True)]
        weighed = _divided(surprise, *_factors(after.predicted_p))
        back = [_dot(column, weighed) for column in zip(*after.transition, strict=True)]
        x = [value + _dot(row, back) for value, row in zip(before.x, before.p, strict=True)]
        found.append(x)
    return found[::-1]


class ForwardPass:
    """Runs a TripleFilter forward and keeps its steps. Call `advance` and then `take` for each reading, in their order."""

    def __init__(self, it: TripleFilter, time_ns: int) -> None:
        self.filter = it
        self.time_ns = time_ns
        self._kept: list[Step] = []
        self._begin(*motion(0.0, it.q))

    def advance(self, time_ns: int) -> None:
        """Let time pass; a reading older than the last one is used as if it were of the same moment."""
        if time_ns <= self.time_ns:
            return
        dt = (time_ns - self.time_ns) * 1e-9
        self._kept.append(self._step())
        self.time_ns = time_ns
        self.filter.predict(dt)
        self._begin(*motion(dt, self.filter.q))

    def take(self, h: Row, change: float, r: float) -> None:
        """Take one reading of row `h` and variance `r`, that says h . [z, a, b] = `change`."""
        seen = added(a * b for a, b in zip(h, self.filter.x, strict=False))
        self.filter.update(h, change - seen, r)

    def open_up(self, variance: Row, rate_variance: Row) -> None:
        """Widen the covariance, as the pose does where the load has moved in a way the model did not expect."""
        self._kept.append(self._step())
        self.filter.open_up(variance, rate_variance)
        still, noise = motion(0.0, self.filter.q)
        for i, opened in enumerate((*variance, *rate_variance)):
            noise[i][i] = opened
        self._begin(still, noise)

    @property
    def steps(self) -> list[Step]:
        """All steps so far, the present one as it stands."""
        return [*self._kept, self._step()]

    def _begin(self, transition: Matrix, noise: Matrix) -> None:
        self._came = transition, noise, self.filter.x[:], [row[:] for row in self.filter.p]

    def _step(self) -> Step:
        return Step(self.time_ns, *self._came, self.filter.x[:], [row[:] for row in self.filter.p])


def motion(dt: float, q: Sequence[float]) -> tuple[Matrix, Matrix]:
    """(F, Q) of white-noise acceleration over `dt` seconds for [positions..., rates...]; `q` as in kalman.py."""
    n = len(q)
    f = [[float(i == j) for j in range(2 * n)] for i in range(2 * n)]
    noise = [[0.0] * (2 * n) for _ in range(2 * n)]
    for i, density in enumerate(q):
        f[i][n + i] = dt
        noise[i][i] = density * dt * dt * dt / 3.0
        noise[i][n + i] = noise[n + i][i] = density * dt * dt / 2.0
        noise[n + i][n + i] = density * dt
    return f, noise


def _gain(p: Matrix, f: Matrix, predicted: Matrix) -> Matrix:
    """C = P F' predicted^-1."""
    lower, diagonal = _factors(predicted)
    return [_divided([_dot(row, into) for into in f], lower, diagonal) for row in p]


def _factors(predicted: Matrix) -> tuple[Matrix, Vector]:
    """(L, D) of L D L' = predicted; a variance that is zero, given those before it, is passed over."""
    n = len(predicted)
    lower, diagonal = [[0.0] * n for _ in range(n)], [0.0] * n
    for j in range(n):
        left = predicted[j][j] - added(lower[j][k] ** 2 * diagonal[k] for k in range(j))
        diagonal[j] = left if left > _NOTHING * predicted[j][j] else 0.0
        for i in range(j + 1, n):
            off = predicted[i][j] - added(lower[i][k] * lower[j][k] * diagonal[k] for k in range(j))
            lower[i][j] = off / diagonal[j] if diagonal[j] else 0.0
    return lower, diagonal


def _divided(row: Vector, lower: Matrix, diagonal: Vector) -> Vector:
    """`row` divided by L D L'."""
    n = len(row)
    y = row[:]
    for i in range(n):
        y[i] -= added(lower[i][k] * y[k] for k in range(i))
    y = [v / d if d else 0.0 for v, d in zip(y, diagonal, strict=True)]
    for i in range(n - 1, -1, -1):
        y[i] -= added(lower[k][i] * y[k] for k in range(i + 1, n))
    return y


def _dot(a: Sequence[float], b: Sequence[float]) -> float:
    return added(x * y for x, y in zip(a, b, strict=True))


def _times(a: Matrix, b: Matrix) -> Matrix:
    columns = list(zip(*b, strict=True))
    return [[_dot(row, column) for column in columns] for row in a]


def _around(a: Matrix, m: Matrix) -> Matrix:
    """A M A'."""
    half = _times(a, m)
    return [[_dot(row, other) for other in a] for row in half]


def _sum(a: Matrix, b: Matrix) -> Matrix:
    """A + B, each pair of off-diagonal elements made the same: they differ by rounding only."""
    n = len(a)
    return [[((a[i][j] + a[j][i]) + (b[i][j] + b[j][i])) / 2.0 for j in range(n)] for i in range(n)]
