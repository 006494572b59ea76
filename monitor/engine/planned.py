"""What the plan of a rig says before anything moves, worked out once: how high, with what force, how far apart."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import combinations
from math import hypot

from monitor.addition import added
from monitor.engine.picture import Point
from monitor.rig.capacity import AreaTable
from monitor.rig.parts import centre_of_gravity, total_weight
from monitor.rig.profile import height, shares, stop_stack, top_rise
from monitor.rig.schema import APART_M, Bag, Limits, Rig, Shore, Stack
from monitor.rig.statics import lever, rise_ratio, stack_forces

_MORE = 1.25
"""Times what the plan itself parts them by, where that is more (invented)."""


@dataclass(frozen=True, slots=True)
class Planned:
    """`tops`: height (m) of each bag at the top of the plan. `forces`: greatest force (N) on each stack by statics, empty
    where the file does not determine it. `shore_rises`: how far (m) each shore follows. `last_fill`: number of the last step
    that fills, 0 without. `apart_m`: how far two stacks may part. `tables`: each bag's data plate; `ratios`: how far each stack's
    head rises over the one that rises most."""

    tops: dict[str, float]
    forces: dict[str, float]
    shore_rises: dict[str, float]
    last_fill: int
    apart_m: float
    tables: dict[str, AreaTable]
    ratios: dict[str, float]


def planned(rig: Rig) -> Planned:
    """Work it out."""
    top = top_rise(rig)
    forces, _ = stack_forces(rig)
    return Planned(
        tops={bag.name: height(bag, parts) for s in rig.stack for parts in [shares(rig, s)] for bag in s.bag},
        forces={name: most for name, (_, most) in forces.items()},
        shore_rises={shore.name: max(0.0, top * rise_ratio(rig, shore.at)) for shore in rig.shore},
        last_fill=max((i for i, step in enumerate(rig.step, 1) if step.do == "fill"), default=0),
        apart_m=rig.limits.apart if rig.limits.apart is not None else max(APART_M, _MORE * _planned_apart(rig)),
        tables={bag.name: AreaTable(bag) for stack in rig.stack for bag in stack.bag},
        ratios={stack.name: rise_ratio(rig, stack.at) for stack in rig.stack},
    )


def _planned_apart(rig: Rig) -> float:
    """How far (m) the plan's own stops part two stacks of a free lift; a load that turns about its hinge parts none."""
    if rig.load.hinge is not None:
        return 0.0
    rises, most = dict.fromkeys((stack.name for stack in rig.stack), 0.0), 0.0
    for step in rig.step:
        if step.do == "fill" and step.until is not None and step.until.rise is not None:
            rises[stop_stack(rig, step).name] = step.until.rise
            most = max(most, *(abs(rises[a.name] - rises[b.name]) for a, b in combinations(rig.stack, 2)), 0.0)
    return most


def across(line: tuple[Point, Point], heads: tuple[Point, ...]) -> Point:
    """The unit vector across a hinge line, toward the side of the stacks' heads."""
    (x0, y0), (x1, y1) = line
    length = hypot(x1 - x0, y1 - y0)
    nx, ny = (y0 - y1) / length, (x1 - x0) / length
    side = added((x - x0) * nx + (y - y0) * ny for x, y in heads)
    return (nx, ny) if side >= 0.0 else (-nx, -ny)


class Facts:
    """What conditions ask a rig file for at every tick, each worked out when it is first asked for: a rig never changes."""

    def __init__(self, rig: Rig) -> None:
        self.rig = rig
        self._to_come: dict[tuple[int, str], float | None] = {}
        """By step and stack, as far as it was asked for."""

    def to_come(self, number: int, stack: str) -> float | None:
        """The greatest rise (m) at a stack's head that the steps from this one on plan; None where they plan none."""
        asked = number, stack
        if asked not in self._to_come:
            first, rises = self.rig.stack[0].name, list[float]()
            for step in self.rig.step[number - 1 :]:
                until = step.until
                if step.do != "fill" or until is None or until.rise is None:
                    continue
                if (until.at or first) == stack:
                    rises.append(until.rise)
            self._to_come[asked] = max(rises, default=None)
        return self._to_come[asked]

    @cached_property
    def stacks(self) -> dict[str, Stack]:
        """Stacks by name."""
        return {stack.name: stack for stack in self.rig.stack}

    @cached_property
    def bags(self) -> dict[str, Bag]:
        """Bags by name."""
        return {bag.name: bag for stack in self.rig.stack for bag in stack.bag}

    @cached_property
    def heads(self) -> tuple[Point, ...]:
        """Where each stack's head stands under the load."""
        return tuple(stack.at for stack in self.rig.stack)

    @cached_property
    def head_rings(self) -> dict[str, float]:
        """What of each head must stay inside besides its centre (m)."""
        return {stack.name: stack.head_ring for stack in self.rig.stack}

    @cached_property
    def limits(self) -> Limits:
        """What the plan allows."""
        return self.rig.limits

    @cached_property
    def shores(self) -> dict[str, Shore]:
        """Shores by name."""
        return {shore.name: shore for shore in self.rig.shore}

    @cached_property
    def hinge(self) -> tuple[Point, Point] | None:
        """The planned hinge."""
        return self.rig.load.hinge

    @cached_property
    def hinged(self) -> bool:
        """Whether the plan names one."""
        return self.hinge is not None

    @cached_property
    def grounded(self) -> bool:
        """Whether the file says what the ground bears."""
        return self.rig.ground is not None

    @cached_property
    def gauged(self) -> bool:
        """Whether there are cylinders, and each has a gauge."""
        return bool(self.rig.supply) and all(supply.pressure is not None for supply in self.rig.supply)

    @cached_property
    def gauges(self) -> dict[str, str]:
        """The channel of each bag's pressure."""
        return {bag.name: bag.pressure for stack in self.rig.stack for bag in stack.bag}

    @cached_property
    def noises(self) -> dict[str, float | None]:
        """What each channel's noise is given as (in its own unit)."""
        return {channel.name: channel.noise for channel in self.rig.channel}

    @cached_property
    def lengths(self) -> dict[str, tuple[str, float, float | None]]:
        """Of each shore: the channel of its length, its lock pitch (m), what that channel's noise is given as (m)."""
        return {it.name: (it.extension, it.lock_pitch, self.noises.get(it.extension)) for it in self.rig.shore}

    @cached_property
    def along(self) -> Point:
        """The unit vector along the planned hinge."""
        assert self.hinge is not None, "asked only where the plan names a hinge"
        (x0, y0), (x1, y1) = self.hinge
        length = hypot(x1 - x0, y1 - y0)
        return (x1 - x0) / length, (y1 - y0) / length

    @cached_property
    def across(self) -> Point:
        """The unit vector across it, toward the stacks' heads."""
        assert self.hinge is not None, "asked only where the plan names a hinge"
        return across(self.hinge, self.heads)

    @cached_property
    def pistons(self) -> tuple[tuple[float, float], ...]:
        """Of every shore in order: its piston's area (m^2), and what its force counts with (see `lever`)."""
        return tuple((shore.piston_area, lever(self.rig, shore.at)) for shore in self.rig.shore)

    @cached_property
    def weight_n(self) -> float | None:
        """The planned weight."""
        return total_weight(self.rig.load)

    @cached_property
    def centre(self) -> tuple[float, float, float] | None:
        """The planned centre of gravity (m, load frame)."""
        return centre_of_gravity(self.rig.load)

    @cached_property
    def centre_lever(self) -> float | None:
        """What a force at the planned centre of gravity counts with."""
        return None if self.centre is None else lever(self.rig, self.centre[:2])
