"""What is coming: lean, lift and air that will not last for the rise still planned, bags that take air and do not lift, a
load that sinks at hold, stacks that part.

Conditions like those of conditions.py; they look at trends and at the plan, and give time to act.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import combinations

from monitor import quantities as show
from monitor.addition import added
from monitor.engine.conditions import BOUND_SDS, Measured, Outcome, Scene, Suppressed, Unknown
from monitor.engine.picture import BagPicture, SensorStatus, StackPicture
from monitor.engine.planned import Planned
from monitor.rig.air import bag_volume, carried_real, free_air, regulated
from monitor.rig.schema import Bag, Stack

_STILL_M_S = 0.0005
"""A stack head slower than this does not follow its bag (invented)."""
_TAKES = 5_000.0
"""Pa/s: a bag whose pressure grows faster takes air."""
_PUSHES = 1.15
"""Times the pressure that would carry its load: a bag so full and no higher does not lift (invented)."""
_SINKS_M_S, _LOSES_PA_S = 0.05e-3, 10.0
"""From where the estimator speaks of sinking and of loss (common practice, no source)."""
_FINE = Measured(0.0, "", {})
_REGULATED = 0.95
"""Share of its supply at which a bag has all the air that it gets."""
_LOW_M = 0.006
"""A load that is up by no more is as good as down (common practice, no source)."""


def lean_ahead(scene: Scene, name: str) -> Outcome:
    """At the present trend the head leaves the footprint cone within the rise still planned, or the bags' own reach."""
    stack = scene.stack(name)
    if stack.lean_m is None or stack.rise_m is None:
        missing = scene.lean_missing[name]
        return Unknown("lean not known", missing) if missing else scene.no_pose()
    at = stack.lean_at_rise_m
    if at is None and scene.above >= 0.0:
        return None
    config = scene.facts.stacks[name]
    target = rise_to_come(scene, config)
    if target is None:
        target = added(bag.capacity[-1][0] - bag.capacity[0][0] for bag in config.bag)
    left = target - stack.rise_m
    if at is None or left <= 0.0:
        return Measured(0.0, "", {"at_rise_m": at, "planned_m": target})
    return Measured(
        2.0 if at <= target else 0.5,
        lambda: f"out at {show.length(at, scene.units)} of {show.length(target, scene.units)} planned",
        {"at_rise_m": at, "planned_m": target},
    )


def reach(scene: Scene, name: str) -> Outcome:
    """The stack runs out of lift before the greatest rise still planned."""
    config, now = scene.facts.stacks[name], scene.picture.step
    target = None if now is None else scene.facts.to_come(now.number, name)
    if target is None:
        return None
    stack = scene.stack(name)
    if stack.reach_m is None:
        resting = stack.rise_m is None or stack.rise_m < _LOW_M
        return None if resting else Unknown(f"force of {name} not known", tuple(bag.pressure for bag in config.bag))
    needs = config.height_at_zero + target
    share = needs / stack.reach_m
    if share <= scene.above:
        return None
    return Measured(
        share,
        lambda: f"lifts to {show.length(stack.reach_m, scene.units)}, {show.length(needs, scene.units)} planned",
        {"reach_m": stack.reach_m, "limit_m": needs},
    )


def uneven(scene: Scene, _: str) -> Outcome:
    """The two stacks that part most, less what turning about the planned hinge explains."""
    if len(scene.rig.stack) < 2:
        return None
    if scene.pose is None:
        return scene.no_pose()
    far, pair = _most_apart(scene.planned, {stack.name: stack.rise_m or 0.0 for stack in scene.picture.stacks})
    limit = scene.planned.apart_m
    return Measured(
        far / limit,
        lambda: f"{show.length(far, scene.units)} apart, {show.length(limit, scene.units)} allowed",
        {"apart_m": far, "limit_m": limit, "between": " ".join(pair)},
    )


def no_lift(scene: Scene, bag: str) -> Outcome:
    """A bag takes air beyond what its load needs and its stack does not rise."""
    stack, it, config = _plate(scene, bag)
    if it.pressure_pa is None or it.rate_pa_s is None:
        return Unknown(f"pressure in {bag} not known", (config.pressure,))
    if scene.pose is None:
        return scene.no_pose()
    resting = stack.rise_m is not None and stack.rise_m < _LOW_M  # what flat bags push with says nothing of the load
    full = _REGULATED * it.supply_pa
    stuck = it.rate_pa_s > _TAKES or (resting and it.pressure_pa >= full)
    if not stuck and scene.above >= 0.0:
        return None
    rate = scene.pose.rate(*stack.at)
    stuck = stuck and rate < _STILL_M_S + BOUND_SDS * scene.pose.rate_sd(*stack.at)
    if not stuck and scene.above >= 0.0:
        return None
    known = stack.force_n is not None and not resting
    force = stack.force_n if known else scene.planned.forces.get(stack.name)
    limit = full
    if force is not None and force > 0.0:
        area = scene.planned.tables[bag].area(it.height_m if it.height_m is not None else config.height_flat)
        margin = _PUSHES if known else _PUSHES * (1.0 + scene.rig.limits.weight_margin)
        limit = min(limit, margin * force / area)
    named = scene.step.bag if scene.step is not None and scene.step.do == "fill" else None
    instead = f", not {named}" if named not in (None, bag) else ""
    return Measured(
        it.pressure_pa / limit if stuck else 0.0,
        lambda: f"{show.pressure(it.pressure_pa, scene.units)}{instead}, no rise",
        {"pressure_pa": it.pressure_pa, "limit_pa": limit, "rate_m_s": rate, "named": named},
    )


