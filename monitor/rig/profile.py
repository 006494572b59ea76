"""How high each bag of a plan stands at each rise: what its fill steps say.

A stack's rise belongs to the bag that is being filled while it grows. Where the load turns about a hinge, filling one
stack lifts the heads of the others too: that part belongs to the bag which is filled next there, or to the last.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf

from monitor.addition import added
from monitor.rig.schema import Bag, Rig, Stack, Step
from monitor.rig.statics import rise_ratio


@dataclass(frozen=True, slots=True)
class Share:
    """A part of a stack's rise, from `low_m` to `high_m`, that one bag lifts."""

    bag: str
    low_m: float
    high_m: float


def stop_stack(rig: Rig, step: Step) -> Stack:
    """The stack at which a step's rise is meant."""
    named = step.until.at if step.until is not None else None
    return next((stack for stack in rig.stack if stack.name == named), rig.stack[0])


def top_rise(rig: Rig) -> float:
    """The greatest rise (m) that the fill steps ask for, at that stack's head that rises most; 0 without any."""
    return max((level for step in rig.step if (level := _level(rig, step)) is not None), default=0.0)


def stack_rise(rig: Rig, stack: Stack) -> float:
    """The greatest rise (m) at one stack: with a hinge, what the whole load's turning brings; without, its own stops."""
    if rig.load.hinge is not None:
        return max(0.0, top_rise(rig) * rise_ratio(rig, stack.at))
    stops = [_level(rig, step) or 0.0 for step in rig.step if stop_stack(rig, step) is stack]
    return max(stops, default=0.0)


def shares(rig: Rig, stack: Stack) -> list[Share]:
    """Which bag lifts which part of a stack's rise, from the ground up."""
    bags = {bag.name for bag in stack.bag}
    parts: list[Share] = []
    for step in rig.step:
        if step.do == "fill" and step.bag in bags and (level := _level(rig, step)) is not None:
            low = parts[-1].high_m if parts else 0.0
            high = level * rise_ratio(rig, stack.at)
            if step.bag is not None and high > low:
                parts.append(Share(step.bag, low, high))
    top = stack_rise(rig, stack)
    if parts and top > parts[-1].high_m:
        parts[-1] = Share(parts[-1].bag, parts[-1].low_m, top)
    return parts


def height(bag: Bag, parts: list[Share], rise: float = inf) -> float:
    """How high (m) a bag stands when its stack has risen by `rise` (m)."""
    return bag.height_flat + added(
        max(0.0, min(rise, part.high_m) - part.low_m) for part in parts if part.bag == bag.name
    )


def _level(rig: Rig, step: Step) -> float | None:
    """Where a fill step stops, as the rise (m) of that stack's head that rises most; None for any other step."""
    if step.do != "fill" or step.until is None or step.until.rise is None:
        return None
    ratio = rise_ratio(rig, stop_stack(rig, step).at)
    return step.until.rise / ratio if ratio > 0.0 else None
