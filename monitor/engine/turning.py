"""How far the load has turned, across its hinge and along it, against what the plan allows.

Conditions like those of conditions.py.
"""

from __future__ import annotations

from math import asin, hypot

from monitor import quantities as show
from monitor.engine.conditions import BOUND_SDS, Measured, Outcome, Scene
from monitor.engine.picture import Point

_WIDEST = 0.2
"""Share of a limit that a lie may hide: where it could hide more, it is the sensors that are too few (invented)."""


def tilt(scene: Scene, _: str) -> Outcome:
    """Tilt across the hinge line (all of it where the plan names no hinge), against its limit, errors counted."""
    return _tilt(scene, False)


def tilt_with_bound(scene: Scene, _: str) -> Outcome:
    """The same, with what one sensor that lies unseen could hide."""
    return _tilt(scene, True)


def _tilt(scene: Scene, with_lie: bool) -> Outcome:
    if scene.pose is None:
        return scene.no_pose()
    if scene.facts.hinged:
        return _angle(scene, scene.facts.across, None, scene.facts.limits.tilt, with_lie)
    a, b = scene.pose.x[1], scene.pose.x[2]
    steep = hypot(a, b)
    axis = (a / steep, b / steep) if steep > 0.0 else (1.0, 0.0)
    return _angle(scene, axis, asin(min(1.0, steep)), scene.facts.limits.tilt, with_lie)


def cross_tilt(scene: Scene, _: str) -> Outcome:
    """Tilt along the hinge line: the load twists. Nothing to watch where the plan names no hinge."""
    return _cross_tilt(scene, False)


def cross_tilt_with_bound(scene: Scene, _: str) -> Outcome:
    """The same, with what one sensor that lies unseen could hide."""
    return _cross_tilt(scene, True)


def _cross_tilt(scene: Scene, with_lie: bool) -> Outcome:
    if not scene.facts.hinged:
        return None
    if scene.pose is None:
        return scene.no_pose()
    return _angle(scene, scene.facts.along, None, scene.facts.limits.cross_tilt, with_lie)


def turned(scene: Scene, axis: Point) -> tuple[float, float]:
    """(the tilt (rad) along a unit axis, its standard deviation), worked out once a tick. Asked only where the pose is known."""
    seen = scene.turned.get(axis)
    if seen is None:
        pose, (x, y) = scene.pose, axis
        assert pose is not None, "asked only where the pose is known"
        seen = scene.turned[axis] = pose.tilt(x, y), pose.tilt_sd(x, y)
    return seen


def _angle(scene: Scene, axis: Point, steep: float | None, limit: float, with_lie: bool) -> Outcome:
    """An angle (`steep`, else the tilt along the axis) and how far it may be off. Where too few sensors speak, if only while one
    is held back, noise alone counts."""
    tilt, sd = turned(scene, axis)
    angle, bound, widest = abs(tilt) if steep is None else steep, BOUND_SDS * sd, _WIDEST * limit
    if with_lie:
        if (angle + (bound if bound > widest else widest)) / limit <= scene.above:
            return None  # no lie that counts makes it more
        assert scene.pose is not None, "asked only where the pose is known"
        lie = scene.pose.tilt_bound(*axis)
        bound = bound if lie is None or lie > widest else lie
    share = (angle + bound) / limit
    if share <= scene.above:
        return None
    return Measured(
        share,
        lambda: f"{show.angle(angle)}, {show.angle(limit)} allowed",
        {"tilt_rad": angle, "limit_rad": limit, "bound_rad": bound},
    )
