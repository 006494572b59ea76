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


def _angle(scene: Scene, axis: Point, steep: float | None, limit: float, with_lie: bool) -> Outcome:
    """An angle (`steep`, else the tilt along the axis) and how far it may be off. Where too few sensors speak, if only while one
    is held back, noise alone counts."""
    pose, seen = scene.pose, scene.turned.get(axis)
    assert pose is not None, "asked only where the pose is known"
    if seen is None:
        sds = BOUND_SDS * pose.tilt_sd(*axis)
        seen = scene.turned[axis] = abs(pose.tilt(*axis)) if steep is None else steep, sds, pose.tilt_bound(*axis)
    angle, sds, lie = seen
    bound = sds if not with_lie or lie is None or lie > _WIDEST * limit else lie
    share = (angle + bound) / limit
    if share <= scene.above:
        return None
    return Measured(
        share,
        lambda: f"{show.angle(angle)}, {show.angle(limit)} allowed",
        {"tilt_rad": angle, "limit_rad": limit, "bound_rad": bound},
    )
