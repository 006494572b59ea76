"""The lift plan sheet in words, 80 columns at most. The numbers are worked out in plan.py."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterator
from datetime import datetime

from monitor import quantities as show
from monitor.rig.air import AirPlan
from monitor.rig.calibrated import in_words
from monitor.rig.checks import notes
from monitor.rig.plan import Plan, StackPlan, StopPlan
from monitor.rig.propose import Proposal
from monitor.rig.rests import RestPlan
from monitor.rig.schema import Crib, Rig, Step
from monitor.rig.timber import crib_guidance

CAUTIONS = (
    "This sheet supports and never replaces a trained safety officer, the makers'",
    "instructions, local rules and licensed practice. The monitor drives no valve.",
    "Nobody goes under a load held by bags alone.",
)
_WIDE, _HEAD = 80, 10
_QUANTITY = re.compile(r"(\d) (mm|m|in|ft|kN|lbf|bar|psi|kPa|L|ft³|s)\b")

Row = tuple[str, str]
"""(what it is about, what is said of it)."""


def sheet(rig: Rig, it: Plan, proposed: Proposal | None = None, now: datetime | None = None) -> str:
    """The sheet in words. `rig` has the proposed steps, where the file has none and some are proposed.

    `now`: the moment at which calibrations are to hold; without one they are left out.
    """
    out = [*_wrapped("LIFT PLAN SHEET  ", rig.rig.name)]
    for block in blocks(rig, it, proposed, now):
        for head, text in block:
            out += _wrapped(head, text)
        out.append("")
    return "\n".join([*out, *CAUTIONS])


def _wrapped(head: str, text: str) -> list[str]:
    first = head.ljust(_HEAD) if head.strip() else head or " " * 2
    indent = " " * (_HEAD if head.strip() else len(first) + 2)
    together = _QUANTITY.sub("\\1\u00a0\\2", text)  # a number is never parted from its unit
    lines = textwrap.wrap(together, _WIDE, initial_indent=first, subsequent_indent=indent, break_on_hyphens=False)
    return [line.replace("\u00a0", " ").rstrip() for line in lines] or [head.rstrip()]


def blocks(rig: Rig, it: Plan, proposed: Proposal | None, now: datetime | None = None) -> Iterator[list[Row]]:
    """The sheet's blocks, each of (head, text); a head of blanks goes on with what stands before it."""
    units = rig.rig.units
    yield [*_load(rig, it)]
    for stack in it.stacks:
        yield [*_stack(rig, stack)]
    yield [*_steps(rig, it, proposed)]
    yield [*_limits(rig, it)]
    yield [*_rests(rig, it)]
    yield [*_air(it.air, units)]
    if now is not None and (told := in_words(rig, now)):
        yield [("Calibration", ""), *(("  ", line) for line in told)]
    if said := notes(rig):
        yield [("Look again", ""), *(("  ", note) for note in said)]


def _load(rig: Rig, it: Plan) -> Iterator[Row]:
    units = rig.rig.units
    centre = (
        "not determined: the file gives neither it nor parts"
        if it.cg_m is None
        else ", ".join(show.length(v, units) for v in it.cg_m)
    )
    weight = show.force(it.weight_n, units) if it.weight_n is not None else "not determined: neither given nor parts"
    yield "Load", rig.load.name
    yield " " * _HEAD, f"weight {weight}"
    yield " " * _HEAD, f"centre of gravity {centre}"
    line = " to ".join(f"({', '.join(show.length(v, units) for v in p)})" for p in rig.load.hinge or ())
    yield "Hinge", line or "none: a free lift"


