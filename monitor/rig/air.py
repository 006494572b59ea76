"""The air of a lift: what bags and shores take from flat to the top of the plan, against what is carried.

All volumes are free air, m^3 at atmospheric pressure and one temperature. What hoses hold, what leaks, what a flat bag
holds already and what a second try takes comes on top.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass
from math import fsum

from monitor.rig.capacity import AreaTable
from monitor.rig.schema import Bag, Rig, Supply

P_ATM = 101_325.0
"""Standard atmosphere, Pa (exact)."""
_REAL_PA, _REAL_SHARE = 200e5, 0.9
"""Above this pressure real air holds about a tenth less than an ideal gas would (from memory: Z about 1.1 at 300 bar)."""


@dataclass(frozen=True, slots=True)
class AirPlan:
    """Free air (m^3): for the bags, for the shores, and carried above the regulators' set pressure as of an ideal gas.

    None where the file does not determine it, with the reason. `carried_least_m3` is what real air leaves of that.
    """

    bags_m3: float | None
    shores_m3: float | None
    why_not: str
    carried_m3: float | None
    carried_least_m3: float | None
    carried_why_not: str
    enough: bool | None


def free_air(volume: float, gauge_pa: float) -> float:
    """Free air (m^3) in a volume (m^3) at a gauge pressure (Pa): Boyle's law, absolute pressures."""
    return volume * (gauge_pa + P_ATM) / P_ATM


def bag_volume(bag: Bag, height: float) -> float:
    """Volume (m^3) a bag gains from flat to a height (m): F = p dV/dh at constant pressure (virtual work), so V = sum A dh.

    From its data plate; beyond the plate's last height nothing is known, and the last area holds.
    """
    table = AreaTable(bag)
    knots = [bag.height_flat, *(h for h in table.heights if bag.height_flat < h < height), max(height, bag.height_flat)]
    return fsum((high - low) * (table.area(low) + table.area(high)) / 2.0 for low, high in itertools.pairwise(knots))


def carried(supply: Supply, down_to_pa: float, from_pa: float | None = None) -> float:
    """Free air (m^3) a supply gives from one gauge pressure (Pa; as it was filled where None) down to another, as an ideal
    gas; never below 0."""
    holds = supply.volume / P_ATM if supply.volume is not None else (supply.free_air or 0.0) / supply.filled
    return holds * max(0.0, (supply.filled if from_pa is None else from_pa) - down_to_pa)


def carried_real(supply: Supply, down_to_pa: float, from_pa: float | None = None) -> float:
    """The same as real air, which is less from high pressures."""
    start = supply.filled if from_pa is None else from_pa
    return carried(supply, down_to_pa, start) * (_REAL_SHARE if start > _REAL_PA else 1.0)


def regulated(rig: Rig) -> float:
    """Gauge pressure (Pa) below which no cylinder lifts any more: the greatest that a regulator is set to."""
    return max(stack.supply for stack in rig.stack)


def air_plan(
    rig: Rig, tops: Mapping[str, tuple[float, float | None]], shore_rises: Mapping[str, float], why_not: str
) -> AirPlan:
    """The air of a plan. `tops`: height (m) and pressure (Pa, None if unknown) of each bag at the top of it, by name.

    `shore_rises`: how far (m) each shore follows, by name. `why_not`: why a pressure is not known.
    """
    bags = [bag for stack in rig.stack for bag in stack.bag if tops[bag.name][0] > bag.height_flat]
    for_bags: float | None = 0.0
    for bag in bags:
        height, pressure = tops[bag.name]
        for_bags = (
            None if for_bags is None or pressure is None else for_bags + free_air(bag_volume(bag, height), pressure)
        )
    for_shores = fsum(free_air(s.piston_area * shore_rises[s.name], s.follow_pressure) for s in rig.shore)
    if not bags:
        return AirPlan(None, None, "no step fills a bag", *_carried(rig), None)
    ideal, least, none_carried = _carried(rig)
    enough = None if for_bags is None or least is None else for_bags + for_shores <= least
    return AirPlan(for_bags, for_shores, why_not if for_bags is None else "", ideal, least, none_carried, enough)


def _carried(rig: Rig) -> tuple[float | None, float | None, str]:
    """(as of an ideal gas, as real air, why it is not known)."""
    if not rig.supply:
        return None, None, "the file names no supply"
    kept = regulated(rig)
    return fsum(carried(it, kept) for it in rig.supply), fsum(carried_real(it, kept) for it in rig.supply), ""
