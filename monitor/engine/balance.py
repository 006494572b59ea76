"""What the bags' forces say of the load: its weight, its centre of gravity, and where it goes over centre.

About the hinge the forces' moment is the weight's, M = W * (e*cos(t) - z*sin(t)): t the absolute tilt across the hinge, e and z
the centre of gravity's distance from the hinge along the underside and its height over it (statics; any text). Over a lift
M is measured at many angles, and least squares gives W*e and W*z, so tan(tip) = e/z with no weight known at all.

Only a rising load counts, and one that has just stopped and not come down: then locked shores carry nothing. What was measured
while air flowed is kept apart from what was measured after (a gauge reads a share too high while air flows past it, the
same share at a steady pace), and each set of open bags apart from the next (each data plate is wrong by a share of its own).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import atan2, cos, hypot, isfinite, sin, sqrt

from drivers.quick import quick
from monitor.addition import added
from monitor.engine.estimate import PoseEstimate
from monitor.engine.mounts import asin_clipped
from monitor.engine.picture import BalancePicture, Point, ShorePicture, StackPicture
from monitor.rig.parts import centre_of_gravity, total_weight
from monitor.rig.schema import Rig

_BLOCK_NS, _GAP_NS = 800_000_000, 1_500_000_000
"""Forces are averaged over the first; a block with a longer gap than the second in it is thrown away."""
_RISING_M_S = 0.0005
_SETTLE_NS, _STILL_NS = 500_000_000, 8_000_000_000
"""After a stop the forces count from the first of these to the second, while the load has not come down by `_SUNK_M`."""
_SUNK_M = 0.0003
_OPEN_M = 0.004
"""A bag that is higher than flat by this much is open."""
_USUAL_SHARE, _USUAL_BLOCKS = 0.0007, 4.0
"""Scatter of a block that is assumed, as a share of its moment, and for how many blocks that assumption counts (invented)."""
_LIKE_SDS = 1.1
"""Neighbouring blocks err alike: errors are this much greater than independent ones would make them (measured)."""
_TIP_SD = 0.0058
"""The tip angle is told once it is known so well (a third of a degree), the weight once 99 % lie within 3 %."""
_WEIGHT_SHARE, _SDS_99 = 0.03, 2.576
_BENT_SHARE = 0.0001
"""By what share forces may bend over a lift though nothing is known to be wrong (invented)."""
_TURNED = 0.02
"""Nothing is said of the tip angle before the load has turned by this while measured (rad)."""
_UNSAID = 0.02
"""The share by which a force may be wrong whose error nobody says (invented)."""
_CENTRE_SD_M = 0.05
_LEAST_BLOCKS = 3


@quick
@dataclass(frozen=True, slots=True)
class _Said:
    """What the blocks say by themselves, wherever the load stands now. `tip`: against gravity. The moment (N m) at a tilt t is
    scale * (of_cos * cos(t) - of_sin * sin(t)); None while one of the three is."""

    weight: float | None
    weight_sd: float | None
    centre: tuple[float | None, float | None, float | None] | None
    tip: float | None
    tip_sd: float | None
    of_cos: float | None
    of_sin: float | None
    scale: float | None

    def moment(self, t: float) -> float | None:
        """The weight's moment about the hinge at a tilt (rad)."""
        if self.of_cos is None or self.of_sin is None or self.scale is None:
            return None
        return self.scale * (self.of_cos * cos(t) - self.of_sin * sin(t))


