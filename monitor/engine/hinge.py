"""Where the load turns: the points that have not risen form a line in its underside, z + a*x + b*y = 0.

Worked out from the pose alone, whatever hinge the plan names. Whether that line walks is not judged here.
"""

from __future__ import annotations

from math import atan2, hypot, pi, sqrt

from monitor.engine.estimate import PoseEstimate
from monitor.engine.kalman import variance_along
from monitor.engine.picture import HingePicture

_TURNED_SDS = 5.0
"""Standard deviations by which the load must have turned before its hinge is spoken of."""
_RISEN_SDS = 6.0
"""Standard deviations by which every stack head must have risen before a lift without tilt is called free."""
_USEFUL_M = 0.1
"""The hinge is not shown while its distance is known worse than this (one standard deviation)."""
_FAR = 3.0
"""A line that lies so many sizes of the load away is no hinge of it."""
_CUT_RAD = -pi / 4.0
"""Directions of a line are folded to half a turn from here: a cut that no usual hinge lies on."""

UNKNOWN = HingePicture(None, None, None, None)
_FREE = HingePicture(None, None, None, True)


def hinge_of(pose: PoseEstimate, size_m: float, heads: list[tuple[float, float]]) -> HingePicture:
    """The line of no rise: its distance from the load's origin (m), its direction (rad from +x), and the distance's error.

    The error by the delta method from the pose's covariance. `size_m`: from the origin to the load's farthest point.
    A load that has risen at every head without turning, or about a line far outside it, is a free lift: no hinge.
    """
    z, a, b, *_ = pose.x
    turn = hypot(a, b)
    turn_sd = sqrt(max(0.0, variance_along(pose.p, (0.0, a / turn, b / turn)))) if turn > 0.0 else 0.0
    if turn <= _TURNED_SDS * turn_sd or turn == 0.0:
        return _FREE if _risen(pose, heads) else UNKNOWN
    distance = abs(z) / turn
    if distance > _FAR * size_m:
        return _FREE if _risen(pose, heads) else UNKNOWN
    side = 1.0 if z >= 0.0 else -1.0
    row = side / turn, -distance * a / turn**2, -distance * b / turn**2
    sd = sqrt(max(0.0, variance_along(pose.p, row)))
    if sd > _USEFUL_M:
        return UNKNOWN
    return HingePicture(distance, _folded(atan2(a, -b)), sd, False)


def _risen(pose: PoseEstimate, heads: list[tuple[float, float]]) -> bool:
    for x, y in heads:
        rise = pose.rise(x, y)
        if rise <= 0.0 or not rise > _RISEN_SDS * pose.rise_sd(x, y):
            return False
    return True


def _folded(direction: float) -> float:
    """The direction of a line, which has no end: within half a turn."""
    return (direction - _CUT_RAD) % pi + _CUT_RAD
