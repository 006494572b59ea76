"""The lift plan in numbers: what the rig file implies, worked out before anything moves.

Statics of the plan only: no sensor, no estimate. What the file does not determine is None, with the reason beside it.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, cos

from monitor.addition import added
from monitor.rig.air import AirPlan, air_plan
from monitor.rig.capacity import AreaTable
from monitor.rig.parts import centre_of_gravity, total_weight
from monitor.rig.profile import Share, height, shares, stack_rise, stop_stack, top_rise
from monitor.rig.rests import RestPlan, rests
from monitor.rig.schema import Bag, Rig, Stack, Step
from monitor.rig.statics import Range, arm, rise_ratio, stack_forces, tilt, tip

_ROUNDING_M = 1e-9
"""A height that is beyond another by no more is the same: sums of steps end a last digit off."""


@dataclass(frozen=True, slots=True)
class BagPlan:
    """One bag: pressure (Pa) that the planned force needs flat and at its planned height (m); None if not determined.

    Where several stacks share the load the planned force is the greatest that may come on this one. `capacity_..._n`:
    what it lifts there at the supply's pressure, or at its working pressure if that is less. Past the last height of its
    data plate, `plate_m`, nothing of that is known, and it goes no higher.
    """

    name: str
    top_m: float
    pressure_flat_pa: float | None
    pressure_top_pa: float | None
    working_pa: float
    capacity_flat_n: float
    capacity_top_n: float | None
    plate_m: float

    @property
    def past_its_plate(self) -> bool:
        """Whether it is planned to stand higher than its data plate goes."""
        return _past(self.top_m, self.plate_m)


@dataclass(frozen=True, slots=True)
class StackPlan:
    """One stack: the force (N) it is planned to carry, why not if unknown, its reach (m, total height) and its bags.

    `force_most_n`: the greatest force that statics allows on it. `lean_m`: how far (x, y) its head is carried sideways by
    the load's turning at the top of the plan; `lean_use` that, and the head's ring, over the foot's ring.
    """

    name: str
    rise_m: float
    force_n: float | None
    why_not: str
    reach_m: float | None
    supply_pa: float
    enough: bool | None
    bags: tuple[BagPlan, ...]
    force_most_n: float | None
    lean_m: tuple[float, float] | None
    lean_use: float | None
    lean_why_not: str


@dataclass(frozen=True, slots=True)
class StopPlan:
    """Where one step (numbered from 1) stops: the rise (m) at a stack, the tilt, and the pressure (Pa) to expect in each
    bag that is open there, at the greatest force that may come on its stack. None if not determined.
    """

    step: int
    do: str
    stack: str
    rise_m: float | None
    tilt_rad: float | None
    pressures: tuple[tuple[str, float | None], ...]


@dataclass(frozen=True, slots=True)
class CapturePlan:
    """A capture step (numbered from 1) and the rise (m) it is made at, of that stack's head that rises most."""

    step: int
    rise_m: float


@dataclass(frozen=True, slots=True)
class Plan:
    """The whole plan. `tilt_rad` is the tilt at the greatest planned rise; `captures` how often the load is captured."""

    weight_n: float | None
    cg_m: tuple[float, float, float] | None
    tilt_rad: float | None
    captures: int
    stacks: tuple[StackPlan, ...]
    tip_rad: float | None
    tip_why_not: str
    stops: tuple[StopPlan, ...]
    capture_points: tuple[CapturePlan, ...]
    rests: tuple[RestPlan, ...]
    bearing_pa: float | None
    air: AirPlan


def _past(height: float, plate: float) -> bool:
    return height > plate + _ROUNDING_M


def plan(rig: Rig) -> Plan:
    """Work the plan out."""
    rises = {stack.name: stack_rise(rig, stack) for stack in rig.stack}
    parts = {stack.name: shares(rig, stack) for stack in rig.stack}
    top = top_rise(rig)
    forces, why_not = stack_forces(rig)
    tip_rad, tip_why_not = tip(rig)
    stacks = tuple(
        _stack(rig, stack, parts[stack.name], rises[stack.name], forces.get(stack.name), why_not) for stack in rig.stack
    )
    shore_rises = {shore.name: max(0.0, top * rise_ratio(rig, shore.at)) for shore in rig.shore}
    tops = {
        bag.name: (
            height(bag, parts[stack.name]),
            _pressure(bag, height(bag, parts[stack.name]), forces.get(stack.name)),
        )
        for stack in rig.stack
        for bag in stack.bag
    }
    return Plan(
        weight_n=total_weight(rig.load),
        cg_m=centre_of_gravity(rig.load),
        tilt_rad=tilt(rig, top),
        captures=ceil(max(rises.values()) / rig.limits.capture_every - 1e-9),
        stacks=stacks,
        tip_rad=tip_rad,
        tip_why_not=tip_why_not,
        stops=tuple(_stop(rig, parts, i, step) for i, step in enumerate(rig.step, 1) if step.do in ("fill", "lower")),
        capture_points=tuple(_captures(rig)),
        rests=rests(rig, forces, why_not),
        bearing_pa=rig.ground.bearing if rig.ground else None,
        air=air_plan(rig, tops, shore_rises, why_not),
    )