@dataclass
class Sums:
    """Least squares of M = a*cos(t) - b*sin(t) over the blocks of one set of open bags."""

    n: int = 0
    cc: float = 0.0
    cs: float = 0.0
    ss: float = 0.0
    cm: float = 0.0
    sm: float = 0.0
    mm: float = 0.0
    least: float = 1.0
    most: float = -1.0
    doubt: float = 0.0
    """Greatest share by which a force may have been wrong in a way that changes with the angle."""
    force_share: float = 0.0

    def add(self, t: float, moment: float, doubt: float, force_share: float) -> None:
        """One block."""
        c, s = cos(t), -sin(t)
        self.n += 1
        self.cc, self.cs, self.ss = self.cc + c * c, self.cs + c * s, self.ss + s * s
        self.cm, self.sm, self.mm = self.cm + c * moment, self.sm + s * moment, self.mm + moment * moment
        self.least, self.most = min(self.least, t), max(self.most, t)
        self.doubt, self.force_share = max(self.doubt, doubt), max(self.force_share, force_share)

    def _variance(self, left: float, unknowns: int) -> float:
        usual = (_USUAL_SHARE**2) * self.mm / self.n
        return _LIKE_SDS**2 * (max(0.0, left) + _USUAL_BLOCKS * usual) / (self.n - unknowns + _USUAL_BLOCKS)

    def moments(self) -> tuple[float, float, float, float, float] | None:
        """(a, b, variance of a, covariance, variance of b) in N m, or None while they cannot be told apart."""
        det = self.cc * self.ss - self.cs * self.cs
        if self.n < _LEAST_BLOCKS or self.most - self.least < _TURNED or not det > 1e-12 * self.cc * self.cc:
            return None
        a = (self.ss * self.cm - self.cs * self.sm) / det
        b = (self.cc * self.sm - self.cs * self.cm) / det
        left = self.mm - a * self.cm - b * self.sm
        variance = self._variance(left, 2)
        bent = (
            hypot(self.doubt, _BENT_SHARE) * a
        ) ** 2  # growing over the angles, it looks like a centre higher or lower
        spread = max(1e-6, self.most - self.least)
        return (
            a,
            b,
            variance * self.ss / det + bent,
            -variance * self.cs / det,
            variance * self.cc / det + bent / spread**2,
        )

    def weight(self, e: float, z: float) -> tuple[float, float] | None:
        """(W, its standard deviation) in N for a known centre of gravity."""
        gg = e * e * self.cc + 2.0 * e * z * self.cs + z * z * self.ss
        if self.n < _LEAST_BLOCKS or not gg > 0.0:
            return None
        w = (e * self.cm + z * self.sm) / gg
        left = self.mm - w * (e * self.cm + z * self.sm)
        return w, sqrt(self._variance(left, 1) / gg + (self.force_share * w) ** 2)


def _tip_sd(a: float, b: float, aa: float, ab: float, bb: float) -> float:
    """Standard deviation of atan2(a, b): by the delta method, or by how far three of b's own move it, whichever is more: far
    from where it was taken the angle is no straight line of b."""
    size = a * a + b * b
    if size <= 0.0:
        return 1.0
    straight = sqrt(max(0.0, b * b * aa - 2.0 * a * b * ab + a * a * bb)) / size
    three = 3.0 * sqrt(max(0.0, bb))
    return max(straight, *(abs(atan2(a, b + way * three) - atan2(a, b)) / 3.0 for way in (-1.0, 1.0)))


