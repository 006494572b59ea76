"""Which sensor is lying: the residual test over redundant rows, and what a fault that it cannot see could do.

As satellite navigation does it (receiver autonomous integrity monitoring: Brown, "A baseline GPS RAIM scheme", Navigation
39(2), 1992): with m rows for 3 unknowns, m - 3 are spare; the residuals of a least-squares fit, squared over their
variances, follow chi-square with as many degrees of freedom while all rows tell the truth. Leaving one row out at a time
shows which one does not. Pure functions of a handful of rows; who is left out and taken back is pose.py's business.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import fsum, inf, isfinite, isinf, sqrt

from monitor.addition import added
from monitor.engine.algebra import dot, information, inverse, times
from monitor.engine.kalman import Row

_LIMITS = (28.374, 32.236, 35.406, 38.240, 40.863, 43.338, 45.700, 47.972, 50.172)
"""Chi-square that one fit in ten million exceeds, for 1 to 9 degrees of freedom (chi-square table; tests hold it against
scipy): at two and a half tests a second, one false detection in fifty days."""
_Z_LIMIT = 5.2
"""The same probability in standard deviations, for more degrees of freedom (Wilson and Hilferty, 1931)."""
_MISSED = 3.09
"""Standard deviations for a missed detection of one in a thousand."""
_UNEASY = 0.5
"""Share of the limit from which a test says something of who lies: seldom by chance (chi-square 16 of two degrees of freedom, once
in three thousand), and long before the limit for one that creeps (our own choice)."""
_CLEARLY = 20.0
"""How much better (chi-square, gathered) leaving out one row must be than leaving out any other to name it: odds of e^10, as far
as blocks are independent."""
_STANDS_OUT, _PREFERRED = 12.0, 2.0
"""Chi-square by which a jump must be told from a lie at once; at last, what is let pass before the load is not believed."""
_NOTHING = 1e-15
"""A part of the answer that a row does not touch, but for rounding."""
_BLIND = 1e-6
"""Share of a row's own variance below which its residual says nothing: no other row checks it."""


@dataclass(frozen=True, slots=True)
class Seen:
    """What one sensor said over a while: its row, its mean difference from the prediction, the variance of that mean."""

    h: Row
    mean: float
    variance: float


@dataclass(frozen=True, slots=True)
class Parity:
    """What the residual test says of some rows."""

    spare: int
    chi_square: float
    rows: tuple[Seen, ...]

    @property
    def at_odds(self) -> bool:
        """Whether the rows contradict each other beyond chance."""
        return self.spare > 0 and self.chi_square > limit(self.spare)

    @property
    def without(self) -> tuple[float | None, ...]:
        """Chi-square with each row left out, None where the rest sees too little: worked out where rows agree badly."""
        rows, seen = self.rows, self.spare > 0 or self.chi_square > 0.0
        return tuple([_misfit([*rows[:i], *rows[i + 1 :]]) if seen else None for i in range(len(rows))])

    def explained_without(self, row: int) -> bool:
        """Whether leaving out this one row makes the others agree."""
        left = self.without[row]
        return left is not None and (self.spare == 1 or left <= limit(self.spare - 1))

    @property
    def uneasy(self) -> bool:
        """Whether the rows agree badly enough for what each one's absence would mend to mean something."""
        return self.spare > 0 and self.chi_square > _UNEASY * limit(self.spare)

    def culprit(self, gathered: Sequence[float]) -> int | None:
        """The one row that the contradiction comes from, or None where another may be to blame as well.

        `gathered` is `without` of this test and those before it, summed by row, older ones counting less: what one leaves open
        several may tell.
        """
        if self.spare < 2:
            return None
        first, second = sorted((left, i) for i, left in enumerate(gathered))[:2]
        return first[1] if second[0] - first[0] > _CLEARLY and self.explained_without(first[1]) else None


def moved_rather_than_lied(rows: Sequence[Seen], jumped: int, unsure: Sequence[float], sure: bool) -> bool | None:
    """Whether a row that jumped did so with the load (True) or alone (False); None while neither stands out.

    With the load: one motion explains all rows. Alone: the others stay where the pose expects them, which it does to
    `unsure` (variance, by row) besides their own. Chi-square of one against the other, each beside its degrees of freedom.
    With `sure` the better one is taken, however little it stands out.
    """
    together = _misfit(rows)
    if together is None:
        return None
    alone = added(
        row.mean**2 / (row.variance + more)
        for i, (row, more) in enumerate(zip(rows, unsure, strict=True))
        if i != jumped
    )
    favour = (alone - (len(rows) - 1)) - (together - (len(rows) - 3))
    if favour > _STANDS_OUT or (sure and favour > -_PREFERRED):
        return True
    return False if favour < -_STANDS_OUT or sure else None


