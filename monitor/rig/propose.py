"""Proposes the steps of a lift for a rig file that names none: how high, which bag in turn, where to stop, how to come down.

A proposal for trained people to judge, never an order. It keeps below what the monitor would sound a caution at, and a
tenth below what air and bags can do. What the file does not determine is not proposed, and why is said in a sentence.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from math import acos, dist, inf, sin

from monitor import quantities as show
from monitor.rig.capacity import AreaTable
from monitor.rig.schema import APART_M, Rig, Stack, Step, Until
from monitor.rig.statics import arm, rise_ratio, stack_forces, tip

_OF_TRAVEL = 0.9
"""Share of a bag's usable lift that is planned with (common practice, no source)."""
_OF_LIMIT = 0.8
"""Share of the tilt allowed and of the angle over centre: where the monitor begins to warn."""
_OF_RING = 0.7
"""Share of the foot's ring that the lean may take: where the monitor begins to warn."""
_OF_CROSS = 0.5
"""Share of the cross tilt allowed that stacks lifted in turn may part by (common practice, no source)."""
_OF_APART = 0.5
"""Share of what stacks of a free lift may part by that the plan parts them by: bags that are shut rise as load leaves them, and
sink as more comes, each by some millimetres (common practice, no source)."""
_HOLD_S = 20.0
"""How long the load is watched at the top before anyone goes near (common practice, no source)."""
_LEAST_M = 0.005
"""A lift of less is none (common practice, no source)."""
_MOST_STEPS = 600
"""A plan of more steps is nothing that people follow (common practice, no source)."""
_INCH = 0.0254
_GRIDS = {"metric": (1e-3, "mm"), "us": (_INCH / 16, "in")}
"""What a rise is rounded down to: what a tape tells, a millimetre or a sixteenth of an inch."""


@dataclass(frozen=True, slots=True)
class Proposal:
    """Steps and the rise (m) they go to, of that stack's head that rises most, and why so high; or why there are none."""

    steps: tuple[Step, ...] = ()
    rise_m: float | None = None
    why: str = ""
    why_not: str = ""


class _NotProposed(Exception):
    """Why no plan is proposed, as the end of a sentence."""


@dataclass(frozen=True, slots=True)
class _Lift:
    """One stack on its way up: how its head rises with the load, and its bags in order, each up to a level.

    A level is the rise of that stack's head that rises most, in whole parts of the grid.
    """

    stack: Stack
    ratio: float
    bags: tuple[tuple[str, int], ...]

    def bag(self, level: int) -> str:
        """The bag that lifts up to a level."""
        return next(name for name, upto in self.bags if level <= upto)


def propose(rig: Rig) -> Proposal:
    """A plan for a rig, its own steps set aside."""
    try:
        return _propose(rig)
    except _NotProposed as why_not:
        return Proposal(why_not=str(why_not))


def _propose(rig: Rig) -> Proposal:
    grid = min(_GRIDS[rig.rig.units][0], rig.limits.capture_every)
    lifts = [_lift(rig, stack, grid) for stack in rig.stack]
    most, limit = min(_limits(rig, lifts, grid))
    wanted = rig.load.raise_
    top = most if wanted is None else min(wanted, most)
    units = rig.rig.units
    if most < _LEAST_M or top < grid:
        raise _NotProposed(f"{limit} no lift worth the name: {show.length(max(most, 0.0), units)}")
    levels = _stops(rig, lifts, int(top / grid + 1e-6), grid)
    steps = (*_up(rig, lifts, levels, grid), *_at_the_top(), *_down(rig, lifts, levels, grid))
    if wanted is None:
        why = f"{limit} no more; the file asks for no rise (load.raise)"
    elif wanted > most:
        why = f"{limit} no more; the file asks for {show.length(wanted, units)}, which is NOT REACHED"
    else:
        why = "the file asks for it (load.raise)"
    return Proposal(steps, levels[-1] * grid, why)


