"""Whether the hinge stays where it was: a hinge that walks means the load slides, one that sinks that its support is crushed.

What was learned before is a straight line: how the rise at the hinge goes with the tilt, `rise = c + d * turned`. It is zero
for a hinge just where the plan has it, and a line for one beside it or for sensors a little off. The last second's mean is
held against that line, learned from everything older than two and a half; a slide of centimetres at once shows sooner, in the
last third of a second. Slower than the memory of ten minutes nothing is seen.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from itertools import islice
from math import exp, hypot, sqrt

from drivers.quick import quick
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
_BESIDE = 0.5**2
"""How far the hinge may lie from the plan's, before anything is learned (m^2, the square of one standard deviation)."""
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


@quick
@dataclass(frozen=True, slots=True)
class Shift:
    """How far the rise at the hinge is from what it was learned to be (`rise_m`, with its standard deviation), and from where on
    that is no chance (`limit_m`). `walk_m`: the same as a walk along the underside, toward the lifted side positive."""

    rise_m: float
    sd_m: float
    limit_m: float
    walk_m: float


class HingePoint:
    """One point of the hinge line, (x, y) in the load frame: what the rise there was learned to be at a turn of the load."""

    def __init__(self, at: Point) -> None:
        self.row: Row = (1.0, *at)
        self._rises: deque[float] = deque()  # of the last second
        self._c = self._d = 0.0
        self._p: tuple[float, float, float] | None = None  # variance of c, covariance, variance of d
        self._scatter: float | None = None  # mean square of what the judged mean was off by
        self._offs: deque[tuple[int, float]] = deque()

    def see(self, pose: PoseEstimate, gone: int) -> tuple[float, float]:
        """Take the pose of this moment, after which so many of the last second's are too old; (rise, its variance)."""
        (_, x, y), at, rises = self.row, pose.x, self._rises
        rise = at[0] + at[1] * x + at[2] * y
        rises.append(rise)
        for _ in range(gone):
            rises.popleft()
        variance = variance_along(pose.p, self.row)
        return rise, variance if variance > 1e-12 else 1e-12

    def learn(self, rise: float, variance: float, turned: float, fade: float, alike: float) -> None:
        """One step of recursive least squares. `fade`: by what doubt has grown meanwhile; `alike`: how many poses say the same."""
        cc, cd, dd = self._p or (variance, 0.0, _BESIDE)
        cc, cd, dd = cc * fade, cd * fade, dd * fade
        if variance < cc:
            cc = variance  # what is known beforehand is not forgotten
        if dd > _BESIDE:
            dd = _BESIDE
        most = sqrt(cc * dd)
        if cd > most:
            cd = most
        elif cd < -most:
            cd = -most
        pc, pd = cc + cd * turned, cd + dd * turned
        s = pc + pd * turned + variance * alike
        kc, kd = pc / s, pd / s
        off = rise - self._c - self._d * turned
        self._c, self._d = self._c + kc * off, self._d + kd * off
        self._p = cc - kc * pc, cd - kc * pd, dd - kd * pd

    def judge(self, now_ns: int, variance: float, turn: _Turn) -> Shift:
        """By how much the last second's mean is off what was learned; or the last third's of one."""
        assert self._p is not None, "asked only once it has been learned"
        shift = added(self._rises) / len(self._rises) - self._c - self._d * turn.mean
        cc, cd, dd = self._p
        at = turn.mean
        line = max(0.0, cc + 2.0 * at * cd + at * at * dd)
        sd = sqrt(self._scattered(now_ns, shift, variance) + line)
        limit = max(_BEYOND_SDS * sd, _LEAST_WALK_M * at, _LEAST_RISE_M) + _LAG_S * turn.spread
        rises = islice(self._rises, len(self._rises) - turn.swift, None)
        swift = added(rises) / turn.swift - self._c - self._d * turn.swift_mean
        wider = max(_SWIFT_SDS * limit, _SWIFT_RISE_M)
        if abs(swift) > wider and abs(shift) <= limit:
            return Shift(swift, sd, wider, -swift / turn.swift_mean)
        return Shift(shift, sd, limit, -shift / at)

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


@quick
@dataclass(frozen=True, slots=True)
class _Turn:
    """How far the load has turned about the hinge: the mean over the last second, that over the last `swift` poses, and between
    what the rise of the farthest stack's head has gone to and fro (m/s)."""

    mean: float
    swift: int
    swift_mean: float
    spread: float


class HingeWatch:
    """Both ends and the middle of the hinge line of the plan, or of the one that was found. They turn alike."""

    def __init__(self, hinge: tuple[Point, Point], heads: list[Point]) -> None:
        (x0, y0), (x1, y1) = hinge
        length = hypot(x1 - x0, y1 - y0)
        nx, ny = (y0 - y1) / length, (x1 - x0) / length
        side = added((x - x0) * nx + (y - y0) * ny for x, y in heads)
        self._normal = (nx, ny) if side >= 0.0 else (-nx, -ny)  # the unit vector across it, toward the lifted side
        self._reach_m = max(abs((x - x0) * nx + (y - y0) * ny) for x, y in heads)  # how far the farthest stack stands
        middle = (x0 + x1) / 2.0, (y0 + y1) / 2.0
        self._points = [HingePoint(at) for at in (middle, *hinge)]
        self._old: deque[tuple[int, float, list[tuple[float, float]]]] = deque()
        self._turns: deque[tuple[int, float]] = deque()
        self._rates: deque[float] = deque()  # of the poses in `_old`
        self._learned_s = 0.0
        self._then_ns: int | None = None

    def tick(self, now_ns: int, pose: PoseEstimate) -> Shift | None:
        """Take the pose of this moment; the point that has moved farthest for its error, None while nothing can be said."""
        (nx, ny), x = self._normal, pose.x
        turned = x[1] * nx + x[2] * ny
        self._turns.append((now_ns, turned))
        gone = 0
        while now_ns - self._turns[0][0] > _RECENT_NS:
            self._turns.popleft()
            gone += 1
        self._rates.append(self._reach_m * (x[4] * nx + x[5] * ny))
        seen = [point.see(pose, gone) for point in self._points]
        self._old.append((now_ns, turned, seen))
        while now_ns - self._old[0][0] > _GUARD_NS:
            self._learn(*self._old.popleft())
            self._rates.popleft()
        if self._learned_s < _LEARN_S or turned < _TURNED:
            return None
        turn = self._turn(now_ns)
        shifts = [it.judge(now_ns, variance, turn) for it, (_, variance) in zip(self._points, seen, strict=True)]
        return max(shifts, key=lambda it: abs(it.rise_m) / it.sd_m)

    def _turn(self, now_ns: int) -> _Turn:
        turns, rates = [turned for _, turned in self._turns], self._rates
        swift = [turned for then_ns, turned in self._turns if now_ns - then_ns <= _SWIFT_NS]
        return _Turn(added(turns) / len(turns), len(swift), added(swift) / len(swift), max(rates) - min(rates))

    def _learn(self, time_ns: int, turned: float, seen: list[tuple[float, float]]) -> None:
        """A pose that is old enough to be learned from, with a memory of ten minutes."""
        dt = 0.1 if self._then_ns is None else (time_ns - self._then_ns) * 1e-9
        self._then_ns = time_ns
        if turned >= _TURNED:
            self._learned_s += min(dt, 0.2)
        fade, alike = exp(min(dt, 1.0) / _MEMORY_S), max(1.0, _TOGETHER_S / max(dt, 1e-3))
        for i, point in enumerate(self._points):
            rise, variance = seen[i]
            point.learn(rise, variance, turned, fade, alike)