class Balance:
    """The balance of one load, from zero to zero. `line` is its hinge in the load's underside; None lifts it free."""

    def __init__(self, rig: Rig, line: tuple[Point, Point] | None) -> None:
        self.rig, self.line = rig, line
        self._sums: dict[tuple[str, ...], Sums] = {}
        self._block: list[tuple[float, float, float, float]] = []
        self._began_ns = self._last_ns = 0
        self._key: tuple[str, ...] = ()
        self._rose_ns: int | None = None
        self._top: list[float] | None = None
        self._free: tuple[int, float, float, float, float] = (0, 0.0, 0.0, 0.0, 0.0)
        self._planned, self._weight = centre_of_gravity(rig.load), total_weight(rig.load)
        self._said: _Said | None = None
        """What the sums say, until a block is added to one."""
        self._areas = {shore.name: shore.piston_area for shore in rig.shore}
        self._pitches = {shore.name: shore.lock_pitch for shore in rig.shore}
        self._flat = {bag.name: bag.height_flat for stack in rig.stack for bag in stack.bag}
        if line is not None:
            (x0, y0), (x1, y1) = line
            length = hypot(x1 - x0, y1 - y0)
            nx, ny = (y0 - y1) / length, (x1 - x0) / length
            side = added((s.at[0] - x0) * nx + (s.at[1] - y0) * ny for s in rig.stack)
            self.normal = (nx, ny) if side >= 0.0 else (-nx, -ny)
            self._stack_arms = {stack.name: self.arm(stack.at) for stack in rig.stack}
            self._shore_arms = {shore.name: self.arm(shore.at) for shore in rig.shore}

    def arm(self, point: Point) -> float:
        """Distance (m) of a point of the underside from the hinge, positive on the stacks' side."""
        assert self.line is not None, "asked only where there is a hinge"
        (x0, y0), _ = self.line
        return (point[0] - x0) * self.normal[0] + (point[1] - y0) * self.normal[1]

    def tick(
        self, now_ns: int, pose: PoseEstimate, stacks: tuple[StackPicture, ...], shores: tuple[ShorePicture, ...]
    ) -> BalancePicture:
        """Take the forces of this moment; what is known by now."""
        forces = [(s, s.force_n) for s in stacks if s.force_n is not None]
        how = self._how(now_ns, pose, stacks)
        if self.line is None:
            if how and len(forces) == len(stacks):
                self._take(now_ns, how, forces, self._sums_free(forces, shores))
            return self._lifted_free()
        t, given = self._tilt(pose), None
        if how and len(forces) == len(stacks):
            given = self._moment(t, forces, shores)
            self._take(now_ns, how, forces, (t, given, self._doubt(forces)))
        said = self._said or self._say()
        moment, tip, tip_sd = said.moment(t), None, None
        if said.tip is not None:
            tip, tip_sd = said.tip - asin_clipped(self.normal[0] * pose.a0 + self.normal[1] * pose.b0), said.tip_sd
            if not isfinite(tip):
                tip = tip_sd = None
        short = None
        if moment is not None and len(forces) == len(stacks):
            short = max(0.0, moment - (self._moment(t, forces, shores) if given is None else given))
        return BalancePicture(said.weight, said.weight_sd, said.centre, moment, tip, tip_sd, None, short)

    def _how(self, now_ns: int, pose: PoseEstimate, stacks: tuple[StackPicture, ...]) -> str:
        """Whether the load rises, hangs still on its bags, or neither can be said ("")."""
        up = rising = True
        for s in stacks:
            x, y = s.at
            rate = pose.rate(x, y)
            up = up and rate > 0.0
            rising = rising and rate > _RISING_M_S and rate > 3.0 * pose.rate_sd(x, y)
        if rising:
            self._rose_ns, self._top = now_ns, None
        if self._rose_ns is not None and now_ns - self._rose_ns < _SETTLE_NS and up:
            return "rising"
        if self._rose_ns is None or not _SETTLE_NS <= now_ns - self._rose_ns <= _STILL_NS:
            return ""
        if any(bag.doing in ("filling", "venting", "unknown") for s in stacks for bag in s.bags):
            return ""
        rises = [pose.rise(*s.at) for s in stacks]
        if self._top is None:
            self._top = rises
        tremble = max(_SUNK_M, 2.0 * max(pose.rise_sd(*s.at) for s in stacks))
        return "still" if all(r > top - tremble for r, top in zip(rises, self._top, strict=True)) else ""

    def _take(
        self, now_ns: int, how: str, forces: list[tuple[StackPicture, float]], seen: tuple[float, float, float]
    ) -> None:
        """One moment into the block; a whole block into the sums. `seen`: tilt, moment and its doubt; see `_sums_free`."""
        opened = [b.name for s, _ in forces for b in s.bags if (b.height_m or 0.0) > self._flat[b.name] + _OPEN_M]
        key = (how, *opened)
        if key != self._key or now_ns - self._last_ns > _GAP_NS:
            self._block, self._key = [], key
        if not self._block:
            self._began_ns = now_ns
        self._last_ns = now_ns
        self._block.append((*seen, self._share(forces)))
        if now_ns - self._began_ns >= _BLOCK_NS:
            self._close()

    def _sums_free(
        self, forces: list[tuple[StackPicture, float]], shores: tuple[ShorePicture, ...]
    ) -> tuple[float, float, float]:
        """Of a load that is lifted free: all forces together (N), and their moments (N m) by x and y."""
        pushes = [(shore.at, self._push(shore)) for shore in shores]
        total = added(f for _, f in forces) + added(f for _, f in pushes)
        x = added(s.at[0] * f for s, f in forces) + added(at[0] * f for at, f in pushes)
        y = added(s.at[1] * f for s, f in forces) + added(at[1] * f for at, f in pushes)
        return total, x, y

    def _close(self) -> None:
        count = len(self._block)
        means = [added(it[i] for it in self._block) / count for i in range(4)]
        self._said = None
        if self.line is None:
            n, total, x, y, share = self._free
            self._free = n + 1, total + means[0], x + means[1], y + means[2], max(share, means[3])
        else:
            self._sums.setdefault(self._key, Sums()).add(*means)
        self._block = []

    def _moment(self, t: float, forces: list[tuple[StackPicture, float]], shores: tuple[ShorePicture, ...]) -> float:
        """Moment (N m) about the hinge of all that pushes, along each stack from foot to head."""
        moment, cos_t, sin_t, (nx, ny) = 0.0, cos(t), sin(t), self.normal
        for shore in shores:
            moment += self._push(shore) * self._shore_arms[shore.name] * cos_t
        for s, force in forces:
            x, y = s.acts_at or (s.lean_x_m or 0.0, s.lean_y_m or 0.0)
            slant = (x * nx + y * ny) / s.height_m if s.height_m else 0.0
            moment += force * self._stack_arms[s.name] * (cos_t - slant * sin_t)
        return moment

    def _push(self, shore: ShorePicture) -> float:
        """What a shore pushes with (N): its load cell, else the thrust of its air while it stands against the load."""
        if shore.load_n is not None:
            return shore.load_n
        if shore.air_pa is None or shore.gap_m is None or shore.doing == "released":
            return 0.0
        touches = shore.gap_m <= self._pitches[shore.name] + 3.0 * (shore.gap_sd_m or 0.0)
        return shore.air_pa * self._areas[shore.name] if touches else 0.0

    def _share(self, forces: list[tuple[StackPicture, float]]) -> float:
        """Standard deviation of all forces together that no averaging lessens, as a share of their sum."""
        total = added(f for _, f in forces)
        sds = [s.force_steady_sd_n if s.force_steady_sd_n is not None else _UNSAID * f for s, f in forces]
        return sqrt(added(sd * sd for sd in sds)) / total if total > 0.0 else 1.0

    def _doubt(self, forces: list[tuple[StackPicture, float]]) -> float:
        """The share of it that may change as the lift goes on: how the height is split between the bags."""
        return max((s.force_split_sd_n or 0.0) / force if force > 0.0 else 0.0 for s, force in forces)

    def _tilt(self, pose: PoseEstimate) -> float:
        """Absolute tilt (rad) across the hinge."""
        nx, ny = self.normal
        return asin_clipped(nx * (pose.a0 + pose.x[1]) + ny * (pose.b0 + pose.x[2]))

    def _say(self) -> _Said:
        """Look at the sums: the best known weight and tip angle of any, with what the planned weight or centre makes of them."""
        planned, weight = self._planned, self._weight
        tip = tip_sd = w = w_sd = of_cos = of_sin = None
        cg: tuple[float | None, float | None, float | None] | None = None
        for key, sums in self._sums.items():
            if planned is not None:
                e, z = self.arm(planned[:2]), planned[2]
                said = sums.weight(e, z)
                if (
                    said
                    and said[0] > 0.0
                    and _SDS_99 * said[1] <= _WEIGHT_SHARE * said[0]
                    and (w_sd is None or said[1] < w_sd)
                ):
                    (w, w_sd) = said
            found = sums.moments() if key[0] == "rising" else None
            if found is None:
                continue
            a, b, aa, ab, bb = found
            sd = _tip_sd(a, b, aa, ab, bb)
            if a > 0.0 and sd <= _TIP_SD and (tip_sd is None or sd < tip_sd):
                tip, tip_sd = atan2(a, b), sd
                of_cos, of_sin = a, b
            if planned is None and weight and a > 0.0:
                share = sums.force_share
                e_sd = sqrt(aa / weight**2 + (share * a / weight) ** 2)
                z_sd = sqrt(bb / weight**2 + (share * b / weight) ** 2)
                if e_sd <= _CENTRE_SD_M:
                    cg = self._centre(a / weight, b / weight if z_sd <= _CENTRE_SD_M else None)
        if planned is not None:
            of_cos, of_sin = self.arm(planned[:2]), planned[2]
        self._said = _Said(w, w_sd, cg, tip, tip_sd, of_cos, of_sin, w if planned is not None else 1.0)
        return self._said

    def _centre(self, e: float, z: float | None) -> tuple[float | None, float | None, float | None]:
        """The centre of gravity in the load frame; where along the hinge it lies is not seen."""
        assert self.line is not None, "asked only where there is a hinge"
        (x0, y0), _ = self.line
        nx, ny = self.normal
        square = 0.01
        return (
            x0 + nx * e if abs(ny) < square else None,
            y0 + ny * e if abs(nx) < square else None,
            z,
        )

    def _lifted_free(self) -> BalancePicture:
        """No hinge: the weight is the sum of the forces, the centre of gravity their weighted mean."""
        n, total, x, y, share = self._free
        if n < _LEAST_BLOCKS or total <= 0.0:
            return BalancePicture()
        w = total / n
        sd = w * share
        shown = _SDS_99 * sd <= _WEIGHT_SHARE * w
        cg = (x / total, y / total, None) if len(self.rig.stack) >= 2 else None
        return BalancePicture(w if shown else None, sd if shown else None, cg)
