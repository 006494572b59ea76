"""The lift plan sheet: what the rig file implies, worked out before anything moves.

Statics of the plan only: no sensor, no estimate. What the file does not determine is said to be so, with the reason.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import asin, ceil, hypot

from monitor import quantities as show
from monitor.rig.capacity import AreaTable
from monitor.rig.checks import notes
from monitor.rig.parts import centre_of_gravity, total_weight
from monitor.rig.schema import Crib, Rig, Stack, Step
from monitor.rig.timber import crib_guidance

CAUTIONS = (
    "This sheet supports and never replaces a trained safety officer, the makers'",
    "instructions, local rules and licensed practice. The monitor drives no valve.",
    "Nobody goes under a load held by bags alone.",
)


@dataclass(frozen=True, slots=True)
class BagPlan:
    """One bag: pressure (Pa) that the planned force needs flat and at its planned height (m); None if not determined."""

    name: str
    top_m: float
    pressure_flat_pa: float | None
    pressure_top_pa: float | None
    working_pa: float


@dataclass(frozen=True, slots=True)
class StackPlan:
    """One stack: the force (N) it is planned to carry, why not if unknown, its reach (m, total height) and its bags."""

    name: str
    rise_m: float
    force_n: float | None
    why_not: str
    reach_m: float | None
    supply_pa: float
    enough: bool | None
    bags: tuple[BagPlan, ...]


@dataclass(frozen=True, slots=True)
class Plan:
    """The whole sheet. `tilt_rad` is the tilt at the greatest planned rise; `captures` how often the load is captured."""

    weight_n: float | None
    cg_m: tuple[float, float, float] | None
    tilt_rad: float | None
    captures: int
    stacks: tuple[StackPlan, ...]


def plan(rig: Rig) -> Plan:
    """Work the sheet out."""
    rises = {stack.name: _planned_rise(rig, stack) for stack in rig.stack}
    highest = max(rises.values())
    arms = [abs(_arm(rig, s.at)) for s in rig.stack] if rig.load.hinge else []
    slopes = [rises[s.name] / arm for s, arm in zip(rig.stack, arms, strict=False) if arm > 0.0]
    return Plan(
        weight_n=total_weight(rig.load),
        cg_m=centre_of_gravity(rig.load),
        tilt_rad=asin(min(1.0, max(slopes))) if slopes else None,
        captures=ceil(highest / rig.limits.capture_every - 1e-9),
        stacks=tuple(_stack(rig, stack, rises[stack.name]) for stack in rig.stack),
    )


def _planned_rise(rig: Rig, stack: Stack) -> float:
    stops = [
        s.until.rise
        for s in rig.step
        if s.do == "fill" and s.until and s.until.rise is not None and (s.until.at or rig.stack[0].name) == stack.name
    ]
    return max(stops, default=0.0)


def _arm(rig: Rig, point: tuple[float, float]) -> float:
    """Distance (m) of a point from the hinge line, positive on one side of it."""
    assert rig.load.hinge is not None, "asked only where the plan names a hinge"
    (x0, y0), (x1, y1) = rig.load.hinge
    return ((point[0] - x0) * (y0 - y1) + (point[1] - y0) * (x1 - x0)) / hypot(x1 - x0, y1 - y0)


def _force(rig: Rig, stack: Stack) -> tuple[float | None, str]:
    """The force this stack carries as the load lifts off, by moments about the hinge; or why it is not determined."""
    weight, centre = total_weight(rig.load), centre_of_gravity(rig.load)
    if weight is None or centre is None:
        return None, "the file gives no weight or no centre of gravity"
    if len(rig.stack) > 1:
        return None, "several stacks share the load, and how is not determined beforehand"
    if rig.load.hinge is None:
        return weight, ""
    arm = _arm(rig, stack.at)
    if arm == 0.0:
        return None, "the stack stands on the hinge line"
    force = weight * _arm(rig, centre[:2]) / arm
    return (force, "") if force > 0.0 else (None, "the centre of gravity lies beyond the hinge")


def _stack(rig: Rig, stack: Stack, rise: float) -> StackPlan:
    force, why_not = _force(rig, stack)
    tops = _tops(rig, stack, rise)
    bags = []
    for bag in stack.bag:
        table = AreaTable(bag)
        top = tops[bag.name]
        flat_pa, top_pa = (
            (None, None) if force is None else (force / table.area(bag.height_flat), force / table.area(top))
        )
        bags.append(BagPlan(bag.name, top, flat_pa, top_pa, bag.working_pressure))
    plates = stack.height_at_zero - sum(bag.height_flat for bag in stack.bag)
    reach = (
        None
        if force is None
        else plates + sum(AreaTable(bag).height_at(force / stack.supply, True) for bag in stack.bag)
    )
    needed = [bag.pressure_top_pa for bag in bags if bag.pressure_top_pa is not None]
    enough = (
        None
        if force is None or reach is None
        else (max(needed) <= stack.supply and stack.height_at_zero + rise <= reach)
    )
    return StackPlan(stack.name, rise, force, why_not, reach, stack.supply, enough, tuple(bags))


def _tops(rig: Rig, stack: Stack, rise: float) -> dict[str, float]:
    """The height each bag is planned to reach: its fill steps' shares of the rise."""
    tops = {bag.name: bag.height_flat for bag in stack.bag}
    so_far = 0.0
    for step in rig.step:
        if step.do == "fill" and step.bag in tops and step.until and step.until.rise is not None:
            tops[step.bag] += max(0.0, step.until.rise - so_far)
            so_far = max(so_far, step.until.rise)
    return tops


