"""Air in the virtual rig: how it flows through valves and leaks, what a bag of it carries, and bags one on another.

A bag holds an amount of air n = p_abs * V (Pa m^3 at the reference temperature), so that p_abs = n * (T / T0) / V; its
volume grows by its effective area, dV = A dh, so that F = p dV/dh (virtual work). A bag that is not lifted is a spacer;
a bag never pulls. Past the end of its data plate the skin goes taut and it carries less and less. Nothing here knows what it lifts.
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass
from math import sqrt

from monitor.rig.schema import Bag, Stack

P_ATM = 101_325.0
CONDUCTANCE = 3.3e-9
"""Sonic conductance of a fill valve, m^3/(s Pa), fully open: about 6 mm/s under a 32 kN stack (invented)."""
VENT_CONDUCTANCE = 5.5e-9
CRITICAL_RATIO = 0.3
"""Pressure ratio below which a valve's flow is choked; ISO 6358 gives the form, the value is usual for small valves (memory)."""
P_REFERENCE = 100_000.0
"""Reference pressure of a sonic conductance (ISO 6358, ANR), Pa."""
T_REFERENCE = 293.15
"""Reference temperature of an amount of air (ISO 6358, ANR), K: what a bag is at unless something warms or cools it."""
DEAD_SPACE_M = 0.02
"""A flat bag holds the air of this height (invented)."""
TAUT_M = 0.002
"""Over this height past its data plate a bag's force goes to nothing: its skin carries it instead (invented)."""
_TINY_M = 1e-11
_TURNS = 60


def flow(conductance: float, upstream_pa: float, downstream_pa: float) -> float:
    """Flow through an orifice as d(pV)/dt (Pa m^3/s), pressures absolute, choked below the critical ratio.

    After ISO 6358: q = C p1 p0 * sqrt(1 - ((p2/p1 - b)/(1 - b))^2), the root being 1 when choked; its factor for the
    upstream temperature, a few per cent, is left out. Never backward.
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
    """One bag: the air in it, how far its fill and vent valves are open (0..1), and its height.

    `leaking` is a hole as a share of the vent valve's opening; `temperature` that of the air in it (K); `taken` what it has
    ever let in (Pa m^3). Without its hose (`hosed`) it is shut, and its gauge sees the open line.
    """

    bag: Bag
    air: float = 0.0
    height: float = 0.0
    filling: float = 0.0
    venting: float = 0.0
    leaking: float = 0.0
    temperature: float = T_REFERENCE
    taken: float = 0.0
    hosed: bool = True

    def __post_init__(self) -> None:
        plate = self.bag.capacity
        self.flat, self.top = self.bag.height_flat, plate[-1][0]
        self._knots = [height for height, _ in plate]
        self._areas = [force / self.bag.working_pressure for _, force in plate]
        self._volumes = [DEAD_SPACE_M * self._areas[0]]
        for k in range(1, len(plate)):
            grown = (self._knots[k] - self._knots[k - 1]) * (self._areas[k - 1] + self._areas[k]) / 2.0
            self._volumes.append(self._volumes[-1] + grown)
        self.height = self.flat
        self.air = P_ATM * self.volume(self.height)

    def _shape(self, height: float) -> tuple[float, float, float]:
        """(area, its slope, volume) at a height: exact for a table linear in between, its ends holding beyond it."""
        knots, areas = self._knots, self._areas
        if height <= knots[0]:
            return areas[0], 0.0, self._volumes[0]
        if height > knots[-1]:
            return areas[-1], 0.0, self._volumes[-1] + (height - knots[-1]) * areas[-1]
        k = bisect_left(knots, height)
        up = height - knots[k - 1]
        slope = (areas[k] - areas[k - 1]) / (knots[k] - knots[k - 1])
        return areas[k - 1] + slope * up, slope, self._volumes[k - 1] + up * (areas[k - 1] + slope * up / 2.0)

    def area(self, height: float) -> float:
        """Effective area (m^2) at a height, from the data plate."""
        return self._shape(height)[0]

    def volume(self, height: float) -> float:
        """Volume (m^3) at a height: dead space and the integral of the area."""
        return self._shape(height)[2]

    def pressure(self, height: float | None = None) -> float:
        """Gauge pressure (Pa) at a height, its own if none is given."""
        warm = self.temperature / T_REFERENCE
        return self.air * warm / self.volume(self.height if height is None else height) - P_ATM

    def force(self, height: float) -> float:
        """Force (N) at a height, by pressure and area alone."""
        return self.pressure(height) * self.area(height)

    def push(self, height: float) -> tuple[float, float]:
        """(force (N), its slope (N/m)) at a height: never a pull, and going to nothing where the skin is taut."""
        area, bend, volume = self._shape(height)
        absolute = self.air * self.temperature / T_REFERENCE / volume
        pressure = absolute - P_ATM
        if pressure <= 0.0:
            return 0.0, 0.0
        force, slope = pressure * area, pressure * bend - absolute * area * area / volume
        if height <= self.top:
            return force, slope
        slack = 1.0 - (height - self.top) / TAUT_M
        return (force * slack, slope * slack - force / TAUT_M) if slack > 0.0 else (0.0, 0.0)

    def height_under(self, force: float) -> float:
        """The height (m) at which it carries a force: flat if it cannot lift it."""
        return self.yields(force)[0]

    def yields(self, force: float) -> tuple[float, float]:
        """(height (m) at which it carries a force, its slope (m/N, not above zero)). Newton's steps in a bracket."""
        low, high = self.flat, self.top + TAUT_M
        if self.push(low)[0] <= force:
            return low, 0.0
        height = min(max(self.height, low), high)
        slope = 0.0
        for _ in range(_TURNS):
            there, slope = self.push(height)
            if there > force:
                low = height
            else:
                high = height
            step = (force - there) / slope if slope < 0.0 else 0.0
            after = height + step
            if slope >= 0.0 or not low <= after <= high:
                after = (low + high) / 2.0
            if abs(after - height) < _TINY_M:
                break
            height = after
        return after, 1.0 / slope if slope < 0.0 else 0.0

    def breathe(self, supply_pa: float, dt: float) -> None:
        """Let air flow for `dt` seconds: in from a supply (Pa gauge), out by vent and leak."""
        inside = self.pressure() + P_ATM
        if not self.hosed:
            self.air -= dt * flow(VENT_CONDUCTANCE * self.leaking, inside, P_ATM)
            return
        let_in = dt * flow(CONDUCTANCE * self.filling, supply_pa + P_ATM, inside)
        self.taken += let_in
        self.air += let_in
        self.air -= dt * flow(VENT_CONDUCTANCE * (self.venting + self.leaking), inside, P_ATM)


