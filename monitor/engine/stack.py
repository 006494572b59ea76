"""A stack of bags: the force it carries, how high each bag is, how far the head stands from the foot.

Bag i sits between plates i-1 and i, counted from the foot (0). Its data plate gives force against height at working
pressure; divided by that pressure it is the effective area A_i(h), so F = p_i * A_i(h_i), the same F in every bag.
A bag still flat is a spacer: F >= p*A and its height is fixed. A bag without air is one, too.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import atan, hypot, sqrt, tan

from monitor.engine.channels import ChannelState
from monitor.engine.estimate import PoseEstimate
from monitor.engine.kalman import RateFilter
from monitor.engine.leak import PressureLoss, Sinking
from monitor.engine.picture import BagPicture, StackPicture
from monitor.rig.capacity import AreaTable
from monitor.rig.schema import Rig, Stack

_NO_AIR = 0.02
"""Below this share of its working pressure a bag counts as empty."""
_LIFTED_M = 0.001
"""The stack's force is known once it has lifted its load clear of rest by this much."""
_SPLIT_SD_M = 0.01
"""How well pressures alone split the stack's height between its bags (one standard deviation)."""
_LEAN_AGILITY, _LEAN_RATE_SD = 1e-5, 0.002
"""For the lean's trend: density of its acceleration (m^2/s^3), and its rate when first seen (m/s)."""


def share_height(tables: list[AreaTable], pressures: list[float | None], total: float) -> tuple[float, list[float]]:
    """(force, heights) with p_i*A_i(h_i) = force for every open bag and heights that sum to `total`.

    Pressures in Pa gauge, None for a spacer (it stays at its flat height); lengths in m, force in N. The sum of heights
    falls with the force, piecewise linearly between the table's points, so the root is found exactly. A total
    outside what the tables allow is met at their nearest end, and what remains is shared evenly.
    """
    open_bags = [(table, p) for table, p in zip(tables, pressures, strict=True) if p is not None]
    if not open_bags:
        return 0.0, [table.heights[0] for table in tables]

    def heights(force: float, highest: bool) -> list[float]:
        return [
            table.heights[0] if p is None else table.height_at(force / p, highest)
            for table, p in zip(tables, pressures, strict=True)
        ]

    forces = sorted({area * p for table, p in open_bags for area in table.areas})
    high, upper = forces[-1], heights(forces[-1], False)
    for force in reversed(forces):  # from the greatest force (all flat) downward: the sum only grows
        for highest in (False, True):
            these = heights(force, highest)
            if sum(these) >= total:
                span = sum(these) - sum(upper)
                share = (total - sum(upper)) / span if span > 0.0 else 0.0
                between = [u + share * (t - u) for u, t in zip(upper, these, strict=True)]
                return high + share * (force - high), _shared_out(between, total, pressures)
            high, upper = force, these
    return high, _shared_out(upper, total, pressures)


def _shared_out(heights: list[float], total: float, pressures: list[float | None]) -> list[float]:
    """The heights with what is missing to `total` shared evenly by the open bags."""
    missing = (total - sum(heights)) / sum(p is not None for p in pressures)
    return [h if p is None else h + missing for h, p in zip(heights, pressures, strict=True)]


@dataclass(frozen=True, slots=True)
class Lean:
    """How far the head's centre stands from the foot's (m, toward +x and +y), and one standard deviation of it."""

    x: float
    y: float
    sd: float
    plates: tuple[tuple[float, float, float], ...]


