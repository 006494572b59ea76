"""Plane geometry of supports: hulls and whether a point stands inside one."""

from __future__ import annotations

from collections.abc import Iterable

from monitor.engine.picture import Point


def hull(points: Iterable[Point]) -> list[Point]:
    """Convex hull, counter-clockwise (Andrew's monotone chain); fewer than three points come back as they are."""
    ordered = sorted(set(points))
    if len(ordered) < 3:
        return ordered
    halves = []
    for direction in (ordered, ordered[::-1]):
        chain: list[Point] = []
        for point in direction:
            while len(chain) > 1 and _turn(chain[-2], chain[-1], point) <= 0.0:
                chain.pop()
            chain.append(point)
        halves.append(chain[:-1])
    return halves[0] + halves[1]


def inside(point: Point, polygon: list[Point]) -> bool:
    """Whether a point stands inside (or on the edge of) a convex counter-clockwise polygon with an area."""
    if len(polygon) < 3:
        return False
    return all(_turn(a, b, point) >= 0.0 for a, b in zip(polygon, polygon[1:] + polygon[:1], strict=True))


def _turn(a: Point, b: Point, c: Point) -> float:
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
