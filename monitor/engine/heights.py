"""How high each bag of a stack is, what force the stack carries, and which gauge contradicts the others.

Known are the height of the whole stack and the pressures. What gives a bag its share is weighed in a small Kalman filter
(bagfilter.py): its own height sensor; the equal force p_i*A_i(h_i) of all open bags, as sharp as the data plates are steep;
and, where they are flat, who was being filled or vented while the stack rose. Where the total height comes from is not
decided here.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from itertools import combinations
from math import exp, hypot, log, sqrt

from drivers.quick import quick
from monitor.addition import added
from monitor.engine.bagfilter import FLAT_M, GATE, LEAST, BagFilter, Matrix
from monitor.engine.sharing import share_height
from monitor.rig.schema import Bag

_NO_AIR = 0.02
"""Below this share of its working pressure a bag counts as empty."""
_OPENS, _SHUTS = 2.0, 4.0
"""Standard deviations of the push at its flat height within which a bag is taken to be opening; and beyond which one that
may be flat is taken to be flat again (common practice, no source)."""
_KNOWN_TAKER, _UNKNOWN_TAKER = 0.3, 0.5
"""Share of a rise that may have gone to another bag than the one given it: while one is being filled or vented, and while
none or several are (invented)."""
_ANEW_M = 0.1
"""The rise after which that share errs anew: over less the error grows in step, over more as a random walk (invented)."""
_STEP_M, _STEP_SDS = 0.001, 3.0
"""A rise is one only beyond this and beyond its error: trembling is no rise, and a hold of hours costs nothing."""
_FLOWING = 0.02
"""Share by which a gauge may be off while air flows past it (common practice, no source)."""
_FILL_TICKS = 100.0
"""It is off by the same share all through a fill: so many ticks together teach what one would (a fill of ten seconds)."""
_GATE_SQUARED = GATE**2
_SLOW = (0.0, 0.0 + _FLOWING**2, 0.0 + _FLOWING**2 + _FLOWING**2)
"""Variance of the difference of two pushes for the air that flows: past no gauge, past one, past both."""
_AT_ODDS_NS = 1_000_000_000
"""How long forces must contradict each other before it is said."""


@quick
@dataclass(frozen=True, slots=True)
class Air:
    """What is heard of one bag: gauge pressure (Pa, None where no gauge sees it) and its standard deviation, whether it is
    shut off without its hose, whether it is being filled or vented, and what its own height sensor says (m, m). `off` (Pa):
    one standard deviation of what the gauge's calibration leaves uncertain, at every reading alike."""

    pressure: float | None
    noise: float = 0.0
    isolated: bool = False
    active: bool = False
    height: float | None = None
    height_sd: float = 0.0
    off: float = 0.0


@quick
@dataclass(frozen=True, slots=True)
class Split:
    """Heights of the bags (m, from the foot up; their sum is the total), their covariance, the total's error left out;
    the force (N) with one standard deviation, None where no open bag has a gauge; the bags whose readings do not fit.

    `steady_sd`: the part of the force's error that no averaging lessens (data plates, split, air that flows); `split_sd`: the
    part that changes as the lift goes on."""

    heights: list[float]
    cov: Matrix
    total_sd: float
    force: float | None
    force_sd: float | None
    disagree: tuple[int, ...] = ()
    steady_sd: float | None = None
    split_sd: float | None = None

    def sd(self, i: int) -> float:
        """One standard deviation of the height of bag i (m), the total's error included."""
        return hypot(sqrt(max(0.0, self.cov[i][i])), self.total_sd)


