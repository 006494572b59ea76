"""The truth of a virtual rig: a rigid load, with a hinge or free, on stacks of bags, with shores that follow and lock.

Quasi-static: one equilibrium a step. It knows nothing of sensors and shares nothing with the estimator. The head of a
stack follows the load-fixed point it touches, unless it slips or the bags roll; its plates share the load's tilt, and what
their tilts do not explain of the head's offset is shear of the bags.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import asin, atan2, hypot, sin

from monitor.drill import lean as bent
from monitor.drill.air import (
    CONDUCTANCE,
    CRITICAL_RATIO,
    P_ATM,
    P_REFERENCE,
    T_REFERENCE,
    VENT_CONDUCTANCE,
    AirBag,
    BagStack,
    flow,
)
from monitor.drill.balance import Free, Hinged, Post
from monitor.drill.body import Hinge, Placement, Point, free_placement, hinge_of
from monitor.drill.shore import FOLLOW_AT_LEAST, TrueShore
from monitor.rig.parts import centre_of_gravity as planned_centre
from monitor.rig.parts import total_weight
from monitor.rig.schema import Rig, Stack

__all__ = [
    "CONDUCTANCE",
    "CRITICAL_RATIO",
    "FOLLOW_AT_LEAST",
    "P_ATM",
    "P_REFERENCE",
    "T_REFERENCE",
    "VENT_CONDUCTANCE",
    "AirBag",
    "TrueShore",
    "Truth",
    "flow",
]  # fmt: skip

_USUAL_WEIGHT, _USUAL_CENTRE = 50_000.0, (2.0, 0.0, 0.1)
"""Of a load whose rig file says neither (invented)."""


@dataclass
class _Going:
    """Something that changes evenly over some seconds: `apply` takes each share of it."""

    apply: Callable[[float], None]
    seconds: float
    left: float


class Truth:
    """The rig as it truly is. `advance` lets time pass. ValueError where the load cannot rest or be raised as the rig says.

    `weight` and `centre_of_gravity` (load frame) are the true ones; without them the plan's are true.
    """

    def __init__(
        self, rig: Rig, *, weight: float | None = None, centre_of_gravity: tuple[float, float, float] | None = None
    ) -> None:
        self.rig = rig
        self.weight = weight or total_weight(rig.load) or _USUAL_WEIGHT
        self.cg = centre_of_gravity or planned_centre(rig.load) or _USUAL_CENTRE
        self.time_s = 0.0
        self.theta = 0.0
        """How far the load has turned (rad)."""
        self.roll = 0.0
        """How far the joined bags have rolled: tilt (rad) of the plate between them beyond half the load's, toward +x when
        negative, since a plate whose +x side is up leans the stack to -x."""
        self.roll_rate = 0.0
        self.slips: dict[str, tuple[float, float]] = {stack.name: (0.0, 0.0) for stack in rig.stack}
        """How far (m, load frame) each top plate has slipped on the load."""
        self.bags = {bag.name: AirBag(bag) for stack in rig.stack for bag in stack.bag}
        self.shores = {shore.name: TrueShore(shore) for shore in rig.shore}
        self.forces = {stack.name: 0.0 for stack in rig.stack}
        """What the bags of each stack give (N); ground or locked shores carry what is missing."""
        self.supply = {stack.name: stack.supply for stack in rig.stack}
        """What the regulator of each stack gives (Pa)."""
        self.spent = 0.0
        """Air (Pa m^3) taken from the cylinders for other work."""
        self._in_shores = 0.0
        self.tail: float | None = None
        """How far (rad) a line made fast behind the load lets it turn; None without one."""
        self.hinge: Hinge | None = hinge_of(rig.load.hinge, self.cg) if rig.load.hinge else None
        self._stacks = {s.name: BagStack(s, [self.bags[bag.name] for bag in s.bag]) for s in rig.stack}
        for stack in rig.stack:
            if self.hinge is not None and self.hinge.arm(stack.at) <= 0.0:
                raise ValueError(f"stack {stack.name} stands on the hinge or beyond it")
        self._going: list[_Going] = []
        self._rates = (0.0, 0.0, 0.0)
        self._placed: tuple[tuple[float, Hinge], Placement] | None = None
        self._free: Free | None = None
        self._freedoms: list[float] = []
        self._pose = (0.0, 0.0, 0.0)
        if self.hinge is None:
            self._free = Free(self.weight, self.cg, self._posts())
            q = self._free.solve([0.0] * (1 + len(self._free.ways)), list(self.shores.values()))
            if q is None:
                raise ValueError("the load does not rest on its stacks: its centre of gravity lies outside them")
            # The ground gives under the load: the zero is where it has come to rest.
            z, a, b = self._free.pose(q)
            self._free.rest = [max(0.0, -(z + a * s.at[0] + b * s.at[1])) for s in rig.stack]
            self._freedoms = [0.0] * len(q)

    # What is so now

    @property
    def placement(self) -> Placement:
        """How the load stands."""
        if self.hinge is None:
            return free_placement(*self._pose, [stack.at for stack in self.rig.stack])
        if self._placed is None or self._placed[0] != (self.theta, self.hinge):
            self._placed = (self.theta, self.hinge), self.hinge.placement(self.theta)
        return self._placed[1]

    @property
    def force(self) -> float:
        """What all bags give together (N)."""
        return sum(self.forces.values())

    @property
    def heights(self) -> dict[str, float]:
        """Height (m) of each bag."""
        return {name: bag.height for name, bag in self.bags.items()}

    @property
    def shore_loads(self) -> dict[str, float]:
        """What each shore carries (N): its air's thrust and its lock's share, as a cell at its head feels it."""
        return {name: shore.thrust + shore.carried for name, shore in self.shores.items()}

    def arm(self, point: Point) -> float:
        """Distance (m) of a point of the load from the hinge line at the zero, positive on the centre of gravity's side."""
        if self.hinge is None:
            raise ValueError("a load without a hinge has no arms")
        return self.hinge.arm(point)

    def direction(self) -> tuple[float, float]:
        """Level unit vector: normal to the hinge and toward the centre of gravity; uphill where there is no hinge."""
        if self.hinge is not None:
            return self.hinge.toward
        _, a, b = self._pose
        steep = hypot(a, b)
        return (a / steep, b / steep) if steep > 0.0 else (1.0, 0.0)

    def rise(self, point: Point) -> float:
        """Rise (m) of a load-fixed point since the zero: (x, y) of the underside, or (x, y, height over it)."""
        return self.placement.place(point)[2] - (point[2] if len(point) == 3 else 0.0)

    def rise_rate(self, point: tuple[float, float]) -> float:
        """Rate (m/s) of the rise of a point of the underside, over the last step."""
        dz, da, db = self._rates
        return dz + da * point[0] + db * point[1]

    def tilt(self, axis: tuple[float, float]) -> float:
        """Tilt (rad) of an axis in the load's underside, positive when its + end is up."""
        placed = self.placement
        return asin((axis[0] * placed.a + axis[1] * placed.b) / hypot(*axis))

    def drawn_pa(self) -> float:
        """How much of its pressure (Pa) each cylinder has lost: one manifold feeds from all of them alike, ideal gas."""
        taken = self.spent + self._in_shores + sum(bag.taken for bag in self.bags.values())
        holds = sum(
            it.volume if it.volume is not None else (it.free_air or 0.0) * P_ATM / it.filled for it in self.rig.supply
        )
        return taken / holds if holds > 0.0 else 0.0

    def gap(self, name: str) -> float:
        """Gap (m) between a shore and the load."""
        shore = self.shores[name]
        return self.rise(shore.shore.at) - shore.extension

    def hinge_distance(self) -> float | None:
        """Distance (m) from the load's origin to the line of its underside that has not risen; None while level."""
        return self.placement.no_rise_at()

    def tip_rad(self) -> float | None:
        """Angle (rad) at which the load goes over centre about its hinge as it is now; None without a hinge."""
        return None if self.hinge is None else atan2(self.hinge.arm(self.cg) - self.hinge.gone, self.cg[2])

    # Stacks

    def plates(self, stack: Stack) -> list[tuple[float, float]]:
        """True tilt (x, y) of each plate of a stack, from the foot up. The top plate turns with the load; rolled bags
        drag it along by half, and behind a slipped one the plates between lean after it."""
        heights, columns = self._column(stack), []
        for k, axis in enumerate(((1.0, 0.0), (0.0, 1.0))):
            tilts = bent.shared(len(heights), self.tilt(axis))
            if k == 0 and self.roll:
                tilts = bent.rolled(tilts, self.roll)
            columns.append(bent.carried(heights, tilts, self.slips[stack.name][k]))
        return list(zip(*columns, strict=True))

    def tilt_lean(self, stack: Stack) -> tuple[float, float]:
        """Offset (m, x and y) of the head from the foot that the plates' tilts alone make; the rest of `lean` is shear."""
        heights = self._column(stack)
        xs, ys = zip(*self.plates(stack), strict=True)
        return bent.offset(heights, xs), bent.offset(heights, ys)

    def contact(self, stack: Stack) -> tuple[float, float]:
        """The point of the load's underside (load frame) that the head's centre touches."""
        x, y = stack.at[0] + self.slips[stack.name][0], stack.at[1] + self.slips[stack.name][1]
        if self.roll:
            heights = self._column(stack)
            tilts = bent.shared(len(heights), self.tilt((1.0, 0.0)))
            x += bent.offset(heights, bent.rolled(tilts, self.roll)) - bent.offset(heights, tilts)
        return x, y

    def lean(self, stack: Stack) -> tuple[float, float]:
        """True offset (m, x and y) of the head from the foot: where the load has carried it, where it slipped or rolled."""
        x, y, _ = self.placement.place(self.contact(stack))
        return x - stack.at[0], y - stack.at[1]

    def _column(self, stack: Stack) -> list[float]:
        """Heights (m) of the bags, the stack's own plates shared out among them."""
        bags = self._stacks[stack.name]
        plates = (stack.height_at_zero - bags.flat) / len(bags.bags)
        return [bag.height + plates for bag in bags.bags]

    def _posts(self) -> list[Post]:
        return [Post(self._stacks[s.name], self.contact(s), s.height_at_zero, s.at) for s in self.rig.stack]

    # What happens

    def slip(self, stack: str, by: tuple[float, float], seconds: float) -> None:
        """Let a top plate slip on the load by (x, y) metres, evenly over some seconds."""

        def apply(share: float) -> None:
            x, y = self.slips[stack]
            self.slips[stack] = x + share * by[0], y + share * by[1]

        self._start(apply, seconds)

    def slide(self, by: float, seconds: float) -> None:
        """Let the load slide over its hinge: the line of no rise goes `by` (m) along it, all of it the other way."""
        self._start(lambda share: self._shift(slid=share * by), seconds)

    def walk(self, by: float, seconds: float) -> None:
        """Let the edge at the hinge crumble: the line of no rise goes `by` (m) along the load, which stays where it is."""
        self._start(lambda share: self._shift(walked=share * by), seconds)

    def crush(self, by: float, seconds: float) -> None:
        """Let the support at the hinge sink by so much (m)."""
        self._start(lambda share: self._shift(sunk=share * by), seconds)

    def drop(self, shore: str, by: float, seconds: float) -> None:
        """Let a shore's lock give way by so much (m), evenly over some seconds."""
        self._start(lambda share: self.shores[shore].drop(share * by), seconds)

    def burden(self, by: float, seconds: float) -> None:
        """Let the load grow heavier by so much (N) where its centre of gravity is; lighter below zero."""

        def apply(share: float) -> None:
            self.weight += share * by
            if self._free is not None:
                self._free.weight = self.weight

        self._start(apply, seconds)

    def warm(self, bag: str, kelvin: float, seconds: float) -> None:
        """Let the air in a bag come to a temperature (K)."""
        air = self.bags[bag]
        change = kelvin - air.temperature

        def apply(share: float) -> None:
            air.temperature += share * change

        self._start(apply, seconds)

    def _shift(self, slid: float = 0.0, walked: float = 0.0, sunk: float = 0.0) -> None:
        it = self.hinge
        if it is None:
            raise ValueError("a load without a hinge has none to shift")
        self.hinge = replace(it, slid=it.slid + slid, walked=it.walked + walked, sunk=it.sunk + sunk)

    def _start(self, apply: Callable[[float], None], seconds: float) -> None:
        if seconds <= 0.0:
            apply(1.0)
        else:
            self._going.append(_Going(apply, seconds, seconds))

    def advance(self, dt: float) -> None:
        """Let `dt` seconds pass: air flows, the load finds its place, the shores follow."""
        self.time_s += dt
        for stack in self.rig.stack:
            for bag in stack.bag:
                self.bags[bag.name].breathe(self.supply[stack.name], dt)
        self.roll += self.roll_rate * dt
        for going in self._going:
            going.apply(min(dt, going.left) / going.seconds)
            going.left -= dt
        self._going = [going for going in self._going if going.left > 1e-9]
        before = self.placement
        self._settle()
        after = self.placement
        self._rates = (after.oz - before.oz) / dt, (after.a - before.a) / dt, (after.b - before.b) / dt
        for shore in self.shores.values():
            shore.follow(self.rise(shore.shore.at))
        in_shores = sum(it.shore.piston_area * it.extension * (it.air + P_ATM) for it in self.shores.values())
        self._in_shores = max(self._in_shores, in_shores)  # what they let out on the way down is gone

    def _settle(self) -> None:
        """Find the place at which bags and load agree, and leave every bag at its height."""
        posts, shores = self._posts(), list(self.shores.values())
        if self.hinge is not None:
            self.theta = Hinged(self.hinge, self.weight, self.cg, posts, self.tail).solve(self.theta, shores)
            s, hinge = sin(self.theta), self.hinge
            rises = [(hinge.arm(post.contact) - hinge.gone) * s - hinge.sunk for post in posts]
        else:
            assert self._free is not None, "a load is hinged or free"
            self._free.posts = posts
            # A load that goes over is left where it last stood: what falls is no matter of bags.
            self._freedoms = self._free.solve(self._freedoms, shores) or self._freedoms
            self._pose = z, a, b = self._free.pose(self._freedoms)
            self.theta = asin(hypot(a, b))
            rises = [z + a * post.contact[0] + b * post.contact[1] for post in posts]
        for post, rise in zip(posts, rises, strict=True):
            force = post.bags.force(post.bags.flat + rise)[0]
            self.forces[post.bags.stack.name] = force
            post.bags.settle(force)