def sinking(scene: Scene, name: str) -> Outcome:
    """At hold the head sinks, or a bag whose height is fixed loses air. By design not said in a step that lets the load down."""
    stack = scene.stack(name)
    if scene.step is not None and scene.step.do in ("lower", "vent"):
        return Suppressed("the step lets it down")
    if stack.rise_m is None:
        return scene.no_pose()
    if stack.rise_m < _LOW_M:
        return Measured(0.0, "down", {"rise_m": stack.rise_m})
    sinks = stack.sink_m_s
    if sinks is not None:
        return Measured(
            max(1.2, sinks / _SINKS_M_S),
            lambda: f"sinks {show.length(60.0 * sinks, scene.units)} a minute",
            {"sink_m_s": sinks, "limit_m_s": _SINKS_M_S},
        )
    losses = {bag.name: bag.loss_pa_s for bag in stack.bags if bag.loss_pa_s is not None}
    if not losses:
        return _FINE
    worst = max(losses, key=losses.__getitem__)
    return Measured(
        max(1.2, losses[worst] / _LOSES_PA_S),
        lambda: f"{worst} loses {show.pressure(60.0 * losses[worst], scene.units)} a minute",
        {"bag": worst, "loss_pa_s": losses[worst], "limit_pa_s": _LOSES_PA_S},
    )


def rise_to_come(scene: Scene, stack: Stack) -> float | None:
    """The greatest rise (m) at a stack's head that the steps still to come plan; None where they plan none."""
    now = scene.picture.step
    return None if now is None else scene.facts.to_come(now.number, stack.name)


def _most_apart(planned: Planned, rises: Mapping[str, float]) -> tuple[float, tuple[str, str]]:
    """(how far (m) the two stacks that part most do, less what turning about the planned hinge explains, which they are)."""
    most, pair = -1.0, ("", "")
    for a, b in combinations(rises, 2):
        far = _parted(planned.ratios, a, b, rises)
        if far > most:
            most, pair = far, (a, b)
    return most, pair


def _parted(ratios: Mapping[str, float], a: str, b: str, rises: Mapping[str, float]) -> float:
    """How far (m) the nearer to the hinge has gone from where the farther says it should be."""
    near, far = (b, a) if ratios[b] < ratios[a] else (a, b)
    return abs(rises[near] - rises[far] * (ratios[near] / ratios[far] if ratios[far] else 1.0))


def air_short(scene: Scene, _: str) -> Outcome:
    """Free air for what the plan still raises and the shores that follow, against what the cylinders still hold.

    Watched only where every cylinder has a gauge: of the others nobody knows what is left.
    """
    gauges = [supply.pressure for supply in scene.rig.supply]
    if not gauges or None in gauges or scene.step is None or scene.picture.step is None:
        return None
    if scene.picture.step.number > scene.planned.last_fill:
        return Measured(0.0, "nothing more to fill", {})
    left, unheard = _left(scene)
    if unheard:
        return Unknown(f"air left not known without {unheard[0]}", unheard)
    need = _to_fill(scene)
    if need is None:
        return Unknown("air still needed not known: what the stacks carry is not known")
    return Measured(
        min(9.0, need / left) if left > 0.0 else 9.0,
        lambda: f"{show.volume(left, scene.units)} left, {show.volume(need, scene.units)} needed",
        {"left_m3": left, "limit_m3": need},
    )


def _left(scene: Scene) -> tuple[float, tuple[str, ...]]:
    """(free air (m^3) left above what the regulators are set to, in cylinders that have a gauge; gauges that are silent)."""
    kept, left, unheard = regulated(scene.rig), 0.0, []
    for supply in scene.rig.supply:
        if supply.pressure is None:
            continue
        gauge = scene.sensor(supply.pressure)
        if gauge.value is None or gauge.status not in (SensorStatus.OK, SensorStatus.CHECK):
            unheard.append(supply.pressure)
        else:
            left += carried_real(supply, kept, gauge.value)
    return left, tuple(unheard)


def _to_fill(scene: Scene) -> float | None:
    """Free air (m^3) from how bags and shores stand now to the top of the plan; None where a force is not known."""
    need = 0.0
    for stack, config in zip(scene.picture.stacks, scene.rig.stack, strict=True):
        force = stack.force_n if stack.force_n is not None else scene.planned.forces.get(stack.name)
        for bag, plate in zip(stack.bags, config.bag, strict=True):
            top = scene.planned.tops[bag.name]
            if top <= plate.height_flat:
                continue
            if force is None:
                return None
            there = free_air(bag_volume(plate, top), force / scene.planned.tables[bag.name].area(top))
            now = bag_volume(plate, bag.height_m) if bag.height_m is not None else 0.0
            need += max(0.0, there - free_air(now, bag.pressure_pa or 0.0))
    for shore, piston in zip(scene.picture.shores, scene.rig.shore, strict=True):
        to_go = max(0.0, scene.planned.shore_rises[shore.name] - (shore.extension_m or 0.0))
        need += free_air(piston.piston_area * to_go, piston.follow_pressure)
    return need


def _plate(scene: Scene, name: str) -> tuple[StackPicture, BagPicture, Bag]:
    """A bag with its stack, as they are, and as the rig file has it."""
    for stack in scene.picture.stacks:
        for bag in stack.bags:
            if bag.name == name:
                return stack, bag, scene.facts.bags[name]
    raise KeyError(name)
