"""What the load turns about, and what its balance about that says: the hinge of the plan, one that was found, or none.

From zero to zero. Where the plan names no hinge, the first line found well enough is kept as the one to watch. A hinge that
has walked begins the balance anew: the old arms no longer hold. Whether it walks is learned anew once other sensors speak
for the pose than before, and not judged while two of them contradict each other: the pose is then drawn from one to the other.
"""

from __future__ import annotations

from math import dist, hypot

from monitor.addition import added
from monitor.engine.balance import Balance
from monitor.engine.estimate import BOUND_SDS, PoseEstimate
from monitor.engine.hinge import UNKNOWN, hinge_of
from monitor.engine.picture import BalancePicture, HingePicture, Point, ShorePicture, StackPicture
from monitor.engine.walk import HingeWatch, Shift
from monitor.rig.schema import Rig

_FOUND_SD_M = 0.02
"""A hinge that the plan does not name is taken once its distance is known so well."""
_ALIKE = 0.8
"""Least share of the greatest arm that every stack must have of a hinge that was found (invented)."""
_CENTRE_M = 1.0
"""So far from the hinge the centre of gravity is taken to lie when a walk is turned into an angle (invented)."""
_HALF_M = 1.0
"""Half the length of the piece of it that is watched."""


class Pivot:
    """The hinge and the balance of one load, from one zero to the next."""

    def __init__(self, rig: Rig, size_m: float, heads: list[Point]) -> None:
        self.rig, self.size_m, self.heads = rig, size_m, heads
        self._hinged = rig.load.hinge is not None
        self.walk: HingeWatch | None = None
        self.balance = Balance(rig, None)
        self._left_out: frozenset[str] = frozenset()
        self._shifted = False
        self._tip_least: float | None = None
        if rig.load.hinge is not None and dist(*rig.load.hinge) > 0.0:
            self._take(rig.load.hinge)

    def _take(self, line: tuple[Point, Point]) -> None:
        self.walk, self.balance = HingeWatch(line, self.heads), Balance(self.rig, line)

    def tick(
        self,
        now_ns: int,
        pose: PoseEstimate | None,
        stacks: tuple[StackPicture, ...],
        shores: tuple[ShorePicture, ...],
    ) -> tuple[HingePicture, BalancePicture]:
        """What is known of both at this moment."""
        if pose is None:
            return UNKNOWN, BalancePicture()
        hinge = hinge_of(pose, self.size_m, self.heads)
        if not self._hinged:
            self._find(hinge, pose)
        shift = self._walked(now_ns, pose)
        if shift is not None:
            self._judge(shift)
        hinge = self._told(hinge, shift)
        if self.walk is None and not hinge.free:
            return hinge, BalancePicture()
        return hinge, self._keep(self.balance.tick(now_ns, pose, stacks, shores))

    def _told(self, hinge: HingePicture, shift: Shift | None) -> HingePicture:
        rise = limit = walk = None
        if shift is not None:
            rise, limit, walk = shift.rise_m, shift.limit_m, shift.walk_m
        return HingePicture(
            hinge.distance_m, hinge.direction_rad, hinge.sd_m, hinge.free, rise, limit, walk, self.balance.line
        )

    def _walked(self, now_ns: int, pose: PoseEstimate) -> Shift | None:
        line = self.balance.line
        if self.walk is None or line is None:
            return None
        if pose.disputed or pose.left_out != self._left_out:
            self.walk, self._left_out = HingeWatch(line, self.heads), pose.left_out
        return None if pose.disputed else self.walk.tick(now_ns, pose)

    def _judge(self, shift: Shift) -> None:
        """A hinge that has just shifted: the balance begins anew, and what was known of tipping is known less well."""
        shifted = abs(shift.rise_m) >= shift.limit_m
        if shifted and not self._shifted:
            self.balance = Balance(self.rig, self.balance.line)
            if self._tip_least is not None:
                self._tip_least -= abs(shift.walk_m) / _CENTRE_M
        self._shifted = shifted

    def _keep(self, said: BalancePicture) -> BalancePicture:
        if said.tip_rad is not None:
            self._tip_least = said.tip_rad - BOUND_SDS * (said.tip_sd_rad or 0.0)
        if self._tip_least is None:
            return said
        return BalancePicture(
            said.weight_n,
            said.weight_sd_n,
            said.cg_m,
            said.moment_nm,
            said.tip_rad,
            said.tip_sd_rad,
            self._tip_least,
            said.short_nm,
        )

    def _find(self, hinge: HingePicture, pose: PoseEstimate) -> None:
        """Take up the line that was found where the plan names none, and let go of it once the load rises without turning.

        Only one that all stacks lift about alike: where they stand at different distances, raising one end and then the
        other makes the line wander by intent.
        """
        if hinge.free and self.walk is not None:
            self.walk, self.balance, self._tip_least = None, Balance(self.rig, None), None
        elif self.walk is None and hinge.sd_m is not None and hinge.sd_m <= _FOUND_SD_M:
            z, a, b = pose.x[:3]
            arms = [abs(z + a * x + b * y) for x, y in self.heads]
            if min(arms) > _ALIKE * max(arms):
                self._take(self._piece(pose))

    def _piece(self, pose: PoseEstimate) -> tuple[Point, Point]:
        """The piece of the line of no rise that lies nearest to the stacks."""
        z, a, b = pose.x[:3]
        turn = hypot(a, b)
        x = added(at[0] for at in self.heads) / len(self.heads)
        y = added(at[1] for at in self.heads) / len(self.heads)
        off = (z + a * x + b * y) / turn
        foot = x - off * a / turn, y - off * b / turn
        along = -b / turn * _HALF_M, a / turn * _HALF_M
        return (foot[0] - along[0], foot[1] - along[1]), (foot[0] + along[0], foot[1] + along[1])
