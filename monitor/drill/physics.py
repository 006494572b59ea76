"""The truth of a virtual rig: a rigid load on its hinge, bags that hold air, valves, shores that lock in steps.

Quasi-static: no inertia, one equilibrium a step. It knows nothing of sensors and shares nothing with the estimator.
A bag holds an amount of air n = p_abs * V (Pa m^3 at one temperature, Boyle); its volume grows by its effective area,
dV = A dh, so that F = p dV/dh (virtual work); joined bags carry one force and their heights sum to the room the load leaves.
Free lifts (no hinge) are not simulated yet.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field
from math import asin, cos, floor, hypot, sin, sqrt, tan

from monitor.rig.parts import centre_of_gravity, total_weight
from monitor.rig.schema import Bag, Rig, Shore, Stack

P_ATM = 101_325.0
CONDUCTANCE = 3.3e-9
"""Sonic conductance of a fill valve, m^3/(s Pa), fully open: about 6 mm/s under a 32 kN stack (invented)."""
VENT_CONDUCTANCE = 5.5e-9
CRITICAL_RATIO = 0.3
"""Pressure ratio below which a valve's flow is choked; ISO 6358 gives the form, the value is usual for small valves (memory)."""
P_REFERENCE = 100_000.0
"""Reference pressure of a sonic conductance (ISO 6358, ANR), Pa."""
DEAD_SPACE_M = 0.02
"""A flat bag holds the air of this height (invented)."""
FOLLOW_AT_LEAST = 0.5
"""Share of its follow pressure below which a shore's air no longer extends it (invented)."""


def flow(conductance: float, upstream_pa: float, downstream_pa: float) -> float:
    """Flow through an orifice as d(pV)/dt (Pa m^3/s), pressures absolute, choked below the critical ratio.

    After ISO 6358: q = C p1 p0 * sqrt(1 - ((p2/p1 - b)/(1 - b))^2), the root being 1 when choked. Never backward.
    """
    if upstream_pa <= downstream_pa:
        return 0.0
    ratio = downstream_pa / upstream_pa
    choked = conductance * upstream_pa * P_REFERENCE
    if ratio <= CRITICAL_RATIO:
        return choked
    return choked * sqrt(1.0 - ((ratio - CRITICAL_RATIO) / (1.0 - CRITICAL_RATIO)) ** 2)


@dataclass
class AirBag:
    """One bag: the air in it, how far its fill and vent valves are open (0..1), and its height."""

    bag: Bag
    air: float = 0.0
    height: float = 0.0
    filling: float = 0.0
    venting: float = 0.0

    def __post_init__(self) -> None:
        self.height = self.bag.height_flat
        self.air = P_ATM * self.volume(self.height)

    def area(self, height: float) -> float:
        """Effective area (m^2) at a height, from the data plate."""
        plate = self.bag.capacity
        for (h0, f0), (h1, f1) in itertools.pairwise(plate):
            if height <= h1:
                share = max(0.0, (height - h0) / (h1 - h0))
                return (f0 + share * (f1 - f0)) / self.bag.working_pressure
        return plate[-1][1] / self.bag.working_pressure

    def volume(self, height: float) -> float:
        """Volume (m^3) at a height: dead space and the integral of the area, exact for a table linear in between."""
        plate = self.bag.capacity
        total = DEAD_SPACE_M * self.area(plate[0][0])
        for (h0, _), (h1, _) in itertools.pairwise(plate):
            top = min(height, h1)
            if top <= h0:
                return total
            total += (top - h0) * (self.area(h0) + self.area(top)) / 2.0
        return total + max(0.0, height - plate[-1][0]) * self.area(plate[-1][0])

    def pressure(self, height: float | None = None) -> float:
        """Gauge pressure (Pa) at a height, its own if none is given."""
        return self.air / self.volume(self.height if height is None else height) - P_ATM

    def force(self, height: float) -> float:
        """Force (N) at a height."""
        return self.pressure(height) * self.area(height)

    def height_under(self, force: float) -> float:
        """The height (m) at which it carries a force: flat if it cannot lift it."""
        low, high = self.bag.height_flat, self.bag.capacity[-1][0]
        if self.force(low) <= force:
            return low
        for _ in range(60):
            middle = (low + high) / 2.0
            if self.force(middle) > force:
                low = middle
            else:
                high = middle
            if high - low < 1e-8:
                break
        return (low + high) / 2.0


