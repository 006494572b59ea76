"""How far the head of a stack stands from its foot: from the tilts of the plates, the load's own motion, or directly.

Each comes with its 2x2 error; here they are put together so that a danger is never averaged away. What counts as too much
is decided elsewhere, and a head that slides quickly is slip.py's business.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import cos, exp, hypot, log, sqrt, tan

from drivers.quick import quick
from monitor.engine.estimate import BOUND_SDS, PoseEstimate
from monitor.engine.hinge import hinge_of
from monitor.engine.mounts import sideways
from monitor.engine.picture import Point
from monitor.rig.schema import Load

_STILL_M, _STILL_SHARE = 0.003, 0.02
"""How far a load's own motion may miss the head's: the hinge gives a little and the head creeps, and so does a share of the
way (common practice, no source)."""
_SEEN_HINGE = 3.0
"""Times that, where no hinge is planned and it is taken from the pose (invented)."""
_BESIDE_M = 0.2
"""How far beside the load's outline a seen hinge may lie (invented)."""
_APART, _BOTH = 3.0, 2.0
"""Standard deviations of their difference beyond which two leans contradict each other, and up to which they are one; in
between the larger one gains weight, so that the lean does not jump."""
_MEMORY_M, _SAMPLE_M = 0.02, 0.0005
"""Rise over which the trend of lean remembers, and how often it looks."""
_LOWERED_M = 0.002
"""A head that is lower by this than it was is being lowered."""
_FEWEST_M = 0.004
"""Spread of rise (one standard deviation) that makes a trend."""
_FEWEST_SQUARED = _FEWEST_M**2
_RECENT_NS = 3_000_000_000
"""A rise that has stood still for so long has no trend (invented)."""

_STRAIGHT, _FALLEN = 0.01, 1.5
"""An axis between plates nearer than this (rad) is straight, and a plate beyond this is no plate any more."""

Cov = tuple[float, float, float]
"""xx, xy, yy of a symmetric 2x2 matrix (m^2)."""


@quick
@dataclass(frozen=True, slots=True)
class Lean:
    """How far the head's centre stands from the foot's (m, toward +x and +y), its covariance, and the plates' centres."""

    x: float
    y: float
    cov: Cov
    plates: tuple[tuple[float, float, float], ...] = ()

    @property
    def length(self) -> float:
        """Distance of the head's centre from the foot's (m)."""
        return hypot(self.x, self.y)

    @property
    def sd(self) -> float:
        """One standard deviation in the direction in which it is least known (m)."""
        xx, xy, yy = self.cov
        return sqrt(max(0.0, (xx + yy) / 2.0 + hypot((xx - yy) / 2.0, xy)))


@quick
@dataclass(frozen=True, slots=True)
class Axes:
    """The bags' axes between their plates: `slopes`, how far each goes to the - side for its height (x, y); `reaches` (m), how
    far the head goes for a turn of both plates of a bag; `bends` (m^2), the variance along x and y of those that are bent."""

    slopes: list[Point]
    reaches: list[float]
    bends: list[Point]


def slopes_of(tilts: Sequence[Point]) -> list[Point]:
    """How far each bag's axis goes to the - side for its height (x, y), by the tilts of the plates 0..n at its ends."""
    slopes = []
    x0, y0 = tilts[0]
    for x1, y1 in tilts[1:]:
        slopes.append((tan((x0 + x1) / 2.0), tan((y0 + y1) / 2.0)))
        x0, y0 = x1, y1
    return slopes


def head_of(heights: Sequence[float], slopes: Sequence[Point]) -> Point:
    """Where the head's centre stands over the foot's (m, x and y): `Lean` without its error."""
    x = y = 0.0
    for i, (tx, ty) in enumerate(slopes):
        x -= heights[i] * tx
        y -= heights[i] * ty
    return x, y


