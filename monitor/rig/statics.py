"""Statics of the plan: arms about the planned hinge, how far each point rises with the load, and who carries what.

The load is rigid, lies level at the zero and turns about the planned hinge, or rises level where there is none. Every
force is upright: a stack that leans pushes aside as well, which the plan does not know of.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from math import asin, atan2, copysign, fsum, hypot, tan

from monitor.rig.parts import centre_of_gravity, total_weight
from monitor.rig.schema import Rig

Point = tuple[float, float]
Range = tuple[float, float]
"""Least and greatest (N, up positive)."""

_SHARE = 1e-9
"""Shares of the weight that are nothing but rounding."""


def arm(hinge: tuple[Point, Point], point: Point) -> float:
    """Distance (m) of a point from the hinge line, positive on one side of it."""
    (x0, y0), (x1, y1) = hinge
    return ((point[0] - x0) * (y0 - y1) + (point[1] - y0) * (x1 - x0)) / hypot(x1 - x0, y1 - y0)


def lever(rig: Rig, point: Point) -> float:
    """What a force at a point counts with: its distance (m) from the planned hinge; 1 in a free lift."""
    return 1.0 if rig.load.hinge is None else abs(arm(rig.load.hinge, point))


def rise_ratio(rig: Rig, point: Point) -> float:
    """Rise at a point over the rise of that stack's head that rises most; below 0 beyond the hinge, 1 in a free lift."""
    if rig.load.hinge is None:
        return 1.0
    farthest = max((arm(rig.load.hinge, stack.at) for stack in rig.stack), key=abs)
    return arm(rig.load.hinge, point) / farthest if farthest else 0.0


def tilt(rig: Rig, rise: float) -> float | None:
    """The tilt (rad) about the hinge at a rise (m) of that stack's head that rises most; None without a hinge."""
    if rig.load.hinge is None:
        return None
    farthest = max(abs(arm(rig.load.hinge, stack.at)) for stack in rig.stack)
    return asin(min(1.0, max(-1.0, rise / farthest))) if farthest > 0.0 else None


def tip(rig: Rig) -> tuple[float | None, str]:
    """(the tilt (rad) at which the load goes over centre, why it is not determined).

    tan(tip) = x/z of the centre of gravity from the hinge (any statics text, such as Meriam and Kraige, Statics).
    """
    centre = centre_of_gravity(rig.load)
    if rig.load.hinge is None:
        return None, "a free lift turns about no line"
    if centre is None:
        return None, "the file gives no centre of gravity"
    if rise_ratio(rig, centre[:2]) <= 0.0:
        return None, "the centre of gravity lies beyond the hinge"
    if centre[2] <= 0.0:
        return None, "the centre of gravity lies no higher than the hinge"
    return atan2(abs(arm(rig.load.hinge, centre[:2])), centre[2]), ""


def stack_forces(rig: Rig, tilt_rad: float = 0.0) -> tuple[dict[str, Range], str]:
    """(least and greatest force on each stack while it lifts, why that is not determined: then no forces).

    By moments about the hinge, F d = W (x cos(tilt) - z sin(tilt)) with all arms upright. Several stacks: whatever
    balances the load on them and the hinge, see `shares`.
    """
    weight, centre = total_weight(rig.load), centre_of_gravity(rig.load)
    hinge = rig.load.hinge
    if weight is None or centre is None:
        return {}, "the file gives no weight or no centre of gravity"
    first = rig.stack[0]
    if hinge is None and len(rig.stack) == 1:
        return {first.name: (weight, weight)}, ""
    place = over(rig, centre, tilt_rad)
    if hinge is not None and len(rig.stack) == 1:
        if arm(hinge, first.at) == 0.0:
            return {}, "the stack stands on the hinge line"
        force = weight * arm(hinge, place) / arm(hinge, first.at)
        return (
            ({first.name: (force, force)}, "") if force > 0.0 else ({}, "the centre of gravity lies beyond the hinge")
        )
    found = shares(weight, place, [*(stack.at for stack in rig.stack), *(hinge or ())])
    if found is None:
        of = "the stacks" if hinge is None else "the stacks and the hinge"
        return {}, f"{of} do not stand on every side of the centre of gravity"
    return {stack.name: share for stack, share in zip(rig.stack, found, strict=False)}, ""


def over(rig: Rig, centre: tuple[float, float, float], tilt_rad: float) -> Point:
    """The centre of gravity's place in the underside when the load has turned, as moments about the hinge see it."""
    if rig.load.hinge is None or tilt_rad == 0.0:
        return centre[:2]
    (x0, y0), (x1, y1) = rig.load.hinge
    farthest = max((arm(rig.load.hinge, stack.at) for stack in rig.stack), key=abs)
    back = copysign(centre[2] * tan(tilt_rad), farthest) / hypot(x1 - x0, y1 - y0)
    return centre[0] - back * (y0 - y1), centre[1] - back * (x1 - x0)


def shares(weight: float, centre: Point, supports: Sequence[Point]) -> list[Range] | None:
    """Least and greatest force (N) that each support may have to carry; None where they cannot carry the load alone.

    Supports push up and never pull. Forces and moments balance; where more than three supports leave the sharing open
    the extremes are those of a linear programme, found at its corners, in each of which three supports at most carry
    (Dantzig, *Linear Programming and Extensions*, 1963).
    """
    corners = [
        corner
        for n in (1, 2, 3)
        for some in combinations(range(len(supports)), n)
        for corner in _balanced(centre, [supports[k] for k in some], some)
    ]
    if not corners:
        return None
    return [
        (weight * min(c.get(k, 0.0) for c in corners), weight * max(c.get(k, 0.0) for c in corners))
        for k in range(len(supports))
    ]


def _balanced(centre: Point, at: list[Point], keys: tuple[int, ...]) -> list[dict[int, float]]:
    """The shares of one, two or three supports that alone balance the weight, if there are any; else an empty list."""
    (ax, ay), *rest = [(x - centre[0], y - centre[1]) for x, y in at]
    if not rest:
        return [{keys[0]: 1.0}] if hypot(ax, ay) <= _SHARE else []
    if len(rest) == 1:
        ((bx, by),) = rest
        length = hypot(bx - ax, by - ay)
        if length == 0.0 or abs(ax * by - ay * bx) > _SHARE * length:
            return []
        of_b = -(ax * (bx - ax) + ay * (by - ay)) / length**2
        parts = [1.0 - of_b, of_b]
    else:
        (bx, by), (cx, cy) = rest
        parts = [bx * cy - cx * by, cx * ay - ax * cy, ax * by - bx * ay]
        area = fsum(parts)
        if abs(area) <= _SHARE * (hypot(bx - ax, by - ay) * hypot(cx - ax, cy - ay)):
            return []
        parts = [part / area for part in parts]
    return [dict(zip(keys, parts, strict=True))] if min(parts) >= -_SHARE else []
