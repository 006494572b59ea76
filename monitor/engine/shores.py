"""Shores and cribbing: how far each is behind the load, and how far the load would fall if the bags failed now.

Only what is known counts: a shore whose gap is unknown, or that has been released, holds nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, sqrt

from monitor.engine.channels import ChannelState
from monitor.engine.geometry import hull, inside
from monitor.engine.picture import Point, ShorePicture
from monitor.engine.pose import PoseEstimate
from monitor.rig.parts import centre_of_gravity
from monitor.rig.schema import Rig, Shore

_FOLLOWING_M_S = 0.001
"""A shore that grows faster than this follows the load; one that does not is locked."""
_DWELL_NS = 500_000_000
"""How long a shore must have stood still before it is called locked."""


@dataclass(frozen=True, slots=True)
class Crib:
    """Cribbing marked as packed at a point, up to a height (m of the load's rise there since the zero)."""

    at: Point
    height_m: float


class ShoreState:
    """One shore, followed from tick to tick."""

    def __init__(self, shore: Shore, states: dict[str, ChannelState]) -> None:
        self.shore = shore
        self.extension = states[shore.extension]
        self.air = states[shore.pressure] if shore.pressure else None
        self.released = False
        self._grew_ns: int | None = None

    def _doing(self, now_ns: int) -> str:
        if self.released:
            return "released"
        rate = self.extension.rate(now_ns)
        if rate is None:
            return "unknown"
        if rate > max(_FOLLOWING_M_S, 2.5 * self.extension.filter.rate_sd):
            self._grew_ns = now_ns
        return "following" if self._grew_ns is not None and now_ns - self._grew_ns < _DWELL_NS else "locked"

    def picture(self, pose: PoseEstimate | None, now_ns: int) -> ShorePicture:
        """This shore for the picture."""
        shore = self.shore
        grown = self.extension.since_zero(now_ns)
        gap = sd = None
        if pose is not None and grown is not None:
            gap = pose.rise(*shore.at) - grown
            sd = sqrt(pose.rise_sd(*shore.at) ** 2 + self.extension.noise**2)
        return ShorePicture(
            name=shore.name,
            at=shore.at,
            gap_m=gap,
            gap_sd_m=sd,
            gap_allowed_m=shore.gap_allowed,
            extension_m=grown,
            air_pa=self.air.reading(now_ns) if self.air else None,
            follow_pa=shore.follow_pressure,
            load_n=None,
            doing=self._doing(now_ns),
        )


def captured(shores: tuple[ShorePicture, ...]) -> bool:
    """Whether every shore stands within its allowed gap, locked under the load."""
    return bool(shores) and all(
        shore.gap_m is not None and shore.doing != "released" and shore.gap_m <= shore.gap_allowed_m for shore in shores
    )


def fall_if_bags_fail(
    rig: Rig, pose: PoseEstimate, shores: tuple[ShorePicture, ...], cribs: list[Crib]
) -> float | None:
    """How far (m) the stack heads would drop if every bag failed now, for a load turning about the planned hinge.

    The load turns down until the centre of gravity lies inside the hinge line and the supports met so far; a
    support short of that is a see-saw, and it goes on to the next, at last to where it lay at the zero. None where
    the plan names no hinge or no centre of gravity: then it is not known.
    """
    centre = centre_of_gravity(rig.load)
    if rig.load.hinge is None or centre is None:
        return None
    (x0, y0), (x1, y1) = rig.load.hinge
    length = hypot(x1 - x0, y1 - y0)

    def arm(point: Point) -> float:
        return ((point[0] - x0) * (y0 - y1) + (point[1] - y0) * (x1 - x0)) / length

    cg = centre[:2]
    side = 1.0 if arm(cg) >= 0.0 else -1.0
    supports: list[tuple[float, Point]] = []  # (slope still to fall until met, where)
    for shore in shores:
        if shore.gap_m is not None and shore.doing != "released" and arm(shore.at) * side > 0.0:
            supports.append((max(shore.gap_m, 0.0) / (arm(shore.at) * side), shore.at))
    for crib in cribs:
        if arm(crib.at) * side > 0.0:
            supports.append((max(pose.rise(*crib.at) - crib.height_m, 0.0) / (arm(crib.at) * side), crib.at))
    met: list[Point] = [(x0, y0), (x1, y1)]
    slope = None
    for turned, point in sorted(supports):
        met.append(point)
        if inside(cg, hull(met)):
            slope = turned
            break
    drops = []
    for stack in rig.stack:
        rise = max(pose.rise(*stack.at), 0.0)
        drops.append(rise if slope is None else min(rise, slope * max(arm(stack.at) * side, 0.0)))
    return max(drops)