class Heights(BagFilter):
    """The bags of one stack, followed from tick to tick.

    Forces are compared by their logarithms, ln p + ln A(h) + s, so that what a correction does is not a matter of the noise it
    corrects for.
    """

    def __init__(self, bags: Sequence[Bag]) -> None:
        super().__init__(bags)
        self._no_air_pa = [_NO_AIR * bag.working_pressure for bag in bags]
        most = max(bag.capacity_error for bag in bags)
        self._plate_sds = [hypot(bag.capacity_error, most) for bag in bags]
        self._as_begun = False
        self.reset()

    def reset(self) -> None:
        """Every bag is flat and nothing has been learnt."""
        if self._as_begun:
            return
        self._as_begun = True
        self.begin()
        self._mark = added(self.h)
        self._gap = False
        self._gauged = [False] * self.n
        self._odd_since: dict[tuple[int, int], int] = {}

    def lost(self) -> None:
        """The total is not known now: what it does meanwhile can be given to nobody."""
        self._as_begun, self._gap = False, True

    def tick(self, now_ns: int, total: float, total_sd: float, air: Sequence[Air]) -> Split | None:
        """The split now. `total`: height of all bags together (m). None while no bag can be what holds the stack up."""
        self._as_begun = False
        started = True in self.open
        self._open_and_shut(total, air)
        if True not in self.open:
            return None
        if not started:
            self._start(total, air)
        if False in self._gauged:
            self._doubt_gauges(air)
        self._credit(total, total_sd, air)
        for i, it in enumerate(air):
            if it.height is not None and self.open[i] and self.open.count(True) > 1:
                self.correct_by_sensor(i, it.height, max(it.height_sd, 1e-5))
        at_odds = self._correct_by_pressures(now_ns, air)
        self.keep_above_flat(total)
        disagree = self._named(at_odds)
        force, force_sd, steady_sd, split_sd = self._force(air, disagree)
        cov = [row[: self.n] for row in self.p[: self.n]]
        return Split(list(self.h), cov, total_sd, force, force_sd, disagree, steady_sd, split_sd)

    def _open_and_shut(self, total: float, air: Sequence[Air]) -> None:
        """Which bags have left their flat height. One that pushes too weakly there for the force is a spacer, and so is
        one without air; one that nobody's gauge sees may be open, unless it was shut off while flat."""
        anew = None
        if True not in self.open:  # the load has just left its rest, or was raised before anyone looked
            heard = self._heard(air, [i for i, it in enumerate(air) if self._has_air(i, it)])
            anew = share_height(self.tables, heard, total)[0]  # so the pressures alone must say it
        now = list(self.open)
        for i, it in enumerate(air):
            if it.pressure is None:
                now[i] = now[i] or not it.isolated
            elif not it.pressure > self._no_air_pa[i]:
                now[i] = False
            elif not now[i]:
                now[i] = self._flat_push(i, it) >= self._needed(i, air, anew, -_OPENS)
            elif self._near_flat(i, it):
                now[i] = not self._flat_push(i, it) < self._needed(i, air, anew, -_SHUTS)
        for i, is_open in enumerate(now):
            if self.open[i] and not is_open:
                self.shut(i)
        self.open = now

    def _flat_push(self, i: int, it: Air) -> float:
        """What a bag would push at its flat height (N)."""
        return (it.pressure or 0.0) * self.tables[i].areas[0] * exp(self.scale[i])

    def _near_flat(self, i: int, it: Air) -> bool:
        unsure = GATE * sqrt(max(0.0, self.p[i][i])) if it.active else 0.0  # at rest none comes down
        return self.h[i] - self.flat[i] < FLAT_M + unsure

    def _needed(self, i: int, air: Sequence[Air], anew: float | None, sds: float) -> float:
        """The force (N) that the other bags say there is, or what is `anew` taken for it, so many standard deviations aside."""
        force = anew
        if force is None:
            others = [self.push(j, air[j].pressure, self.area(j)) for j in self._heard_open(air) if j != i]
            force = max(others) if others else 0.0
        it = air[i]
        sd = hypot(force * self._plate_sds[i], self.tables[i].areas[0] * hypot(self._noise(it), it.off))
        return force + sds * sd

    def _doubt_gauges(self, air: Sequence[Air]) -> None:
        """What a gauge's calibration leaves uncertain is off by one share like its bag's plate: once known, part of that share."""
        for i, gauged in enumerate(self._gauged):
            it = air[i]
            if not gauged and self.open[i] and it.pressure is not None:
                self._gauged[i] = True
                self.p[self.n + i][self.n + i] += (it.off / max(LEAST, it.pressure)) ** 2

    @staticmethod
    def _heard(air: Sequence[Air], bags: Collection[int]) -> list[float | None]:
        """The pressures of these bags, None for a spacer's."""
        return [it.pressure if i in bags else None for i, it in enumerate(air)]

    def _has_air(self, i: int, it: Air) -> bool:
        return it.pressure is not None and it.pressure > self._no_air_pa[i]

    def _start(self, total: float, air: Sequence[Air]) -> None:
        """What the pressures alone say, unless some bag is not heard."""
        known = self._heard(air, [i for i in range(self.n) if self.open[i]])
        if all((p is not None) == is_open for p, is_open in zip(known, self.open, strict=True)):
            self.h = share_height(self.tables, known, total)[1]
        self.spread((_UNKNOWN_TAKER * (total - self.flat_m)) ** 2, None)
        self._mark, self._gap = total, False

    def _credit(self, total: float, total_sd: float, air: Sequence[Air]) -> None:
        """Give what the stack has risen to the bag that takes or loses air, and let the doubt about that grow."""
        up, active, unheard = [], [], False
        for i, it in enumerate(air):
            if self.open[i]:
                up.append(i)
                if it.active:
                    active.append(i)
                if it.pressure is None and not it.isolated:
                    unheard = True
        taker = active[0] if len(active) == 1 and not unheard and not self._gap else None
        takers = [taker] if taker is not None else up if self._gap or unheard else active or up
        missing = (total - added(self.h)) / len(takers)
        for i in takers:
            self.h[i] += missing
        path = abs(total - self._mark)
        if path > max(_STEP_M, _STEP_SDS * total_sd):
            doubt = _KNOWN_TAKER if taker is not None else _UNKNOWN_TAKER
            self.spread(doubt**2 * path * max(path, _ANEW_M), taker)
            self._mark, self._gap = total, False

    def _correct_by_pressures(self, now_ns: int, air: Sequence[Air]) -> list[tuple[int, int]]:
        """All open bags carry one force: take that in where it can be, and return the pairs that have contradicted it
        for a while."""
        seen = self._heard_open(air)
        fused, n = 0, self.n
        at_odds: list[tuple[int, int]] = []
        if len(seen) < 2 and not self._odd_since:
            return at_odds
        for i, j in combinations(seen, 2):
            area_i, area_j = self.area(i), self.area(j)
            push_i, push_j = self.push(i, air[i].pressure, area_i), self.push(j, air[j].pressure, area_j)
            if self._may_be_flat(i if push_i < push_j else j):
                continue  # the weaker one: what the plates carry past a flat bag, its pressure does not show
            row = (i, self.falls(i, area_i)), (j, 0.0 - self.falls(j, area_j)), (n + i, 1.0), (n + j, -1.0)
            off = log(max(LEAST, push_j) / max(LEAST, push_i))
            r = self._noise_share(air[i]) ** 2 + self._noise_share(air[j]) ** 2
            slow = _SLOW[air[i].active + air[j].active]
            if off * off > _GATE_SQUARED * (self.variance(row) + r + slow):
                since = self._odd_since.setdefault((i, j), now_ns)
                if now_ns - since >= _AT_ODDS_NS:
                    at_odds.append((i, j))
                continue
            if self._odd_since:
                self._odd_since.pop((i, j), None)
            if fused < len(seen) - 1:
                fused += 1
                self.correct(row, max(r + _FILL_TICKS * slow, 1e-12), off)
        if self._odd_since:
            for pair in [pair for pair in self._odd_since if not set(pair) <= set(seen)]:
                del self._odd_since[pair]
        return at_odds

    def _heard_open(self, air: Sequence[Air]) -> list[int]:
        """The open bags that a gauge sees."""
        return [i for i, it in enumerate(air) if self.open[i] and it.pressure is not None]

    def _may_be_flat(self, i: int) -> bool:
        return self.h[i] - self.flat[i] < FLAT_M

    def _named(self, at_odds: list[tuple[int, int]]) -> tuple[int, ...]:
        """Whose reading fits none: the one in every contradiction where the others agree, else all that are in one."""
        if not at_odds:
            return ()
        if len(at_odds) == 2:
            return tuple(set(at_odds[0]) & set(at_odds[1]))
        return tuple(sorted({i for pair in at_odds for i in pair}))

    def _force(
        self, air: Sequence[Air], disagree: tuple[int, ...]
    ) -> tuple[float | None, float | None, float | None, float | None]:
        """Precision-weighted mean of what the open bags push, its error, and the two parts of that which `Split` tells
        apart; where two bags contradict each other the error covers both."""
        seen = self._heard_open(air)
        usable = seen if len(disagree) != 1 else [i for i in seen if i not in disagree]
        if not usable:
            return None, None, None, None
        n, p = self.n, self.p
        pushes, noises, falls, weights = [], [], [], []
        for i in usable:
            it, area = air[i], self.area(i)
            fall, noise = self.falls(i, area), self._noise(it) / max(LEAST, it.pressure or 0.0)
            pushes.append(self.push(i, it.pressure, area))
            noises.append(noise)
            falls.append(fall)
            of_height, of_scale = p[i], p[n + i]
            known = fall * of_height[i] * fall + fall * of_height[n + i] + of_scale[i] * fall + of_scale[n + i]
            weights.append(1.0 / max(1e-9, max(0.0, known) + noise**2))
        whole = added(weights)
        force, noisy, flowing = 0.0, 0.0, 0.0
        by_height, by_scale = [], []
        for k, i in enumerate(usable):
            w = weights[k] / whole
            force += w * pushes[k]
            noisy += (w * noises[k]) ** 2
            if air[i].active:
                flowing += (w * _FLOWING) ** 2
            by_height.append((i, w * falls[k]))
            by_scale.append((n + i, w))
        known = self.variance(by_height + by_scale)
        apart = (max(pushes) - min(pushes)) / 2.0 if len(disagree) > 1 else 0.0
        steady = force * sqrt(known + flowing)
        split = force * sqrt(self.along(by_height)[1])
        return force, max(force * sqrt(known + noisy), apart), max(steady, apart), split

    def _noise(self, it: Air) -> float:
        return hypot(it.noise, _FLOWING * (it.pressure or 0.0)) if it.active else abs(it.noise)

    @staticmethod
    def _noise_share(it: Air) -> float:
        return it.noise / max(LEAST, it.pressure or 0.0)