def lean_of(heights: list[float], tilts: list[tuple[float, float]], tilt_sd: float, split_sd: float) -> Lean:
    """The lean that plate tilts give: each bag's axis is a circular arc whose chord points along the mean tilt.

    `heights`: each bag's height (m, vertical) from the foot up. `tilts`: (x, y) tilt (rad) of plates 0..n against
    gravity, positive when the + side is up; such a plate's normal leans to the - side, hence the sign.
    """
    x = y = z = variance = 0.0
    plates = [(0.0, 0.0, 0.0)]
    for i, height in enumerate(heights):
        tx, ty = (tan((tilts[i][axis] + tilts[i + 1][axis]) / 2.0) for axis in (0, 1))
        x, y, z = x - height * tx, y - height * ty, z + height
        plates.append((x, y, z))
        above = heights[i + 1] if i + 1 < len(heights) else 0.0
        variance += ((height + above) / 2.0 * tilt_sd) ** 2
        if i:
            before = tan((tilts[i - 1][0] + tilts[i][0]) / 2.0), tan((tilts[i - 1][1] + tilts[i][1]) / 2.0)
            variance += (split_sd * hypot(tx - before[0], ty - before[1])) ** 2
    return Lean(x, y, sqrt(variance), tuple(plates))


class StackState:
    """One stack, followed from tick to tick."""

    def __init__(self, stack: Stack, rig: Rig, states: dict[str, ChannelState]) -> None:
        self.stack = stack
        self.tables = [AreaTable(bag) for bag in stack.bag]
        self.pressures = [states[bag.pressure] for bag in stack.bag]
        self.isolated: set[str] = set()
        self._states = states
        self._trend: RateFilter | None = None
        self._sinking = Sinking()
        self._losses = [PressureLoss() for _ in stack.bag]

    def lean_channels(self) -> tuple[str, ...]:
        """The channels that the lean needs."""
        pairs = [bag.plate_tilt for bag in self.stack.bag[:-1]] + [self.stack.head_tilt]
        return tuple(name for pair in pairs if pair for name in pair)

    def pressure(self, index: int, now_ns: int) -> float | None:
        """The smoothed pressure in a bag (Pa gauge), None when its gauge does not see it."""
        if self.stack.bag[index].name in self.isolated:
            return None
        return self.pressures[index].value(now_ns)

    def picture(self, pose: PoseEstimate | None, doing: dict[str, str], now_ns: int) -> StackPicture:
        """This stack for the picture."""
        stack = self.stack
        rise = pose.rise(*stack.at) if pose else None
        total = stack.height_at_zero + rise if rise is not None else None
        pressures = [self.pressure(i, now_ns) for i in range(len(stack.bag))]
        force, heights = self._equilibrium(total, rise, pressures)
        still = not {"filling", "venting"} & set(doing.values())
        sink = self._sinking.tick(now_ns, still, rise, pose.rise_sd(*stack.at) if pose else 0.0)
        lean = self._lean(rise, heights, pose, now_ns)
        length = hypot(lean.x, lean.y) if lean else None
        if lean and length is not None:
            if self._trend is None:
                self._trend = RateFilter(max(lean.sd, 1e-4), _LEAN_AGILITY, _LEAN_RATE_SD)
            self._trend.update(now_ns, length)
        else:
            self._trend = None
        return StackPicture(
            name=stack.name,
            at=stack.at,
            ring_m=stack.ring,
            rise_m=rise,
            force_n=force,
            height_m=total,
            reach_m=self._reach(force),
            lean_m=length,
            lean_x_m=lean.x if lean else None,
            lean_y_m=lean.y if lean else None,
            lean_sd_m=lean.sd if lean else None,
            lean_use=None if length is None else length / stack.ring,
            lean_rate_m_s=self._trend.rate if self._trend else None,
            plates=lean.plates if lean else (),
            sink_m_s=sink.sink_m_s if sink and sink.significant else None,
            bags=tuple(
                self._bag(i, pressures[i], heights[i] if heights else None, force, doing[bag.name], still, now_ns)
                for i, bag in enumerate(stack.bag)
            ),
        )

    def _bag(
        self,
        i: int,
        pressure: float | None,
        height: float | None,
        force: float | None,
        doing: str,
        still: bool,
        now_ns: int,
    ) -> BagPicture:
        bag = self.stack.bag[i]
        known = pressure is not None
        reading = self.pressures[i].reading(now_ns) if known else None
        warmth = self._states[bag.temperature].value(now_ns) if bag.temperature else None
        loss = self._losses[i].tick(now_ns, still, reading, self.pressures[i].sd, warmth)
        return BagPicture(
            name=bag.name,
            pressure_pa=reading,
            rate_pa_s=self.pressures[i].rate(now_ns) if known else None,
            height_m=height,
            use=None if reading is None else reading / bag.working_pressure,
            needed_pa=None if force is None or height is None else force / self.tables[i].area(height),
            supply_pa=self.stack.supply,
            working_pa=bag.working_pressure,
            doing=doing,
            loss_pa_s=loss.loss_pa_s if loss and loss.significant else None,
        )

    def _equilibrium(
        self, total: float | None, rise: float | None, pressures: list[float | None]
    ) -> tuple[float | None, list[float] | None]:
        """(force, heights): force None until the load is lifted, both None while the rise is unknown.

        `height_at_zero` may hold plates besides the flat bags; they keep their height.
        """
        if total is None or rise is None:
            return None, None
        flat = [table.heights[0] for table in self.tables]
        plates = self.stack.height_at_zero - sum(flat)
        if rise < _LIFTED_M:
            return None, flat
        if any(p is None for p in pressures):  # a bag nobody's gauge sees: the rise cannot be placed
            return None, None
        holding: list[float | None] = [
            p if p is not None and p > _NO_AIR * bag.working_pressure else None
            for p, bag in zip(pressures, self.stack.bag, strict=True)
        ]
        if not any(holding):
            return None, None
        return share_height(self.tables, holding, total - plates)

    def _reach(self, force: float | None) -> float | None:
        """Total height, ground to load, at which the supply can lift this force no more."""
        if force is None:
            return None
        plates = self.stack.height_at_zero - sum(table.heights[0] for table in self.tables)
        return plates + sum(table.height_at(force / self.stack.supply, True) for table in self.tables)

    def _lean(
        self, rise: float | None, heights: list[float] | None, pose: PoseEstimate | None, now_ns: int
    ) -> Lean | None:
        """The lean from the tilts of the plates; a plate without a sensor is put between its neighbours.

        Where pressures do not say how the rise is split between the bags it is split evenly, and the error says so.
        """
        if rise is None:
            return None
        split_sd = _SPLIT_SD_M
        if heights is None:
            share = rise / len(self.tables)
            heights = [table.heights[0] + share for table in self.tables]
            split_sd = max(_SPLIT_SD_M, abs(rise) / 2.0)
        known: dict[int, tuple[float, float]] = {0: (0.0, 0.0)}
        noise = 0.0
        top = len(self.stack.bag)
        pairs = {i + 1: bag.plate_tilt for i, bag in enumerate(self.stack.bag[:-1])} | {top: self.stack.head_tilt}
        for plate, pair in pairs.items():
            if pair is None:
                continue
            x, y = self._states[pair[0]], self._states[pair[1]]
            tx, ty = x.value(now_ns), y.value(now_ns)
            if tx is None or ty is None:
                return None
            known[plate] = (tx, ty)
            noise = max(noise, x.noise, y.noise)
        if top not in known:  # no sensor on the top plate: it turns with the load it carries
            if pose is None:
                return None
            known[top] = pose.absolute
            noise = max(noise, pose.tilt_sd(1.0, 0.0), pose.tilt_sd(0.0, 1.0))
        tilts = [known.get(i) or _between(known, i) for i in range(top + 1)]
        gaps = self.stack.height_at_zero - sum(table.heights[0] for table in self.tables)
        return lean_of([h + gaps / top for h in heights], tilts, noise, split_sd)


def _between(known: dict[int, tuple[float, float]], plate: int) -> tuple[float, float]:
    """The tilt of a plate without a sensor, on the line between the nearest known ones."""
    below, above = max(k for k in known if k < plate), min(k for k in known if k > plate)
    share = (plate - below) / (above - below)
    (x0, y0), (x1, y1) = known[below], known[above]
    return atan(tan(x0) + share * (tan(x1) - tan(x0))), atan(tan(y0) + share * (tan(y1) - tan(y0)))
