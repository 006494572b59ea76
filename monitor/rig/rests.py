"""What the load stands on when the bags are let down: the greatest share of each crib and shore, and of each stack's foot.

Shares by statics alone (`statics.shares`), level and at the top of the plan, the greater of the two: who takes how much
of what is open depends on packing and ground, so the greatest possible is held against what each may carry.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass
from math import pi
from typing import Literal

from monitor.rig.parts import centre_of_gravity, total_weight
from monitor.rig.profile import top_rise
from monitor.rig.schema import Crib, Rig, Shore
from monitor.rig.statics import over, rise_ratio, shares, tilt
from monitor.rig.timber import crib_guidance, ground_area


@dataclass(frozen=True, slots=True)
class RestPlan:
    """One crib, shore or stack: greatest share (N) by statics, what it may carry there (N), its height (m) at the top.

    `height_m` of a crib is from level ground to the load, of a shore its length. `ground_pa`: the share over the area
    that touches the ground. None where the file does not determine it; `why_not` says why there is no share, `unsure`
    why there is nothing to hold it against. `enough`: share, height and ground within what is allowed, as far as known.
    """

    kind: Literal["crib", "shore", "stack"]
    name: str
    most_n: float | None
    why_not: str
    allowed_n: float | None
    unsure: str
    height_m: float | None
    height_allowed_m: float | None
    ground_pa: float | None
    enough: bool | None


def rests(rig: Rig, forces: Mapping[str, tuple[float, float]], why_not: str) -> tuple[RestPlan, ...]:
    """All of them. `forces`: least and greatest force on each stack by name, or why they are not determined."""
    greatest, why_none = _greatest(rig)
    top = top_rise(rig)
    out = [_crib(rig, crib, greatest.get(crib.name), why_none, top) for crib in rig.crib]
    out += [_shore(rig, shore, greatest.get(shore.name), why_none, top) for shore in rig.shore]
    for stack in rig.stack:
        most = forces[stack.name][1] if forces else None
        ground = None if most is None else most / (pi * stack.ring**2)
        enough = _within(ground, rig.ground.bearing) if rig.ground else None
        out.append(RestPlan("stack", stack.name, most, why_not, None, "", None, None, ground, enough))
    return tuple(out)


def _greatest(rig: Rig) -> tuple[dict[str, float], str]:
    """(greatest share (N) of each crib and shore by name, why there are none)."""
    weight, centre = total_weight(rig.load), centre_of_gravity(rig.load)
    if weight is None or centre is None:
        return {}, "the file gives no weight or no centre of gravity"
    standing: list[Crib | Shore] = [*rig.crib, *rig.shore]
    points = [*(it.at for it in standing), *(rig.load.hinge or ())]
    turned = [shares(weight, over(rig, centre, angle), points) for angle in (0.0, tilt(rig, top_rise(rig)) or 0.0)]
    found = [each for each in turned if each is not None]
    if len(found) < len(turned):
        of = "cribs and shores" + (" and the hinge" if rig.load.hinge else "")
        return {}, f"{of} do not stand on every side of the centre of gravity: they cannot hold the load alone"
    return {it.name: max(each[k][1] for each in found) for k, it in enumerate(standing)}, ""


def _crib(rig: Rig, crib: Crib, most: float | None, why_not: str, top: float) -> RestPlan:
    guide = crib_guidance(crib)
    nearest = min(rig.stack, key=lambda s: (s.at[0] - crib.at[0]) ** 2 + (s.at[1] - crib.at[1]) ** 2)
    height = nearest.height_at_zero + max(0.0, top * rise_ratio(rig, crib.at))
    ground = None if most is None else most / ground_area(crib)
    bears = _within(ground, rig.ground.bearing) if rig.ground else True
    enough = _all([_within(most, guide.capacity_n), _within(height, guide.height_m), bears])
    return RestPlan("crib", crib.name, most, why_not, guide.capacity_n, "", height, guide.height_m, ground, enough)


def _shore(rig: Rig, shore: Shore, most: float | None, why_not: str, top: float) -> RestPlan:
    length = None if shore.length_at_zero is None else shore.length_at_zero + max(0.0, top * rise_ratio(rig, shore.at))
    rated, unsure = _rated(shore, length)
    longest = shore.rated[-1][0] if shore.rated else None
    enough = _all([_within(most, rated), _within(length, longest)])
    return RestPlan("shore", shore.name, most, why_not, rated, unsure, length, longest, None, enough)


def _rated(shore: Shore, length: float | None) -> tuple[float | None, str]:
    """(what a shore may carry (N) at a length (m): linear between the points of its table, why that is not known)."""
    if not shore.rated:
        return None, "the file gives no rated loads"
    if length is None:
        return None, "the file gives no length at the zero"
    table = shore.rated
    if length > table[-1][0]:
        return None, "longer than its table"
    for (low, force), (high, less) in itertools.pairwise(table):
        if low <= length <= high and high > low:
            return force + (length - low) / (high - low) * (less - force), ""
    return table[0][1], ""


def _within(value: float | None, allowed: float | None) -> bool | None:
    return None if value is None or allowed is None else value <= allowed * (1.0 + 1e-9)


def _all(parts: list[bool | None]) -> bool | None:
    """False if one is, else None if one is not known, else True."""
    return False if False in parts else None if None in parts else True
