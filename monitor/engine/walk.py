"""Whether the hinge stays where it was: a hinge that walks means the load slides, one that sinks that its support is crushed.

What was learned before is a straight line: how the rise at the hinge goes with the tilt, `rise = c + d * turned`. It is zero
for a hinge just where the plan has it, and a line for one beside it or for sensors a little off. The last second's mean is
held against that line, learned from everything older than two and a half; a slide of centimetres at once shows sooner, in the
last third of a second. Slower than the memory of ten minutes nothing is seen.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Collection
from dataclasses import dataclass
from math import exp, hypot, sqrt

from monitor.addition import added
from monitor.engine.estimate import PoseEstimate
from monitor.engine.kalman import Row, variance_along
from monitor.engine.picture import Point

_TURNED = 0.017
"""Change of the cosine (one degree) from which on a hinge can be learned: common practice, no source."""
_LEARN_S = 3.0
"""How long it must have been learned before it can be said to move."""
_RECENT_NS, _GUARD_NS = 1_000_000_000, 2_500_000_000
"""The mean that is judged covers the first, the line is learned from what is older than the second."""
_SWIFT_NS = 300_000_000
"""The short mean, for what slides at once."""
_MEMORY_S = 600.0
_BESIDE_M = 0.5
"""How far the hinge may lie from the plan's, before anything is learned (one standard deviation)."""
_BEYOND_SDS = 4.5
"""A shift of so many standard deviations is no chance (invented; how often it is one all the same: tests/bench/bench_lift.py)."""
_LEAST_WALK_M, _LEAST_RISE_M = 0.012, 0.0006
"""Shifts below these are not spoken of, however well they are known: edges crumble (common practice, no source)."""
_SWIFT_SDS, _SWIFT_RISE_M = 1.5, 0.002
"""The short mean's limit, in those of the long one, and its least: readings that come late over a busy wire moved the pose by
a millimetre (measured in a live session), which a second evens out and a third of one does not. The factor 1.5 is invented: it
was tuned on random lifts (tests/bench/bench_alarms.py), and nothing outside them bears it out."""
_LAG_S = 0.06
"""By how much the pose may lag behind a load whose pace changes, differently for each sensor (measured on drills)."""
_SCATTER_GAIN = 0.01
"""How fast the scatter of the judged mean is learned: ten seconds at ten pictures a second."""
_USUAL, _STEADIEST = 0.35, 0.12
"""The mean's share of one pose's variance: before it has been learned, and the least that is believed."""
_TOGETHER_S = 0.5
"""Poses nearer in time than this are one piece of evidence: the filter remembers about as long."""


@dataclass(frozen=True, slots=True)
class Shift:
    """How far the rise at the hinge is from what it was learned to be (`rise_m`, with its standard deviation), and from where on
    that is no chance (`limit_m`). `walk_m`: the same as a walk along the underside, toward the lifted side positive."""

    rise_m: float
    sd_m: float
    limit_m: float
    walk_m: float