class BagStack:
    """The bags of one stack, one on another: one force in all that are open, and heights that add up."""

    def __init__(self, stack: Stack, bags: list[AirBag]) -> None:
        self.stack, self.bags = stack, bags
        self.flat = sum(bag.flat for bag in bags)
        self._last = 0.0

    def strongest(self) -> float:
        """What a resting stack pushes with (N): a flat bag is a spacer, so as hard as its strongest bag."""
        return max(bag.push(bag.flat)[0] for bag in self.bags)

    def force(self, room: float) -> tuple[float, float]:
        """(force (N), its slope (N/m)) when the bags' heights must add up to `room` (m); nothing if they cannot fill it."""
        high = self.strongest()
        if room <= self.flat or high <= 0.0:
            return (high, 0.0) if room <= self.flat else (0.0, 0.0)
        low, force, slope = 0.0, min(self._last, high), 0.0
        if force <= 0.0:
            force = high / 2.0
        for _ in range(_TURNS):
            total = give = 0.0
            for bag in self.bags:
                height, slack = bag.yields(force)
                bag.height = height  # only where the next search begins
                total, give = total + height, give + slack
            if total > room:
                low = force
            else:
                high = force
            if abs(total - room) < 1e-10 or high - low < 1e-7:
                break
            after = force + (room - total) / give if give < 0.0 else low
            force = after if low < after < high else (low + high) / 2.0
        self._last = force
        slope = 1.0 / give if give < 0.0 else 0.0
        return (force, slope) if force > 1e-6 else (0.0, 0.0)

    def settle(self, force: float) -> None:
        """Leave every bag at its height under a force (N)."""
        for bag in self.bags:
            bag.height = bag.height_under(force)
