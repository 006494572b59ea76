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
_SURE_SDS = 1.5
"""Standard deviations by which that share must lie beyond it, for all of the time below."""
_MEAN_S = 1.0
"""Over about how long the share is averaged."""
_DOUBT_NS = 2_000_000_000
"""How long the air must contradict the plan: the rates of pressure and load lag behind each other by up to a second."""


def air_moved(stack: StackState, rise_rate: float, rise_rate_sd: float) -> tuple[float, float, float] | None:
    """(p dV, V dp, variance of their sum) a second (W, W^2) of a stack's open bags, whose head rises at a rate (m/s).

    None while heights or pressures are unknown or nothing is open."""
    if stack.split is None:
        return None
    by_pressure = variance = push = 0.0
    opened = 0
    for i, height in enumerate(stack.split.heights):
        flat = stack.tables[i].heights[0]
        if height < flat + _OPEN_M:
            continue
        pressure, _, rate, _ = stack.heard[i]
        if pressure is None or rate is None:
            return None
        area = stack.tables[i].area(height)
        opened += 1
        push += (pressure + P_ATM) * area
        high = height - flat + _DEAD_M
        by_pressure += rate * area * high
        variance += (stack.pressures[i].filter.rate_sd * area * high) ** 2
    if not opened:
        return None
    return push / opened * rise_rate, by_pressure, variance + (push / opened * rise_rate_sd) ** 2


class Carried:
    """One stack among several: whether it is carried along, from tick to tick."""

    def __init__(self, stack: StackState) -> None:
        self._stack = stack
        self._against_ns: int | None = None
        self._then_ns: int | None = None
        self._mean = (0.0, 0.0, 0.0)

    def tick(self, now_ns: int, rise_rate: float, rise_rate_sd: float, named: bool) -> bool | None:
        """True while the stack moves without air of its own, None where nothing can tell. `named`: the plan's step has one
        of its bags move it. What the plan says is believed until the air has contradicted it for a while.
        """
        moved = air_moved(self._stack, rise_rate, rise_rate_sd)
        if moved is None:
            self._against_ns = self._then_ns = None
            return None if not named else False
        share, sd = self._share(now_ns, moved)
        own, not_own = abs(share) - _SURE_SDS * sd > _OWN, abs(share) + _SURE_SDS * sd < _OWN
        if not (not_own if named else own):
            self._against_ns = None
            return not named
        if self._against_ns is None:
            self._against_ns = now_ns
        return named if now_ns - self._against_ns >= _DOUBT_NS else not named

    def _share(self, now_ns: int, moved: tuple[float, float, float]) -> tuple[float, float]:
        """(share, standard deviation) of the change that is the stack's own air's: from -1 (goes out) to 1 (comes in)."""
        gain = 1.0 if self._then_ns is None else min(1.0, (now_ns - self._then_ns) * 1e-9 / _MEAN_S)
        self._then_ns = now_ns
        (volume, pressure, variance), (by_volume, by_pressure, doubt) = self._mean, moved
        volume, pressure = volume + gain * (by_volume - volume), pressure + gain * (by_pressure - pressure)
        variance = variance + gain * (doubt - variance)
        self._mean = volume, pressure, variance
        greater = max(abs(volume), abs(pressure))
        return ((volume + pressure) / greater, sqrt(variance) / greater) if greater > 0.0 else (0.0, 1.0)

    def open(self, index: int) -> bool:
        """Whether a bag has left its flat height; a flat one that takes air moves nothing yet."""
        split = self._stack.split
        return split is not None and split.heights[index] >= self._stack.tables[index].heights[0] + _OPEN_M