def _stack(rig: Rig, stack: StackPlan) -> Iterator[Row]:
    units = rig.rig.units
    force = show.force(stack.force_n, units) if stack.force_n is not None else f"not determined: {stack.why_not}"
    if stack.force_n is None and stack.force_most_n is not None:
        force += f"; at most {show.force(stack.force_most_n, units)}"
    yield "Stack", f"{stack.name}: rise {show.length(stack.rise_m, units)}, force at lift-off {force}"
    for of, bag in zip(next(it for it in rig.stack if it.name == stack.name).bag, stack.bags, strict=True):
        opens, up = bag.top_m > of.height_flat, show.length(bag.top_m, units)
        known = opens and not bag.past_its_plate
        needs = (
            f"needs {show.pressure(bag.pressure_flat_pa, units)} flat"
            + (
                f", {show.pressure(bag.pressure_top_pa, units)} at {up};"
                if known
                else ";"
                if opens
                else " and stays flat;"
            )
            if bag.pressure_flat_pa is not None
            else "needs not determined;"
        )
        lifts = f"lifts {show.force(bag.capacity_flat_n, units)} flat" + (
            f", {show.force(bag.capacity_top_n, units)} at {up}" if known else ""
        )
        past = (
            f"; planned to {up}, and its data plate ends at {show.length(bag.plate_m, units)}: NOT ENOUGH"
            if bag.past_its_plate
            else ""
        )
        yield "  ", f"{bag.name}: {needs} {lifts}; working pressure {show.pressure(bag.working_pa, units)}{past}"
    if stack.reach_m is not None:
        verdict = "enough" if stack.enough else "NOT ENOUGH for this plan"
        yield (
            "  ",
            (
                f"supply {show.pressure(stack.supply_pa, units)} reaches a stack of "
                f"{show.length(stack.reach_m, units)}: {verdict}"
            ),
        )
    else:
        yield "  ", f"reach at {show.pressure(stack.supply_pa, units)} not determined: {stack.why_not}"
    if stack.lean_m is None or stack.lean_use is None:
        yield "  ", f"lean ahead not determined: {stack.lean_why_not}"
    else:
        way = ", ".join(show.length(v, units) for v in stack.lean_m)
        over = ": TOO FAR" if stack.lean_use >= 1.0 else ""
        yield (
            "  ",
            f"lean ahead at the top, from the load's turning alone, ({way}): {stack.lean_use:.0%} of the foot's ring{over}",
        )


def _steps(rig: Rig, it: Plan, proposed: Proposal | None) -> Iterator[Row]:
    units = rig.rig.units
    open_share = any(stack.force_n is None and stack.force_most_n is not None for stack in it.stacks)
    told = "the most to expect, were each stack to carry the most it may" if open_share else "those to expect"
    if proposed is None:
        yield "Steps", f"as the file says; the pressures are {told}"
    elif proposed.why_not:
        yield "Steps", f"none, and no plan is proposed: {proposed.why_not}"
        return
    else:
        yield (
            "Steps",
            (
                f"PROPOSED, the file has none, up to {show.length(proposed.rise_m, units)}: {proposed.why}. For trained"
                " people to judge and change; inchwatch check --propose prints it for the file; the pressures are"
                f" {told}"
            ),
        )
    stops = {stop.step: stop for stop in it.stops}
    for number, step in enumerate(rig.step, 1):
        yield "  ", f"{number}. {step_words(step, rig)}{expected(stops.get(number), units)}"


def step_words(step: Step, rig: Rig) -> str:
    """One step in words."""
    units = rig.rig.units
    words = [step.do, step.bag or ""]
    if step.until and step.until.rise is not None:
        words.append(f"until the rise is {show.length(step.until.rise, units)} at {step.until.at or rig.stack[0].name}")
    if step.until and step.until.pressure is not None:
        words.append(f"until {show.pressure(step.until.pressure, units)}")
    if step.for_ is not None:
        words.append(f"for {step.for_:.0f} s")
    return " ".join(word for word in words if word) + (f" ({step.say})" if step.say else "")


def expected(stop: StopPlan | None, units: str) -> str:
    """The pressures to expect at a stop, as the end of a sentence."""
    if stop is None or not stop.pressures:
        return ""
    return ": " + ", ".join(f"{bag} {show.pressure(pa, units)}" for bag, pa in stop.pressures)