def _lift(rig: Rig, stack: Stack, grid: float) -> _Lift:
    """A stack's bags in the order they are filled, each up to where its height or the pressure there is runs out."""
    forces, why_not = stack_forces(rig)
    if why_not:
        raise _NotProposed(f"the force on the stacks is not determined: {why_not}")
    ratio = rise_ratio(rig, stack.at)
    if ratio <= 0.0:
        raise _NotProposed("stacks stand on both sides of the hinge")
    force = forces[stack.name][1] * (1.0 + max(0.0, rig.limits.weight_margin))
    level, bags = 0, []
    for bag in reversed(stack.bag) if stack.fill_order == "top-first" else stack.bag:
        table, air = AreaTable(bag), min(stack.supply, bag.working_pressure)
        needed = force / table.area(bag.height_flat)
        if needed > air:
            units = rig.rig.units
            raise _NotProposed(
                f"stack {stack.name} cannot lift its share, {show.force(force, units)} with the margin for a heavier load:"
                f" {bag.name} needs {show.pressure(needed, units)} and may have {show.pressure(air, units)}"
            )
        travel = _OF_TRAVEL * (table.height_at(force / air, highest=True) - bag.height_flat)
        level += max(0, int((travel - _lifted_by_others(rig, ratio, grid)) / ratio / grid))
        bags.append((bag.name, level))
    return _Lift(stack, ratio, tuple(bags))


def _lifted_by_others(rig: Rig, ratio: float, grid: float) -> float:
    """How far (m) a stack's head may be lifted past its own stop while its neighbours are filled, or by rounding."""
    if rig.load.hinge is not None and len(rig.stack) > 1:
        return (rig.limits.capture_every + grid) * ratio
    return 0.0


def _limits(rig: Rig, lifts: list[_Lift], grid: float) -> Iterator[tuple[float, str]]:
    """(greatest rise (m) of that stack's head that rises most, what allows no more) for each limit the file determines."""
    for lift in lifts:
        yield lift.bags[-1][1] * grid, f"supply and bags of stack {lift.stack.name} allow"
    for shore in rig.shore:
        ratio = rise_ratio(rig, shore.at)
        if shore.rated and shore.length_at_zero is not None and ratio > 0.0:
            yield (shore.rated[-1][0] - shore.length_at_zero) / ratio, f"shore {shore.name}'s length allows"
    if rig.load.hinge is None:
        return
    arms = [abs(arm(rig.load.hinge, lift.stack.at)) for lift in lifts]
    yield max(arms) * sin(_OF_LIMIT * min(rig.limits.tilt, 1.5)), "four fifths of the tilt allowed permit"
    over = tip(rig)[0]
    if over is not None:
        yield max(arms) * sin(_OF_LIMIT * over), "four fifths of the angle over centre permit"
    for lift, out in zip(lifts, arms, strict=True):
        room = _OF_RING * lift.stack.ring - lift.stack.head_ring
        if room < out:
            turned = acos(1.0 - max(0.0, room) / out)
            yield max(arms) * sin(turned), f"seven tenths of the ring of stack {lift.stack.name} permit"