def sheet(rig: Rig, it: Plan) -> str:
    """The sheet in words, 80 columns at most."""
    units = rig.rig.units
    centre = "--" if it.cg_m is None else ", ".join(show.length(v, units) for v in it.cg_m)
    out = [
        f"LIFT PLAN SHEET   {rig.rig.name}",
        f"Load      {rig.load.name}",
        f"          weight {show.force(it.weight_n, units)}, centre of gravity {centre}",
        "Hinge     "
        + (
            " to ".join(f"({', '.join(show.length(v, units) for v in p)})" for p in rig.load.hinge)
            if rig.load.hinge
            else "none: a free lift"
        ),
    ]
    for stack in it.stacks:
        out += ["", *_stack_lines(stack, units)]
    out += ["", "Steps"]
    out += [f"  {i}. {_step(step, rig, units)}" for i, step in enumerate(rig.step, 1)] or ["  none"]
    limits = rig.limits
    out += [
        "",
        f"Capture   every {show.length(limits.capture_every, units)} of rise: {it.captures} times on the way up",
        (
            f"Tilt      {show.angle(it.tilt_rad)} at the top, {show.angle(limits.tilt)} allowed;"
            f" across the hinge {show.angle(limits.cross_tilt)}"
        ),
        f"Rate      at most {show.speed(limits.rise_rate, units)} up or down",
        f"Shores    {', '.join(s.name for s in rig.shore) or 'none: capture is by cribbing'}",
        *(_crib(crib, units) for crib in rig.crib),
        f"Sensors   {len(rig.channel)} channels on {', '.join(port.name for port in rig.port)}",
    ]
    said = notes(rig)
    out += ["", "Look again", *(f"  {note}" for note in said)] if said else []
    return "\n".join([*out, "", *CAUTIONS])


def _stack_lines(stack: StackPlan, units: str) -> list[str]:
    force = show.force(stack.force_n, units) if stack.force_n is not None else f"not determined: {stack.why_not}"
    lines = [f"Stack     {stack.name}: rise {show.length(stack.rise_m, units)}, force at lift-off {force}"]
    for bag in stack.bags:
        lines.append(
            f"  {bag.name:<16} flat {show.pressure(bag.pressure_flat_pa, units)}, at {show.length(bag.top_m, units)}"
            f" {show.pressure(bag.pressure_top_pa, units)}, working {show.pressure(bag.working_pa, units)}"
        )
    if stack.reach_m is not None:
        verdict = "enough" if stack.enough else "NOT ENOUGH for this plan"
        lines.append(
            f"  supply {show.pressure(stack.supply_pa, units)} reaches a stack of "
            f"{show.length(stack.reach_m, units)}: {verdict}"
        )
    return lines


def _crib(crib: Crib, units: str) -> str:
    """What the guides say of a crib: guidance, to which the authority in charge has the last word."""
    guide = crib_guidance(crib)
    wet = ", wet" if crib.wet else ""
    return (
        f"Crib      {crib.name}: {crib.timber}, {crib.members} a layer{wet}: guides allow "
        f"{show.force(guide.capacity_n, units)} and {show.length(guide.height_m, units)} high"
    )


def _step(step: Step, rig: Rig, units: str) -> str:
    words = [step.do, step.bag or ""]
    if step.until and step.until.rise is not None:
        words.append(f"until the rise is {show.length(step.until.rise, units)} at {step.until.at or rig.stack[0].name}")
    if step.until and step.until.pressure is not None:
        words.append(f"until {show.pressure(step.until.pressure, units)}")
    if step.for_ is not None:
        words.append(f"for {step.for_:.0f} s")
    return " ".join(word for word in words if word)
