"""What the load rests on: what a crib would have to carry when the bags are let down, and what the ground bears under it.

Conditions like those of conditions.py. Shares are the greatest that statics allows on what is packed and what follows now:
who takes how much of what is open depends on packing and ground (statics.py).
"""

from __future__ import annotations

from math import fsum, pi

from monitor import quantities as show
from monitor.engine.conditions import Measured, Outcome, Scene, Unknown
from monitor.rig.parts import centre_of_gravity, total_weight
from monitor.rig.schema import Crib as PlannedCrib
from monitor.rig.statics import Point, arm, over, shares, tilt
from monitor.rig.timber import crib_guidance, ground_area

_LIFTED_M = 0.005
"""A load that has risen less may still lie where it lay (common practice, no source)."""


def crib_limit(scene: Scene, name: str) -> Outcome:
    """The greater of a packed crib's share against what guides allow it, and its height against its width and their cap."""
    crib = _planned(scene, name)
    packed = _packed(scene).get(crib.at)
    if packed is None:
        return None
    guide, units = crib_guidance(crib), scene.units
    under = min(scene.rig.stack, key=lambda s: (s.at[0] - crib.at[0]) ** 2 + (s.at[1] - crib.at[1]) ** 2)
    tall = under.height_at_zero + max(0.0, packed)
    if tall > guide.height_m:
        return Measured(
            tall / guide.height_m,
            lambda: f"{show.length(tall, units)} high, guides say {show.length(guide.height_m, units)}",
            {"height_m": tall, "limit_m": guide.height_m},
        )
    most = _shares(scene)
    if isinstance(most, Unknown):
        return most
    if crib.at not in most:
        return Unknown("shares not known: what is packed does not stand on every side of the load's weight")
    return Measured(
        most[crib.at] / guide.capacity_n,
        lambda: f"up to {show.force(most[crib.at], units)}, guides say {show.force(guide.capacity_n, units)}",
        {"most_n": most[crib.at], "limit_n": guide.capacity_n},
    )


def ground_limit(scene: Scene, name: str) -> Outcome:
    """Pressure on the ground under a stack's foot, or under a packed crib that takes its greatest share, against its bearing."""
    if scene.rig.ground is None:
        return None
    stack = next((it for it in scene.picture.stacks if it.name == name), None)
    if stack is not None:
        if stack.force_n is None:
            return (
                None
                if (stack.rise_m or 0.0) < _LIFTED_M
                else Unknown(f"force on {name} not known", _gauges(scene, name))
            )
        return _bearing(scene, stack.force_n / (pi * stack.ring_m**2))
    crib = _planned(scene, name)
    if crib.at not in _packed(scene):
        return None
    most = _shares(scene)
    if isinstance(most, Unknown):
        return most
    if crib.at not in most:
        return Unknown("shares not known: what is packed does not stand on every side of the load's weight")
    return _bearing(scene, most[crib.at] / ground_area(crib))


def _bearing(scene: Scene, pressure: float) -> Measured:
    assert scene.rig.ground is not None, "asked only where the ground's bearing is given"
    limit = scene.rig.ground.bearing
    return Measured(
        pressure / limit,
        lambda: f"{show.pressure(pressure, scene.units)} on ground for {show.pressure(limit, scene.units)}",
        {"pressure_pa": pressure, "limit_pa": limit},
    )


def _gauges(scene: Scene, stack: str) -> tuple[str, ...]:
    return tuple(bag.pressure for it in scene.rig.stack if it.name == stack for bag in it.bag)


def _planned(scene: Scene, name: str) -> PlannedCrib:
    return next(it for it in scene.rig.crib if it.name == name)


def _packed(scene: Scene) -> dict[Point, float]:
    """Where cribbing is packed, and to which rise (m)."""
    return {crib.at: crib.height_m for crib in scene.cribs}


def _shares(scene: Scene) -> dict[Point, float] | Unknown:
    """The greatest share (N) of each packed crib, with shores that follow and the hinge; empty where they cannot hold it alone.

    The weight is what forces say, else the plan's. Of a load about its hinge their moment stands for it; of a free load the
    greater of the plan's and what its bags give now, since cribs may carry some of it already.
    """
    centre, hinge = centre_of_gravity(scene.rig.load), scene.rig.load.hinge
    if centre is None:
        return Unknown("shares not known: no centre of gravity is planned")
    turned = tilt(scene.rig, max(0.0, scene.picture.load.rise_m or 0.0)) or 0.0
    place = over(scene.rig, centre, turned)
    weight, moment = scene.picture.balance.weight_n, scene.picture.balance.moment_nm
    if weight is None and moment is not None and hinge is not None and abs(arm(hinge, place)) > 0.0:
        weight = moment / abs(arm(hinge, place))
    if weight is None:
        weight = max((it for it in (total_weight(scene.rig.load), _on_bags(scene)) if it is not None), default=None)
    if weight is None:
        return Unknown("shares not known: no weight is planned or measured")
    standing = [*_packed(scene), *(s.at for s in scene.picture.shores if _follows(s.gap_m, s.gap_allowed_m, s.doing))]
    found = shares(weight, place, [*standing, *(hinge or ())])
    return {} if found is None else {at: most for at, (_, most) in zip(standing, found, strict=False)}


def _on_bags(scene: Scene) -> float | None:
    """What the bags of a free load give (N), None while one stack's force is not known or a hinge carries part."""
    forces = [stack.force_n for stack in scene.picture.stacks]
    known = [force for force in forces if force is not None]
    return fsum(known) if scene.rig.load.hinge is None and len(known) == len(forces) else None


def _follows(gap: float | None, allowed: float, doing: str) -> bool:
    return gap is not None and gap <= allowed and doing != "released"