@dataclass
class TrueShore:
    """One shore: how far it has extended since the zero, its air, and what is wrong with it."""

    shore: Shore
    extension: float = 0.0
    air: float = 0.0
    stuck: bool = False
    released: bool = False

    def __post_init__(self) -> None:
        self.air = self.shore.follow_pressure

    def follow(self, rise: float) -> None:
        """Let it follow the load, whose rise at its head is given: up in steps of its lock pitch; down if released."""
        if self.stuck or self.air < FOLLOW_AT_LEAST * self.shore.follow_pressure:
            return
        if self.released:
            self.extension = max(0.0, rise)
        else:
            pitch = self.shore.lock_pitch
            self.extension = max(self.extension, pitch * floor(rise / pitch + 1e-9))


@dataclass
class Truth:
    """The rig as it truly is. `advance` lets time pass."""

    rig: Rig
    theta: float = 0.0
    turning: float = 0.0
    """Rate of theta (rad/s) over the last step."""
    force: float = 0.0
    """What the bags give together (N) in the last step; the ground or locked shores carry what is missing."""
    time_s: float = 0.0
    roll: float = 0.0
    """How far the joined bags have rolled: tilt (rad) of the plate between them beyond half the load's, toward +x when
    negative, since a plate whose +x side is up leans the stack to -x."""
    roll_rate: float = 0.0
    bags: dict[str, AirBag] = field(default_factory=dict)
    shores: dict[str, TrueShore] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.rig.load.hinge is None:
            raise ValueError("the virtual rig needs a load with a hinge")
        self.weight = total_weight(self.rig.load) or 50_000.0
        self.cg = centre_of_gravity(self.rig.load) or (2.0, 0.0, 0.1)
        self.bags = {bag.name: AirBag(bag) for stack in self.rig.stack for bag in stack.bag}
        self.shores = {shore.name: TrueShore(shore) for shore in self.rig.shore}

    def arm(self, point: tuple[float, float]) -> float:
        """Distance (m) of a point of the load from its hinge line, positive on the centre of gravity's side."""
        assert self.rig.load.hinge is not None, "checked when made"
        (x0, y0), (x1, y1) = self.rig.load.hinge
        length = hypot(x1 - x0, y1 - y0)
        arm = ((point[0] - x0) * (y0 - y1) + (point[1] - y0) * (x1 - x0)) / length
        centre = (self.cg[0] - x0) * (y0 - y1) + (self.cg[1] - y0) * (x1 - x0)
        return arm if centre >= 0.0 else -arm

    def direction(self) -> tuple[float, float]:
        """Unit vector, level, normal to the hinge and toward the centre of gravity."""
        assert self.rig.load.hinge is not None, "checked when made"
        (x0, y0), (x1, y1) = self.rig.load.hinge
        length = hypot(x1 - x0, y1 - y0)
        nx, ny = (y0 - y1) / length, (x1 - x0) / length
        centre = (self.cg[0] - x0) * (y0 - y1) + (self.cg[1] - y0) * (x1 - x0)
        return (nx, ny) if centre >= 0.0 else (-nx, -ny)

    def rise(self, point: tuple[float, float]) -> float:
        """Rise (m) of a point of the load's underside."""
        return self.arm(point) * sin(self.theta)

    def rise_rate(self, point: tuple[float, float]) -> float:
        """Rate (m/s) of that rise."""
        return self.arm(point) * cos(self.theta) * self.turning

    def gap(self, name: str) -> float:
        """Gap (m) between a shore and the load."""
        shore = self.shores[name]
        return self.rise(shore.shore.at) - shore.extension

    def needed(self, stack: Stack, theta: float) -> float:
        """Force (N) that a stack must give to hold the load at an angle: moments about the hinge, shared by the stacks."""
        xg, zg = self.arm(self.cg[:2]), self.cg[2]
        moment = self.weight * (xg * cos(theta) - zg * sin(theta))
        moment -= sum(s.air * s.shore.piston_area * self.arm(s.shore.at) * cos(theta) for s in self.shores.values())
        return moment / (len(self.rig.stack) * self.arm(stack.at) * cos(theta))

    def advance(self, dt: float) -> None:
        """Let `dt` seconds pass: air flows, the load finds its place, the shores follow."""
        self.time_s += dt
        for stack in self.rig.stack:
            for bag in stack.bag:
                air = self.bags[bag.name]
                inside = air.pressure() + P_ATM
                air.air += dt * flow(CONDUCTANCE * air.filling, stack.supply + P_ATM, inside)
                air.air -= dt * flow(VENT_CONDUCTANCE * air.venting, inside, P_ATM)
        self.roll += self.roll_rate * dt
        before = self.theta
        self._settle()
        self.turning = (self.theta - before) / dt
        for shore in self.shores.values():
            shore.follow(self.rise(shore.shore.at))

    def _settle(self) -> None:
        """Find the angle at which bags and load agree; locked shores hold it up whatever the bags do."""
        stack = self.rig.stack[0]
        arm = self.arm(stack.at)
        flat = sum(bag.height_flat for bag in stack.bag)
        theta = self.theta
        for _ in range(4):  # the force hardly changes with the angle: this closes within a step or two
            force = self.needed(stack, theta)
            risen = sum(self.bags[bag.name].height_under(force) for bag in stack.bag) - flat
            theta = asin(min(0.9, risen / arm))
        floor_theta = max(
            (
                asin(s.extension / self.arm(s.shore.at))
                for s in self.shores.values()
                if s.extension > 0.0 and not s.released
            ),
            default=0.0,
        )
        if theta < floor_theta:
            theta = floor_theta
            force = self._force_for(stack, flat + arm * sin(theta))
        for bag in stack.bag:
            self.bags[bag.name].height = self.bags[bag.name].height_under(force)
        # A flat bag is a spacer, so a resting stack pushes as hard as its strongest bag.
        self.force = min(force, max(self.bags[bag.name].force(bag.height_flat) for bag in stack.bag))
        self.theta = theta

    def _force_for(self, stack: Stack, height: float) -> float:
        """The force that the bags give when their heights must sum to `height`."""
        low, high = 0.0, max(self.bags[bag.name].force(bag.height_flat) for bag in stack.bag)
        for _ in range(60):
            middle = (low + high) / 2.0
            if sum(self.bags[bag.name].height_under(middle) for bag in stack.bag) > height:
                low = middle
            else:
                high = middle
        return (low + high) / 2.0

    def plates(self, stack: Stack) -> list[tuple[float, float]]:
        """True tilt (x, y) of each plate of a stack, from the foot up. The top plate turns with the load; rolled bags
        drag it along by half."""
        nx, ny = self.direction()
        count = len(stack.bag)
        tilts = []
        for i in range(count + 1):
            share = i / count
            rolled = self.roll * (0.0 if i == 0 else 0.5 if i == count else 1.0)
            tilts.append((share * self.theta * nx + rolled, share * self.theta * ny))
        return tilts

    def lean(self, stack: Stack) -> tuple[float, float]:
        """True offset (m, x and y) of the head from the foot: integrated along each bag's bent axis."""
        tilts, x, y = self.plates(stack), 0.0, 0.0
        pieces = 50
        for i, bag in enumerate(stack.bag):
            dz = self.bags[bag.name].height / pieces
            for k in range(pieces):
                share = (k + 0.5) / pieces
                x -= dz * tan(tilts[i][0] + share * (tilts[i + 1][0] - tilts[i][0]))
                y -= dz * tan(tilts[i][1] + share * (tilts[i + 1][1] - tilts[i][1]))
        return x, y
