"""Whether a stack moves by its own air or is carried along by a rigid load that another stack raises or lowers.

A bag that is only stretched or squeezed keeps its air: what its pressure loses its volume gains, p*V stays (Boyle, absolute
pressure). So d(pV) = p*dV + V*dp, beside the greater of the two, is about one where air comes in and nothing where it does not.
"""

from __future__ import annotations

from math import sqrt

from monitor.engine.stack import StackState

P_ATM = 101_325.0
_OPEN_M = 0.002
_DEAD_M = 0.02
"""A bag just open holds the air of about this height (common practice, no source)."""
_OWN = 0.4
"""Share of the change that its own air must explain before a stack is taken to move by itself (invented)."""
_UNSURE = 0.25
"""Standard deviation of that share above which it tells nothing."""
_DOUBT_NS = 2_000_000_000
"""How long the air must contradict the plan: the rates of pressure and load lag behind each other by up to a second."""


def own_share(stack: StackState, rise_rate: float, rise_rate_sd: float, now_ns: int) -> tuple[float, float] | None:
    """(share, standard deviation) of a stack's change that is its own air's, at a rise rate (m/s) of its head: from -1 (air
    goes out) over 0 (none moves) to 1 (air comes in). None while heights or pressures are unknown or nothing is open."""
    if stack.split is None:
        return None
    by_pressure = variance = push = 0.0
    opened = 0
    for i, height in enumerate(stack.split.heights):
        pressure, rate = stack.pressure(i, now_ns), stack.pressures[i].rate(now_ns)
        flat = stack.tables[i].heights[0]
        if height < flat + _OPEN_M:
            continue
        if pressure is None or rate is None:
            return None
        area = stack.tables[i].area(height)
        opened += 1
        push += (pressure + P_ATM) * area
        by_pressure += rate * area * (height - flat + _DEAD_M)
        variance += (stack.pressures[i].filter.rate_sd * area * (height - flat + _DEAD_M)) ** 2
    if not opened:
        return None
    by_volume = push / opened * rise_rate
    variance += (push / opened * rise_rate_sd) ** 2
    greater = max(abs(by_volume), abs(by_pressure))
    return ((by_volume + by_pressure) / greater, sqrt(variance) / greater) if greater > 0.0 else None


class Carried:
    """One stack among several: whether it is carried along, from tick to tick."""

    def __init__(self, stack: StackState) -> None:
        self._stack = stack
        self._against_ns: int | None = None

    def tick(self, now_ns: int, rise_rate: float, rise_rate_sd: float, named: bool) -> bool:
        """True while the stack moves without air of its own. `named`: the plan's step has one of its bags move it.

        What the plan says is believed until the air has contradicted it for a while.
        """
        share = own_share(self._stack, rise_rate, rise_rate_sd, now_ns)
        if share is None or share[1] > _UNSURE or (abs(share[0]) > _OWN) == named:
            self._against_ns = None
            return not named
        if self._against_ns is None:
            self._against_ns = now_ns
        return named if now_ns - self._against_ns >= _DOUBT_NS else not named

    def open(self, index: int) -> bool:
        """Whether a bag has left its flat height; a flat one that takes air moves nothing yet."""
        split = self._stack.split
        return split is not None and split.heights[index] >= self._stack.tables[index].heights[0] + _OPEN_M