def _stops(rig: Rig, lifts: list[_Lift], top: int, grid: float) -> list[int]:
    """The levels at which the load is captured, from 0: even steps no larger than allowed, one wherever a bag changes."""
    every = max(1, int(rig.limits.capture_every / grid + 1e-6))
    changes = sorted({upto for lift in lifts for _, upto in lift.bags if 0 < upto < top} | {top})
    if top / every * (len(lifts) * _turns(rig, every, grid) + 3) > _MOST_STEPS:
        raise _NotProposed(
            f"captured every {show.length(rig.limits.capture_every, rig.rig.units)} it has too many steps"
        )
    levels = [0]
    for low, high in pairwise([0, *changes]):
        n = -(-(high - low) // every)
        levels += [low + (high - low) * k // n for k in range(1, n + 1)]
    return levels


def _turns(rig: Rig, step: int, grid: float) -> int:
    """In how many turns several stacks go up between two captures, so that they never part by too much."""
    at = [stack.at for stack in rig.stack]
    nearest = min((dist(a, b) for k, a in enumerate(at) for b in at[:k]), default=inf)
    part = _OF_CROSS * nearest * sin(min(rig.limits.cross_tilt, 1.5)) / grid
    if rig.load.hinge is None:
        most = APART_M if rig.limits.apart is None else rig.limits.apart
        part = min(part, _OF_APART * most / grid + 1e-6)
        if len(at) > 1 and _OF_APART * most < grid * (1.0 - 1e-6):
            units = rig.rig.units
            turn = show.small(grid, "length", units)
            raise _NotProposed(
                f"stacks may part by {show.small(most, 'length', units)} (limits.apart), less than two turns of {turn},"
                " and none is proposed shorter"
            )
    alone = step if rig.load.hinge is None else -(-step // len(at))
    return 1 if len(at) == 1 else -(-alone // max(1, int(min(part, float(step)))))


def _up(rig: Rig, lifts: list[_Lift], levels: list[int], grid: float) -> Iterator[Step]:
    """Fill and capture, stop after stop."""
    for low, high in pairwise(levels):
        for lift, level in _in_turn(rig, lifts, low, high, grid):
            yield Step(
                do="fill", bag=lift.bag(high), until=Until(rise=_whole(level * lift.ratio) * grid, at=lift.stack.name)
            )
        yield Step(do="capture")


def _in_turn(rig: Rig, lifts: list[_Lift], low: int, high: int, grid: float) -> Iterator[tuple[_Lift, int]]:
    """(stack, the level it is filled to) from one capture to the next.

    About a hinge filling one stack lifts the others' heads too, so each takes its own part of the way; a free lift
    goes up level, each stack in turn to the same rise. The stack that rises most comes last: its rise is told most finely,
    so that the load stands at its stop and not short of it by what a whole millimetre near the hinge is out there.
    """
    lifts = sorted(lifts, key=lambda lift: lift.ratio)
    turns = _turns(rig, high - low, grid)
    last = [_whole(low * lift.ratio) for lift in lifts]
    for turn in range(1, turns + 1):
        for k, lift in enumerate(lifts):
            part, parts = (turn * len(lifts) + k + 1 - len(lifts), turns * len(lifts))
            if rig.load.hinge is None:
                part, parts = turn, turns
            level = low + (high - low) * part // parts
            if _whole(level * lift.ratio) > last[k]:
                last[k] = _whole(level * lift.ratio)
                yield lift, level


def _whole(level: float) -> int:
    return int(level + 1e-6)


def _at_the_top() -> Iterator[Step]:
    yield Step.model_validate({"do": "hold", "for": _HOLD_S, "say": "watch: nothing sinks, no pressure falls"})
    yield Step(do="check", say="locks, cribbing, plates and hoses; what the load stands on")
    yield Step(do="work", say="only while shores or cribbing hold the load; nobody under bags alone")


def _down(rig: Rig, lifts: list[_Lift], levels: list[int], grid: float) -> Iterator[Step]:
    """The reverse of filling: from stop to stop, captured at each; at the ground every bag is emptied, last filled first."""
    highest = max(lifts, key=lambda lift: lift.ratio)
    for high, low in pairwise(reversed(levels)):
        bag = highest.bag(high) if len(lifts) == 1 else None
        said = (
            "" if bag else "vent in turn, a little at a time: " + ", ".join(lift.bag(high) for lift in reversed(lifts))
        )
        yield Step(do="lower", bag=bag, until=Until(rise=low * grid, at=highest.stack.name), say=said)
        if low:
            yield Step(do="capture")
    filled = [name for lift in lifts for low, high in pairwise(levels) if (name := lift.bag(high))]
    for name in dict.fromkeys(reversed(filled)):
        yield Step(do="vent", bag=name)


def as_toml(rig: Rig, it: Proposal) -> str:
    """The proposed steps as text to put at the end of the rig file."""
    assert it.rise_m is not None, "asked only for a plan that was proposed"
    out = [
        "",
        f"# Proposed by inchwatch check, to {show.length(it.rise_m, rig.rig.units)}: for trained people to judge and change,",
        "# under the makers' instructions, local rules and the authority in charge.",
    ]
    for step in it.steps:
        out += ["[[step]]", f"do = {_text(step.do)}"]
        if step.bag is not None:
            out.append(f"bag = {_text(step.bag)}")
        if step.until is not None and step.until.rise is not None and step.until.at is not None:
            rise = _quantity(step.until.rise, rig.rig.units)
            out.append(f"until = {{ rise = {_text(rise)}, at = {_text(step.until.at)} }}")
        if step.for_ is not None:
            out.append(f'for = "{step.for_:g} s"')
        if step.say:
            out.append(f"say = {_text(step.say)}")
    return "\n".join(out) + "\n"


def _quantity(rise: float, units: str) -> str:
    unit = _GRIDS[units][1]
    return f"{rise / (_INCH if unit == 'in' else 1e-3):.10g} {unit}"


def _text(value: str) -> str:
    """A TOML basic string: JSON's escapes are TOML's, but for the one control character that JSON lets stand."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007F")
