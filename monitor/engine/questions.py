"""What the monitor asks a person: whether a bag was taken off its line.

A bag that carries cannot lose its air in a second or two and keep its height. A gauge that says so sits on a hose that was
taken away, or on a coupling that came loose; which of them, only somebody who looks can say. Until then the gauge is not
believed: the bag's height stays what it was, and its pressure is not known.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

from drivers.quick import quick
from monitor.engine.picture import Question
from monitor.engine.stack import StackState

_WITHIN_NS = 2_500_000_000
"""A gauge on an open line falls to nothing within this (common practice, no source)."""
_CARRIED, _NOTHING, _BACK = 0.10, 0.02, 0.05
"""Shares of the working pressure: what a bag that carries has at least, what a gauge shows on an open line at most, and
what it shows once it is on the bag again (common practice, no source)."""
_STOOD_M, _CAME_DOWN_M = 0.003, 0.006
"""A load that moved less stood still; one that came down more since it was asked let that bag's air out (invented)."""
_OPEN_M = 0.005
"""A bag not higher than this over its flat height may well be emptied in a second (invented)."""


@quick
@dataclass(frozen=True, slots=True)
class _Look:
    """One look at a bag that carried and was open: when, and the rise at its stack (m)."""

    time_ns: int
    rise: float


class Isolation:
    """Follows the gauges of one stack, and asks."""

    def __init__(self, stack: StackState) -> None:
        self._stack = stack
        self._past: list[deque[_Look]] = [deque() for _ in stack.stack.bag]
        self._asked: dict[str, tuple[int, float]] = {}

    def tick(self, now_ns: int, rise: float | None) -> tuple[Question, ...]:
        """What is asked now. `rise` (m) at the stack's head, None while unknown."""
        for i, bag in enumerate(self._stack.stack.bag):
            pressure = self._stack.pressures[i].reading(now_ns)
            if bag.name in self._asked and self._answered(i, pressure, rise):
                del self._asked[bag.name]
            if pressure is None or rise is None:
                self._past[i].clear()
            elif bag.name not in self._asked and self._looks_taken_off(i, now_ns, pressure, rise):
                self._asked[bag.name] = now_ns, rise
        self._stack.asked = set(self._asked)
        if not self._asked:
            return ()
        return tuple(
            Question(name, f"{name}: isolated? press i, or look at its coupling", since_ns)
            for name, (since_ns, _) in self._asked.items()
        )

    def _answered(self, i: int, pressure: float | None, rise: float | None) -> bool:
        bag = self._stack.stack.bag[i]
        back = pressure is not None and pressure > _BACK * bag.working_pressure
        down = rise is not None and rise < self._asked[bag.name][1] - _CAME_DOWN_M
        return bag.name in self._stack.isolated or back or down

    def _looks_taken_off(self, i: int, now_ns: int, pressure: float, rise: float) -> bool:
        bag, past, split = self._stack.stack.bag[i], self._past[i], self._stack.split
        while past and now_ns - past[0].time_ns > _WITHIN_NS:
            past.popleft()
        if pressure > _NOTHING * bag.working_pressure:
            carries = pressure >= _CARRIED * bag.working_pressure
            if carries and split is not None and split.heights[i] - bag.height_flat > _OPEN_M:
                past.append(_Look(now_ns, rise))
            return False
        return bag.name not in self._stack.isolated and any(abs(rise - look.rise) < _STOOD_M for look in past)
