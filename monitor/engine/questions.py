"""What the monitor asks a person: whether a bag was taken off its line.

A bag that carries cannot lose its air in a second or two and keep its height. A gauge that says so sits on a hose that was
taken away, or on a coupling that came loose; which of them, only somebody who looks can say. Until then the gauge is not
believed: the bag's height stays what it was, and its pressure is not known.
"""

from __future__ import annotations

from collections import deque

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


_Look = tuple[int, float]
"""One look at a bag that carried and was open: when, and the rise at its stack (m)."""


class Isolation:
    """Follows the gauges of one stack, and asks."""

    def __init__(self, stack: StackState) -> None:
        self._stack = stack
        self._names = stack.names
        self._limits = [(_NOTHING * it, _CARRIED * it, _BACK * it) for it in stack.workings]
        self._flat = [bag.height_flat for bag in stack.stack.bag]
        self._past: list[deque[_Look]] = [deque() for _ in stack.stack.bag]
        self._asked: dict[str, tuple[int, float]] = {}

    def tick(self, now_ns: int, rise: float | None) -> tuple[Question, ...]:
        """What is asked now. `rise` (m) at the stack's head, None while unknown."""
        asked = self._asked
        for i, gauge in enumerate(self._stack.pressures):
            name, pressure = self._names[i], gauge.reading(now_ns)
            if asked and name in asked and self._answered(i, pressure, rise):
                del asked[name]
            if pressure is None or rise is None:
                self._past[i].clear()
            elif name not in asked and self._looks_taken_off(i, now_ns, pressure, rise):
                asked[name] = now_ns, rise
        self._stack.asked = set(asked)
        if not asked:
            return ()
        return tuple(
            Question(name, f"{name}: isolated? press i, or look at its coupling", since_ns)
            for name, (since_ns, _) in asked.items()
        )

    def _answered(self, i: int, pressure: float | None, rise: float | None) -> bool:
        name = self._names[i]
        back = pressure is not None and pressure > self._limits[i][2]
        down = rise is not None and rise < self._asked[name][1] - _CAME_DOWN_M
        return name in self._stack.isolated or back or down

    def _looks_taken_off(self, i: int, now_ns: int, pressure: float, rise: float) -> bool:
        past, split, (nothing, carried, _) = self._past[i], self._stack.split, self._limits[i]
        while past and now_ns - past[0][0] > _WITHIN_NS:
            past.popleft()
        if pressure > nothing:
            if pressure >= carried and split is not None and split.heights[i] - self._flat[i] > _OPEN_M:
                past.append((now_ns, rise))
            return False
        return self._names[i] not in self._stack.isolated and any(abs(rise - stood) < _STOOD_M for _, stood in past)