def lean_of(
    heights: Sequence[float],
    tilts: Sequence[Point],
    tilt_sds: Sequence[float],
    split: Sequence[Sequence[float]] | None = None,
    shear_sd: float = 0.0,
    axes: Axes | None = None,
) -> Lean:
    """The lean that plate tilts give: each bag's axis is a circular arc whose chord points along the mean tilt.

    `heights`: each bag's height (m, vertical) from the foot up, `split` their covariance. `tilts`: (x, y) tilt (rad) of
    plates 0..n against gravity, positive when the + side is up, with one standard deviation each; such a plate's normal
    leans to the - side, hence the sign. An arc that turns from t0 to t1 over the height h goes sideways by
    h*(cos t0 - cos t1)/(sin t1 - sin t0) = h*tan((t0 + t1)/2). `shear_sd` (m) is what parallel plates may have gone
    sideways unseen. How an axis bends between its plates nobody sees either: see `_bend_sd`. `axes`: where they are known.
    """
    if axes is None:
        axes = axes_of(heights, tilts, slopes_of(tilts))
    slopes = axes.slopes
    x = y = z = 0.0
    plates = [(0.0, 0.0, 0.0)]
    for i, (tx, ty) in enumerate(slopes):
        height = heights[i]
        x -= height * tx
        y -= height * ty
        z += height
        plates.append((x, y, z))
    xx, yy = _spread(axes, tilt_sds, shear_sd * shear_sd)
    xy = 0.0
    for k, row in enumerate(split or ()):
        tx, ty = slopes[k]
        for m, (ux, uy) in enumerate(slopes):
            v = row[m]
            xx += v * tx * ux
            xy += v * (tx * uy + ty * ux) / 2.0
            yy += v * ty * uy
    return Lean(x, y, (xx if xx > 0.0 else 0.0, xy, yy if yy > 0.0 else 0.0), tuple(plates))


def tremble_of(axes: Axes, tilt_sds: Sequence[float]) -> float:
    """The standard deviation (m) of what `lean_of` gives, by the tilts' alone."""
    xx, yy = _spread(axes, tilt_sds, 0.0)
    return sqrt((xx + yy) / 2.0 + abs(xx - yy) / 2.0)


def axes_of(heights: Sequence[float], tilts: Sequence[Point], slopes: list[Point]) -> Axes:
    """The axes of bags of these heights between plates 0..n of these tilts; `slopes` of the same tilts."""
    reaches, bends = [], []
    x0, y0 = tilts[0]
    for i, (tx, ty) in enumerate(slopes):
        height = heights[i]
        x1, y1 = tilts[i + 1]
        bent_x, bent_y = not -_STRAIGHT < x1 - x0 < _STRAIGHT, not -_STRAIGHT < y1 - y0 < _STRAIGHT
        if bent_x or bent_y:
            bend_x = _bend_sd(height, x0, x1) if bent_x else 0.0
            bend_y = _bend_sd(height, y0, y1) if bent_y else 0.0
            bends.append((bend_x * bend_x, bend_y * bend_y))
        steep_x, steep_y = tx * tx, ty * ty  # a tangent grows faster than its angle where it is steep
        reaches.append(height * (1.0 + (steep_y if steep_y > steep_x else steep_x)))
        x0, y0 = x1, y1
    return Axes(slopes, reaches, bends)


def _spread(axes: Axes, tilt_sds: Sequence[float], known: float) -> tuple[float, float]:
    """Variance (m^2) of the head's place along x and along y: `known`, and what bends and tilts add to it."""
    xx = yy = known
    for bend_x, bend_y in axes.bends:
        xx += bend_x
        yy += bend_y
    below = 0.0
    for i, above in enumerate((*axes.reaches, 0.0)):
        variance = ((below + above) / 2.0 * tilt_sds[i]) ** 2
        xx += variance
        yy += variance
        below = above
    return xx, yy


