"""Three by three: the little matrix algebra that the pose, its integrity and its zero share."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from math import isfinite

from monitor.addition import added
from monitor.engine.kalman import Row

Matrix = list[list[float]]

_SINGULAR = 1e-9
"""Share of the product of the diagonal below which a determinant counts as none: some direction is not seen."""


def information(rows: Iterable[tuple[Row, float]]) -> Matrix:
    """Sum of h h' * weight over (h, weight): what these rows together say of [z, a, b]."""
    zz = za = zb = aa = ab = bb = 0.0
    for (z, a, b), weight in rows:
        zz += weight * z * z
        za += weight * z * a
        zb += weight * z * b
        aa += weight * a * a
        ab += weight * a * b
        bb += weight * b * b
    return [[zz, za, zb], [za, aa, ab], [zb, ab, bb]]


def inverse(m: Matrix) -> Matrix | None:
    """Inverse of a symmetric positive matrix, or None where some direction is not seen."""
    (zz, za, zb), (_, aa, ab), (_, _, bb) = m
    c00, c01, c02 = aa * bb - ab * ab, zb * ab - za * bb, za * ab - zb * aa
    det = zz * c00 + za * c01 + zb * c02
    if not det > _SINGULAR * zz * aa * bb or det <= 0.0 or not isfinite(det):
        return None
    c11, c12, c22 = zz * bb - zb * zb, za * zb - zz * ab, zz * aa - za * za
    return [
        [c00 / det, c01 / det, c02 / det],
        [c01 / det, c11 / det, c12 / det],
        [c02 / det, c12 / det, c22 / det],
    ]


def times(m: Matrix, h: Row) -> Row:
    """m h."""
    z, a, b = h
    (m00, m01, m02), (m10, m11, m12), (m20, m21, m22) = m
    return m00 * z + m01 * a + m02 * b, m10 * z + m11 * a + m12 * b, m20 * z + m21 * a + m22 * b


def dot(g: Row, h: Row) -> float:
    """g . h."""
    return g[0] * h[0] + g[1] * h[1] + g[2] * h[2]


def off_alike(rows: Sequence[tuple[Row, float]], offs: Sequence[float], of: Sequence[str]) -> Matrix:
    """Covariance of [z, a, b] where the first rows are off by errors of one standard deviation `offs`, the same at every look.

    An error e of a row (h, w) moves the least-squares answer by C h w e, C = inverse(sum of w h h'); no averaging lessens it
    (propagation of a systematic error, JCGM 100:2008 5.1). Each errs by itself; rows `of` one kind may owe it to one reference,
    and then err together, by the signs of `offs` (5.2.2, note 1). Nobody says which, so both are counted. Zero where the rows
    do not see every direction.
    """
    total = [[0.0] * 3 for _ in range(3)]
    spread = inverse(information(rows))
    if spread is None:
        return total
    moved = [[it * weight * off for it in times(spread, h)] for off, (h, weight) in zip(offs, rows, strict=False)]
    kinds = [
        [it for it, name, off in zip(moved, of, offs, strict=True) if name == kind and off]
        for kind in dict.fromkeys(of)
    ]
    together = [[added(column) for column in zip(*kind, strict=True)] for kind in kinds if len(kind) > 1]
    for one in (*moved, *together):
        for i, row in enumerate(total):
            for j, other in enumerate(one):
                row[j] += one[i] * other
    return total