class HingePoint:
    """One point of the hinge line, (x, y) in the load frame; `normal` the unit vector across it, toward the lifted side;
    `reach_m` how far the farthest stack stands from the hinge."""

    def __init__(self, at: Point, normal: Point, reach_m: float) -> None:
        self.row: Row = (1.0, *at)
        self.normal, self.reach_m = normal, reach_m
        self._old: deque[tuple[int, float, float, float]] = deque()
        self._recent: deque[tuple[int, float, float]] = deque()
        self._rates: deque[tuple[int, float]] = deque()
        self._c = self._d = 0.0
        self._p: list[float] | None = None  # variance of c, covariance, variance of d
        self._scatter: float | None = None  # mean square of what the judged mean was off by
        self._offs: deque[tuple[int, float]] = deque()
        self._learned_s = 0.0
        self._then_ns: int | None = None

    def tick(self, now_ns: int, pose: PoseEstimate) -> Shift | None:
        """Take the pose of this moment; None while nothing can be said."""
        turned = pose.x[1] * self.normal[0] + pose.x[2] * self.normal[1]
        rise = pose.rise(*self.row[1:])
        variance = max(1e-12, variance_along(pose.p, self.row))
        self._recent.append((now_ns, rise, turned))
        while self._recent and now_ns - self._recent[0][0] > _RECENT_NS:
            self._recent.popleft()
        self._rates.append((now_ns, self.reach_m * (pose.x[4] * self.normal[0] + pose.x[5] * self.normal[1])))
        while now_ns - self._rates[0][0] > _GUARD_NS:
            self._rates.popleft()
        self._old.append((now_ns, rise, turned, variance))
        while self._old and now_ns - self._old[0][0] > _GUARD_NS:
            self._learn(*self._old.popleft())
        if self._p is None or self._learned_s < _LEARN_S or turned < _TURNED:
            return None
        shift, at = self._off(self._recent)
        cc, cd, dd = self._p
        line = max(0.0, cc + 2.0 * at * cd + at * at * dd)
        sd = sqrt(self._scattered(now_ns, shift, variance) + line)
        spread = max(r for _, r in self._rates) - min(r for _, r in self._rates)
        limit = max(_BEYOND_SDS * sd, _LEAST_WALK_M * at, _LEAST_RISE_M) + _LAG_S * spread
        swift, there = self._off([it for it in self._recent if now_ns - it[0] <= _SWIFT_NS])
        wider = max(_SWIFT_SDS * limit, _SWIFT_RISE_M)
        if abs(swift) > wider and abs(shift) <= limit:
            return Shift(swift, sd, wider, -swift / there)
        return Shift(shift, sd, limit, -shift / at)

    def _off(self, poses: Collection[tuple[int, float, float]]) -> tuple[float, float]:
        """By how much the mean rise (m) of some poses is off the line that was learned, and their mean turn."""
        count = len(poses)
        turned = added(t for _, _, t in poses) / count
        return added(r for _, r, _ in poses) / count - self._c - self._d * turned, turned

    def _scattered(self, now_ns: int, shift: float, variance: float) -> float:
        """Variance of the judged mean, by how it has scattered; a mean is steadier than the one pose it comes from."""
        self._offs.append((now_ns, shift))
        while now_ns - self._offs[0][0] > _GUARD_NS:
            _, off = self._offs.popleft()
            if self._scatter is None:
                self._scatter = _USUAL * variance
            self._scatter += _SCATTER_GAIN * (off * off - self._scatter)
        if self._scatter is None:
            return _USUAL * variance
        return min(variance, max(_STEADIEST * variance, self._scatter))

    def _learn(self, time_ns: int, rise: float, turned: float, variance: float) -> None:
        """One step of recursive least squares with a memory of ten minutes."""
        dt = 0.1 if self._then_ns is None else (time_ns - self._then_ns) * 1e-9
        self._then_ns = time_ns
        if self._p is None:
            self._p = [variance, 0.0, _BESIDE_M**2]
        if turned >= _TURNED:
            self._learned_s += min(dt, 0.2)
        fade = exp(min(dt, 1.0) / _MEMORY_S)
        cc, cd, dd = (v * fade for v in self._p)
        cc, dd = min(cc, variance), min(dd, _BESIDE_M**2)  # what is known beforehand is not forgotten
        cd = max(-sqrt(cc * dd), min(sqrt(cc * dd), cd))
        noise = variance * max(1.0, _TOGETHER_S / max(dt, 1e-3))
        pc, pd = cc + cd * turned, cd + dd * turned
        s = pc + pd * turned + noise
        kc, kd = pc / s, pd / s
        off = rise - self._c - self._d * turned
        self._c, self._d = self._c + kc * off, self._d + kd * off
        self._p = [cc - kc * pc, cd - kc * pd, dd - kd * pd]


class HingeWatch:
    """Both ends and the middle of the hinge line of the plan, or of the one that was found."""

    def __init__(self, hinge: tuple[Point, Point], heads: list[Point]) -> None:
        (x0, y0), (x1, y1) = hinge
        length = hypot(x1 - x0, y1 - y0)
        nx, ny = (y0 - y1) / length, (x1 - x0) / length
        side = added((x - x0) * nx + (y - y0) * ny for x, y in heads)
        normal = (nx, ny) if side >= 0.0 else (-nx, -ny)
        middle = (x0 + x1) / 2.0, (y0 + y1) / 2.0
        reach = max(abs((x - x0) * nx + (y - y0) * ny) for x, y in heads)
        self.points = [HingePoint(at, normal, reach) for at in (middle, *hinge)]

    def tick(self, now_ns: int, pose: PoseEstimate) -> Shift | None:
        """The point that has moved farthest for its error, None while nothing can be said."""
        shifts = [point.tick(now_ns, pose) for point in self.points]
        known = [shift for shift in shifts if shift is not None]
        return max(known, key=lambda it: abs(it.rise_m) / it.sd_m) if known else None