def _stack(rig: Rig, stack: Stack, parts: list[Share], rise: float, force: Range | None, why_not: str) -> StackPlan:
    most = None if force is None else force[1]
    bags = []
    for bag in stack.bag:
        table, air = AreaTable(bag), min(stack.supply, bag.working_pressure)
        top, plate = height(bag, parts), table.heights[-1]
        past = _past(top, plate)
        bags.append(
            BagPlan(
                bag.name,
                top,
                _pressure(bag, bag.height_flat, force),
                None if past else _pressure(bag, top, force),
                bag.working_pressure,
                air * table.area(bag.height_flat),
                None if past else air * table.area(top),
                plate,
            )
        )
    reach = None if most is None else _reach(stack, most)
    enough = (
        None
        if reach is None
        else (
            all((bag.pressure_top_pa or 0.0) <= min(stack.supply, bag.working_pa) * (1.0 + 1e-9) for bag in bags)
            and not any(bag.past_its_plate for bag in bags)
            and stack.height_at_zero + rise <= reach + _ROUNDING_M
        )
    )
    lean, use, lean_why_not = _lean(rig, stack, rise)
    known, why_not = _determined(force, why_not)
    return StackPlan(
        stack.name, rise, known, why_not, reach, stack.supply, enough, tuple(bags), most, lean, use, lean_why_not
    )


def _pressure(bag: Bag, high: float, force: Range | None) -> float | None:
    """What a bag needs (Pa) at a height (m) under the greatest force of a range (N). Past its data plate the last area holds."""
    return None if force is None else force[1] / AreaTable(bag).area(high)


def _determined(force: Range | None, why_not: str) -> tuple[float | None, str]:
    """The one force that statics leaves to a stack, or why there is none."""
    if force is None:
        return None, why_not
    if force[1] - force[0] > 1e-6 * force[1]:
        return None, "several stacks share the load, and how is not determined beforehand"
    return force[1], ""


def _reach(stack: Stack, force: float) -> float:
    """The height (m, ground to load) at which the stack lifts a force (N) no further."""
    plates = stack.height_at_zero - added(bag.height_flat for bag in stack.bag)
    return plates + added(
        AreaTable(bag).height_at(force / min(stack.supply, bag.working_pressure), highest=True) for bag in stack.bag
    )


def _lean(rig: Rig, stack: Stack, rise: float) -> tuple[tuple[float, float] | None, float | None, str]:
    """(the head's way sideways (m, x and y), its use of the foot's ring, why that is not determined).

    A contact that lies r from the hinge, level with it, goes r (1 - cos(tilt)) toward it. That the foot was set straight
    below the head at the zero is taken as given, and that neither slides.
    """
    hinge, angle = rig.load.hinge, tilt(rig, top_rise(rig))
    if hinge is None or angle is None:
        return None, None, "a free lift turns about no line"
    if rise <= 0.0:
        return None, None, "no step lifts it"
    (x0, y0), (x1, y1) = hinge
    out = arm(hinge, stack.at)
    back = -out * (1.0 - cos(angle)) / ((x1 - x0) ** 2 + (y1 - y0) ** 2) ** 0.5
    return (
        (back * (y0 - y1), back * (x1 - x0)),
        (abs(out) * (1.0 - cos(angle)) + stack.head_ring) / stack.ring,
        "",
    )


def _stop(rig: Rig, parts: dict[str, list[Share]], number: int, step: Step) -> StopPlan:
    stack = stop_stack(rig, step)
    rise = step.until.rise if step.until is not None else None
    if rise is None:
        said = step.until.pressure if step.until is not None else None
        known = ((step.bag, said),) if step.bag is not None and said is not None else ()
        return StopPlan(number, step.do, stack.name, None, None, known)
    ratio = rise_ratio(rig, stack.at)
    level = rise / ratio if ratio > 0.0 else 0.0
    angle = tilt(rig, level)
    forces, _ = stack_forces(rig, angle or 0.0)
    moved = [it for it in rig.stack if step.do == "lower" or step.bag in {bag.name for bag in it.bag}]
    pressures = []
    for it in moved:
        for bag in it.bag:
            high = height(bag, parts[it.name], level * rise_ratio(rig, it.at))
            if high > bag.height_flat:
                past = _past(high, bag.capacity[-1][0])
                pressures.append((bag.name, None if past else _pressure(bag, high, forces.get(it.name))))
    return StopPlan(number, step.do, stack.name, rise, angle, tuple(pressures))


def _captures(rig: Rig) -> list[CapturePlan]:
    found, level = [], 0.0
    for number, step in enumerate(rig.step, 1):
        if step.do in ("fill", "lower") and step.until is not None and step.until.rise is not None:
            ratio = rise_ratio(rig, stop_stack(rig, step).at)
            level = step.until.rise / ratio if ratio > 0.0 else level
        if step.do == "capture":
            found.append(CapturePlan(number, level))
    return found
