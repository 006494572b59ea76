"""How far the load falls if every bag fails now: on to the hinge and the supports that are left, or on to the ground.

Plain geometry of points and heights. Which shores and cribs hold anything, where the centre of gravity is and how far the
load has risen is worked out elsewhere; a support whose gap is unknown is simply not passed.

Common to both: points are load-fixed, in the load's underside (x, y in metres, load frame), where a drop is linear in x
and y at any angle, since both are measured in the vertical direction cosines. Small-angle all the same: the tops of the
supports are taken to meet the same points of the load all the way down, and `centre` is where the plumb line through the
centre of gravity meets the underside now. The load is rigid, comes down slowly and does not slide; what it gains in a
free fall is no part of this. In doubt the greater fall is given.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations
from math import atan2, hypot, isfinite, pi

from drivers.quick import quick
from monitor.engine.picture import Point

Head = tuple[Point, float]
"""A point of the load and its rise (m) since the zero, up positive."""

_ROUNDING = 1e-9
"""Metres, radians and shares of a triangle that are nothing but rounding."""


@quick
@dataclass(frozen=True, slots=True)
class Support:
    """A locked shore or packed crib: the load's underside at `at` is `room_m` above it (below 0 counts as 0)."""

    at: Point
    room_m: float


@quick
@dataclass(frozen=True, slots=True)
class _Drop:
    """A plane the load may come to rest in: how far below the present one, down positive, about the centre of gravity."""

    centre_m: float
    along_x: float
    along_y: float

    def at(self, x: float, y: float) -> float:
        """The drop (m) at a point given from the centre of gravity."""
        return self.centre_m + self.along_x * x + self.along_y * y


def fall_about_hinge(
    hinge: tuple[Point, Point], centre: Point, supports: Sequence[Support], heads: Sequence[Head]
) -> float:
    """Greatest drop (m, down positive, at least 0) at `heads` of a load that turns down about its hinge.

    It turns to the first support met, and rests there if the centre of gravity lies inside the hull of the hinge's ends
    and the supports met so far, not on its edge. A support short of that is a see-saw: on to the next, at last to where
    the load lay at the zero. A drop is the slope turned through times the head's distance from the hinge, never more
    than its rise. On a see-saw one end of the hinge may lift; where that brings a head lower, that counts. A centre on
    the hinge, or a hinge that is no line: the load may go over either way, and the greatest rise is the fall.
    """
    (x0, y0), (x1, y1) = hinge
    length = hypot(x1 - x0, y1 - y0)
    if not length > _ROUNDING:
        return _greatest_rise(heads)
    across_x, across_y = y0 - y1, x1 - x0
    cx, cy = centre
    side = 1.0 if ((cx - x0) * across_x + (cy - y0) * across_y) / length > 0.0 else -1.0
    met = []
    for support in supports:
        (x, y), room = support.at, support.room_m
        off = ((x - x0) * across_x + (y - y0) * across_y) / length * side
        if off > _ROUNDING and isfinite(room) and isfinite(x) and isfinite(y):
            met.append((_up(room) / off, support.at))
    met.sort()
    around = _seen_from(centre, hinge)
    for slope, at in met:
        around += _seen_from(centre, (at,))
        if _all_round(around):
            downs = [
                min(_up(rise), slope * (((x - x0) * across_x + (y - y0) * across_y) / length) * side)
                for (x, y), rise in heads
            ]
            turned = max(downs, default=0.0)
            if slope <= met[0][0]:
                return max(0.0, turned)
            return max(turned, fall_free(centre, [*supports, *(Support(end, 0.0) for end in hinge)], [], heads))
    return _greatest_rise(heads)


def fall_free(centre: Point, supports: Sequence[Support], resting: Sequence[Head], heads: Sequence[Head]) -> float:
    """Greatest drop (m, down positive, at least 0) at `heads` of a load that no hinge holds.

    The load comes down until its weight rests: the lowest place of the centre of gravity over all planes that stay on or
    above every support and every point of `resting`, where it lay at the zero (room there: its rise). That is the upper
    concave envelope of the support points, a linear programme whose dual picks three of them around the centre
    (Dantzig, *Linear Programming and Extensions*, 1963). Where several planes are as low, it rocks between them and the
    lowest at each head counts. A centre outside all support points, or on their edge: the load goes over, and the
    greatest rise is the fall. A drop is never more than the head's rise.
    """
    planes = _planes_of_rest(centre, _known([*((s.at, s.room_m) for s in supports), *resting]))
    if not planes:
        return _greatest_rise(heads)
    lows = (min(_up(rise), plane.at(x - centre[0], y - centre[1])) for (x, y), rise in heads for plane in planes)
    return max(0.0, max(lows, default=0.0))


def _planes_of_rest(centre: Point, points: list[Head]) -> list[_Drop]:
    """The planes with the centre of gravity lowest, none of them below a point; empty where the load goes over.

    Any plane that lies on three points around the centre and below none is the lowest (the programme's duality).
    """
    if not _surrounded(centre, [at for at, _ in points]):
        return []
    around = [(x - centre[0], y - centre[1], room) for (x, y), room in points]
    planes = (plane for three in combinations(around, 3) if (plane := _through(*three)) is not None)
    return [plane for plane in planes if all(plane.at(x, y) <= room + _ROUNDING for x, y, room in around)]


def _surrounded(centre: Point, points: Iterable[Point]) -> bool:
    """Whether points stand on every side of the centre, which then lies strictly inside their hull."""
    return _all_round(_seen_from(centre, points))


def _seen_from(centre: Point, points: Iterable[Point]) -> list[float]:
    """The directions (rad) of points from the centre; one on it has none."""
    cx, cy = centre
    angles = []
    for px, py in points:
        x, y = px - cx, py - cy
        if hypot(x, y) > _ROUNDING:
            angles.append(atan2(y, x))
    return angles


def _all_round(angles: list[float]) -> bool:
    """Whether no half turn lies between directions. Sorts them."""
    if len(angles) < 3:
        return False
    angles.sort()
    before = angles[0]
    if before + 2.0 * pi - angles[-1] >= pi - _ROUNDING:
        return False
    for angle in angles:
        if angle - before >= pi - _ROUNDING:
            return False
        before = angle
    return True


def _through(
    a: tuple[float, float, float], b: tuple[float, float, float], c: tuple[float, float, float]
) -> _Drop | None:
    """The plane through three (x, y, room), or None if the origin is not inside the triangle or it is no triangle."""
    (ax, ay, ar), (bx, by, br), (cx, cy, cr) = a, b, c
    of_a, of_b, of_c = bx * cy - cx * by, cx * ay - ax * cy, ax * by - bx * ay
    area = of_a + of_b + of_c
    if area == 0.0 or min(of_a / area, of_b / area, of_c / area) < -_ROUNDING:
        return None
    return _Drop(
        (of_a * ar + of_b * br + of_c * cr) / area,
        ((br - ar) * (cy - ay) - (cr - ar) * (by - ay)) / area,
        ((cr - ar) * (bx - ax) - (br - ar) * (cx - ax)) / area,
    )


def _known(points: Iterable[Head]) -> list[Head]:
    """Those with a finite room, at least 0: what is not a number holds nothing."""
    return [(at, _up(room)) for at, room in points if isfinite(room) and isfinite(at[0]) and isfinite(at[1])]


def _up(rise: float) -> float:
    return rise if rise > 0.0 else 0.0


def _greatest_rise(heads: Sequence[Head]) -> float:
    return max((_up(rise) for _, rise in heads), default=0.0)