def _limits(rig: Rig, it: Plan) -> Iterator[Row]:
    units, limits = rig.rig.units, rig.limits
    yield "Capture", f"every {show.length(limits.capture_every, units)} of rise: {it.captures} times on the way up"
    if it.capture_points:
        yield "  ", "as planned at " + ", ".join(show.length(point.rise_m, units) for point in it.capture_points)
    yield (
        "Tilt",
        (
            f"{show.angle(it.tilt_rad)} at the top, {show.angle(limits.tilt)} allowed;"
            f" across the hinge {show.angle(limits.cross_tilt)}"
        ),
    )
    if it.tip_rad is None:
        yield "Tip ahead", f"not determined: {it.tip_why_not}"
    else:
        left = it.tip_rad - (it.tilt_rad or 0.0)
        gone = "" if left > 0.0 else ": GOES OVER"
        yield (
            "Tip ahead",
            f"goes over centre at {show.angle(it.tip_rad)} by the file, {show.angle(left)} from the top of the plan{gone}",
        )
    yield "Rate", f"at most {show.speed(limits.rise_rate, units)} up or down"
    yield "Shores", ", ".join(s.name for s in rig.shore) or "none: capture is by cribbing"
    for crib in rig.crib:
        yield "Crib", _crib(crib, units)
    yield "Sensors", f"{len(rig.channel)} channels on {', '.join(port.name for port in rig.port)}"


def _crib(crib: Crib, units: str) -> str:
    guide = crib_guidance(crib)
    wet = ", wet" if crib.wet else ""
    return (
        f"{crib.name}: {crib.timber}, {crib.members} a layer{wet}: guides allow "
        f"{show.force(guide.capacity_n, units)} and {show.length(guide.height_m, units)} high"
    )


def _rests(rig: Rig, it: Plan) -> Iterator[Row]:
    units = rig.rig.units
    yield "Shares", "the greatest each may have to carry, by statics"
    for rest in it.rests:
        yield "  ", rest_words(rest, units, it.bearing_pa)
    if it.bearing_pa is None:
        yield "  ", "what the ground may bear is not in the file (ground.bearing)"


def rest_words(rest: RestPlan, units: str, bearing_pa: float | None) -> str:
    """One crib, shore or foot in words."""
    kind = "foot of stack" if rest.kind == "stack" else rest.kind
    if rest.most_n is None:
        return f"{kind} {rest.name}: not determined: {rest.why_not}"
    parts = [f"{kind} {rest.name}: {show.force(rest.most_n, units)}"]
    if rest.kind != "stack":
        parts.append(
            f"may carry {show.force(rest.allowed_n, units)}"
            if rest.allowed_n is not None
            else f"what it may carry is not determined: {rest.unsure}"
        )
    if rest.height_m is not None:
        allowed = "" if rest.height_allowed_m is None else f" of {show.length(rest.height_allowed_m, units)}"
        parts.append(f"{'about ' if rest.kind == 'crib' else ''}{show.length(rest.height_m, units)}{allowed} high")
    if rest.ground_pa is not None:
        allowed = "" if bearing_pa is None else f" of {_ground(bearing_pa, units)}"
        parts.append(f"ground {_ground(rest.ground_pa, units)}{allowed}")
    return ", ".join(parts) + (": NOT ENOUGH" if rest.enough is False else "")


def _ground(pa: float, units: str) -> str:
    """Pressure on ground as those who judge ground write it."""
    return f"{pa / 1e3:.0f} kPa" if units == "metric" else show.pressure(pa, units)


def _air(air: AirPlan, units: str) -> Iterator[Row]:
    if air.bags_m3 is None or air.shores_m3 is None:
        yield "Air", f"needed not determined: {air.why_not}"
    else:
        yield (
            "Air",
            (
                f"needed to the top once, as free air: bags {show.volume(air.bags_m3, units)},"
                f" shores {show.volume(air.shores_m3, units)}; hoses, leaks and a second try come on top"
            ),
        )
    if air.carried_m3 is None or air.carried_least_m3 is None:
        yield "  ", f"carried not determined: {air.carried_why_not}"
        return
    real = "" if air.carried_least_m3 == air.carried_m3 else f", as real air {show.volume(air.carried_least_m3, units)}"
    verdict = "" if air.enough is None else ": enough" if air.enough else ": NOT ENOUGH for this plan"
    yield (
        "  ",
        f"carried above the regulators' pressure {show.volume(air.carried_m3, units)} as an ideal gas{real}{verdict}",
    )