def _bend_sd(height: float, t0: float, t1: float) -> float:
    """One standard deviation (m) of a bag's offset for the shape of its axis: by how much one that turns evenly with height,
    h*ln(cos t0/cos t1)/(t1 - t0), goes further than the arc, which turns evenly along itself. A twentieth of the offset between
    plates that stand 40 degrees apart; nothing at small tilts, of which nobody asks, nor of plates that are none any more."""
    if max(abs(t0), abs(t1)) > _FALLEN:
        return 0.0
    turn = t1 - t0
    return height * abs(log(cos(t0) / cos(t1)) / turn - tan((t0 + t1) / 2.0))


class HeadOnLoad:
    """The point of a load that a stack's head stands under, `at` in the underside: where the load takes it."""

    def __init__(self, load: Load, at: Point) -> None:
        self._at = at
        self._planned = _planned_arm(load, at)
        self._outline = load.outline
        corners = load.outline or [at]
        self._size = max(1.0, *(hypot(*corner) for corner in corners))
        self._sides = [(min(along), max(along)) for along in zip(*corners, strict=True)]

    def moved(self, pose: PoseEstimate) -> Lean | None:
        """How far the point has gone sideways about the hinge since the zero (m, ground).

        The horizontal part of (R - R0) r, r from the hinge's nearest point (for a level load r*(cos theta - 1) - h_c*sin theta,
        h_c = 0 in the underside). None without a hinge. The error: of the pose, and of a hinge and a head that give a little.
        """
        arm, doubt = self._planned, 1.0
        if arm is None:
            arm, doubt = self._seen_arm(pose), _SEEN_HINGE
        if arm is None:
            return None
        x, y, (_, xa, xb), (_, ya, yb) = sideways(pose.level, pose.x[1], pose.x[2], (arm[0], arm[1], 0.0))
        rest = (doubt * (_STILL_M + _STILL_SHARE * hypot(x, y))) ** 2
        (_, aa, ab, _, _, _), (_, ba, bb, _, _, _) = pose.p[1:3]
        return Lean(
            x,
            y,
            (
                0.0 + xa * aa * xa + xa * ab * xb + xb * ba * xa + xb * bb * xb + rest,
                0.0 + xa * aa * ya + xa * ab * yb + xb * ba * ya + xb * bb * yb,
                0.0 + ya * aa * ya + ya * ab * yb + yb * ba * ya + yb * bb * yb + rest,
            ),
        )

    def _seen_arm(self, pose: PoseEstimate) -> Point | None:
        """From the nearest point of the line of no rise, z + a*x + b*y = 0, to it; None where no hinge can be there."""
        at = self._at
        if hinge_of(pose, self._size, [at]).free is not False:
            return None
        _, a, b = pose.x[:3]
        turn = a * a + b * b
        off = pose.rise(*at) / turn if turn > 0.0 else 0.0
        arm = off * a, off * b
        for axis, (low, high) in enumerate(self._sides):
            if self._outline and not low - _BESIDE_M <= at[axis] - arm[axis] <= high + _BESIDE_M:
                return None
        return arm


def _planned_arm(load: Load, at: Point) -> Point | None:
    """From the nearest point of the planned hinge line to `at` (m, load frame)."""
    if load.hinge is None:
        return None
    (x0, y0), (x1, y1) = load.hinge
    ux, uy = x1 - x0, y1 - y0
    size = hypot(ux, uy)
    if size <= 0.0:
        return at[0] - x0, at[1] - y0
    off = ((at[0] - x0) * uy - (at[1] - y0) * ux) / size
    return off * uy / size, -off * ux / size


