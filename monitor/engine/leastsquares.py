"""Least squares for a handful of unknowns: coefficients with their covariance, by Householder's triangularisation.

The rows are reduced one reflection a column (Householder, "Unitary triangularization of a nonsymmetric matrix", J. ACM
5(4), 1958; Golub, Numerische Mathematik 7, 1965), so that the condition of the rows counts once and not squared as in
the normal equations. Plain floats in a fixed order of summation. What the rows mean, and how far a row is believed, is the
caller's business: a row of standard deviation s is passed divided by s, and so is its value.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import copysign, frexp, hypot, isfinite
from operator import mul

from monitor.addition import added

_UNSEEN = 1e-11
"""What is left of a column of length 1 to 2, past the columns before it, that counts as none: with less, fewer than five
digits of a coefficient would mean anything."""


@dataclass(frozen=True, slots=True)
class Fit:
    """What a fit says: `coefficients`, their `covariance` (row by row), `residual_variance` of one value.

    The covariance is residual_variance * (A'A)^-1: it rests on the residuals alone. Units are those of value over column.
    """

    coefficients: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    residual_variance: float


def fit(rows: Sequence[Sequence[float]], values: Sequence[float]) -> Fit | None:
    """The coefficients c that make the sum of (value - row . c)^2 least; a constant term is a column of ones.

    None where the rows do not tell: no more of them than unknowns, a column that is nothing or follows from the others,
    a number that is not finite or too large to be squared. Rows of unequal length, or not as many as values: ValueError.
    """
    columns = [list(c) for c in zip(*((*row, v) for row, v in zip(rows, values, strict=True)), strict=True)]
    unknowns = len(columns) - 1
    if unknowns < 1 or len(rows) <= unknowns:
        return None
    *sizes, height = [_scaled(column) for column in columns]
    triangle, right = columns[:-1], columns[-1]
    if not _reduce(triangle, right):
        return None
    variance = added(v * v for v in right[unknowns:]) / (len(rows) - unknowns) * height * height
    units = [[float(i == k) for i in range(unknowns)] for k in range(unknowns)]
    inverse = list(zip(*(_solved(triangle, unit) for unit in units), strict=True))
    found = Fit(
        tuple(c * height / size for c, size in zip(_solved(triangle, right), sizes, strict=True)),
        tuple(
            tuple(added(map(mul, a, b)) / p / q * variance for b, q in zip(inverse, sizes, strict=True))
            for a, p in zip(inverse, sizes, strict=True)
        ),
        variance,
    )
    sound = all(map(isfinite, (*found.coefficients, *(v for row in found.covariance for v in row), variance)))
    return found if sound else None


def _scaled(column: list[float]) -> float:
    """Bring a column to a length of 1 to 2 by a power of two, which rounds nothing, and return that.

    Without it units alone, metres beside newtons, would make a column look like one that follows from the others.
    """
    length = hypot(*column)
    if length == 0.0 or not isfinite(length):
        return 1.0
    scale: float = 2.0 ** (frexp(length)[1] - 1)
    column[:] = [v / scale for v in column]
    return scale


def _reduce(columns: list[list[float]], right: list[float]) -> bool:
    """Reflect the columns to upper triangular form, and the right-hand side with them; False if they do not see all."""
    for k, column in enumerate(columns):
        length = hypot(*column[k:])
        if not length > _UNSEEN:  # nor is what is not a number
            return False
        head = column[k]
        mirror = [head + copysign(length, head), *column[k + 1 :]]
        half = length * (length + abs(head))  # half the squared length of `mirror`
        for other in (*columns[k + 1 :], right):
            share = added(map(mul, mirror, other[k:])) / half
            for i, m in enumerate(mirror, k):
                other[i] -= share * m
        column[k] = -copysign(length, head)
    return True


def _solved(columns: list[list[float]], right: Sequence[float]) -> list[float]:
    """Back substitution: x with R x = right, R the upper triangle of the columns."""
    n = len(columns)
    x = [0.0] * n
    for i in range(n - 1, -1, -1):
        x[i] = (right[i] - added(columns[j][i] * x[j] for j in range(i + 1, n))) / columns[i][i]
    return x