def limit(spare: int) -> float:
    """The chi-square beyond which rows with so many spare are at odds."""
    if spare <= len(_LIMITS):
        return _LIMITS[spare - 1]
    share = 2.0 / (9.0 * spare)
    return float(spare * (1.0 - share + _Z_LIMIT * sqrt(share)) ** 3)


def judge(rows: Sequence[Seen]) -> Parity:
    """The residual test over these rows: a motion common to all of them is fitted, never blamed."""
    chi_square = _misfit(rows)
    if chi_square is None:
        return Parity(0, 0.0, tuple(rows))
    return Parity(len(rows) - 3, chi_square, tuple(rows))


def apart(rows: Sequence[Seen], row: int) -> float:
    """How far a row stands from what the best common motion of the others predicts for it; its own mean without them."""
    motion = _common([*rows[:row], *rows[row + 1 :]])
    return rows[row].mean - (dot(rows[row].h, motion) if motion is not None else 0.0)


def off_if_lying(rows: Sequence[Seen], row: int) -> tuple[Row, ...]:
    """How far [z, a, b] are off if this row lies: by what the best common motion of the others is; () where they see too little."""
    motion = _common([*rows[:row], *rows[row + 1 :]])
    return () if motion is None else (motion,)


def _misfit(rows: Sequence[Seen]) -> float | None:
    """Weighted sum of squared residuals of the best common motion; None where these rows do not see all of it."""
    motion = _common(rows)
    return None if motion is None else added((row.mean - dot(row.h, motion)) ** 2 / row.variance for row in rows)


def _common(rows: Sequence[Seen]) -> Row | None:
    """The motion [z, a, b] that explains these rows best."""
    spread = inverse(information((row.h, 1.0 / row.variance) for row in rows))
    if spread is None:
        return None
    z = a = b = 0.0
    for row in rows:
        weight = row.mean / row.variance
        z, a, b = z + row.h[0] * weight, a + row.h[1] * weight, b + row.h[2] * weight
    return times(spread, (z, a, b))


def unseen_faults(rows: Sequence[Seen], weights: Sequence[float]) -> tuple[Row, ...]:
    """For each row, how far the largest fault that the test would miss moves [z, a, b].

    `weights` is what the estimate gives each row (its readings over their variance): the fault moves the answer by
    N h w * fault. The fault is the smallest one seen with a probability of 0.999 (slope method: Brown 1992); infinite
    for a row that no other row checks.
    """
    test = inverse(information((row.h, 1.0 / row.variance) for row in rows))
    answer = inverse(information((row.h, weight) for row, weight in zip(rows, weights, strict=True)))
    if test is None or answer is None:
        return ((inf, inf, inf),)
    size = sqrt(limit(max(1, len(rows) - 3))) + _MISSED
    found: list[Row] = []
    for row, weight in zip(rows, weights, strict=True):
        left = row.variance - dot(row.h, times(test, row.h))
        seen = len(rows) > 3 and left > _BLIND * row.variance
        fault = size * row.variance / sqrt(left) * weight if seen else inf
        z, a, b = (0.0 if abs(part) < _NOTHING else fault * part for part in times(answer, row.h))
        found.append((z, a, b))
    return tuple(found)


@lru_cache(maxsize=256)
def shift(faults: tuple[Row, ...], g: Row) -> float:
    """How far (greatest of all) a single unseen fault could move g . [z, a, b]; infinite where one is not checked at all.

    The faults are found anew with every residual test, and asked about along the same few lines at every tick between."""
    worst, (gz, ga, gb) = 0.0 if faults else inf, g
    for fault in faults:
        z, a, b = gz * fault[0], ga * fault[1], gb * fault[2]
        if isfinite(z + a + b):
            moved = abs(fsum((z, a, b)))
        else:
            parts = [along * part for along, part in zip(g, fault, strict=True) if along and part]
            moved = inf if any(map(isinf, parts)) else abs(fsum(parts))
        if moved > worst:
            worst = moved
    return worst