def put_together(tilts: Lean | None, other: Lean | None) -> Lean | None:
    """One lean of what the tilts say and what the head's or the load's own motion says.

    Weighed by inverse covariance while they agree; beyond three standard deviations of their difference the larger one
    holds, with its own error: a stack that rolls under a load that stays is not half as dangerous.
    """
    if tilts is None or other is None:
        return tilts or other
    (axx, axy, ayy), (bxx, bxy, byy) = tilts.cov, other.cov
    xx, xy, yy = axx + bxx, axy + bxy, ayy + byy
    det = xx * yy - xy * xy
    if not det > 0.0:
        return tilts
    ixx, ixy, iyy = yy / det, -xy / det, xx / det  # (A + B)^-1
    dx, dy = other.x - tilts.x, other.y - tilts.y
    wx, wy = ixx * dx + ixy * dy, ixy * dx + iyy * dy
    apart = dx * wx + dy * wy
    apart = sqrt(apart) if apart > 0.0 else 0.0
    gx, gy = axx * wx + axy * wy, axy * wx + ayy * wy  # A (A + B)^-1 of the way from the one to the other
    px, py = ixx * axx + ixy * axy, ixy * axx + iyy * axy
    qx, qy = ixx * axy + ixy * ayy, ixy * axy + iyy * ayy
    less = axx * px + axy * py, ((axy * px + ayy * py) + (axx * qx + axy * qy)) / 2.0, axy * qx + ayy * qy
    both = Lean(tilts.x + gx, tilts.y + gy, (axx - less[0], axy - less[1], ayy - less[2]), tilts.plates)
    if apart <= _BOTH:
        return both
    larger = max(tilts, other, key=lambda it: it.length)
    share = min(1.0, (apart - _BOTH) / (_APART - _BOTH))
    cov = tuple(u + share * (v - u) for u, v in zip(both.cov, larger.cov, strict=True))
    x, y = both.x + share * (larger.x - both.x), both.y + share * (larger.y - both.y)
    return Lean(x, y, (cov[0], cov[1], cov[2]), tilts.plates)


def carried_to(lean: Lean, plates: tuple[tuple[float, float, float], ...]) -> Lean:
    """The lean with its plates' centres, drawn over by what the head is off them: evenly with height, as in shear."""
    top = plates[-1]
    if top[2] <= 0.0:
        return Lean(lean.x, lean.y, lean.cov, plates)
    dx, dy = (lean.x - top[0]) / top[2], (lean.y - top[1]) / top[2]
    return Lean(lean.x, lean.y, lean.cov, tuple([(x + dx * z, y + dy * z, z) for x, y, z in plates]))


class LeanTrend:
    """Lean against rise over the last two centimetres of rise, by recursive least squares with forgetting."""

    def __init__(self) -> None:
        self.reset()

    def reset(self) -> None:
        """Forget everything."""
        self._at: tuple[int, float] | None = None
        self._weight = self._rise = self._lean = self._xx = self._xy = self._yy = 0.0

    def tick(self, now_ns: int, rise: float, lean: float) -> None:
        """Take the lean (m) at a rise (m); one at a rise that was just looked at adds nothing."""
        step = 0.0
        if self._at is not None:
            step = rise - self._at[1]
            if rise < self._at[1] - _LOWERED_M:  # its way down is another story
                self.reset()
                step = 0.0
            elif step < _SAMPLE_M:
                return
        fade = exp(-step / _MEMORY_M)
        self._at = now_ns, rise
        weight = fade * self._weight + 1.0
        dr, dl = rise - self._rise, lean - self._lean
        share = fade * self._weight / weight  # weighted sums about the mean, after West (1979)
        self._xx = fade * self._xx + share * dr * dr
        self._xy = fade * self._xy + share * dr * dl
        self._yy = fade * self._yy + share * dl * dl
        self._rise, self._lean, self._weight = self._rise + dr / weight, self._lean + dl / weight, weight

    def reaches(self, now_ns: int, rise: float, lean: float, limit: float) -> float | None:
        """The rise (m) at which the lean comes to `limit` at this trend; None unless it grows beyond doubt, and now."""
        if self._at is None or now_ns - self._at[0] > _RECENT_NS or self._xx <= self._weight * _FEWEST_SQUARED:
            return None
        slope = self._xy / self._xx
        left = max(0.0, self._yy - slope * self._xy) / max(1.0, self._weight - 2.0)
        if slope <= BOUND_SDS * sqrt(left / self._xx) or slope <= 0.0:
            return None
        return max(rise, rise + (limit - lean) / slope)
