"""What a screen remembers of the pictures it has shown: where the heads of the stacks went, and values over the last minute."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping

from monitor.engine.picture import Picture

TRAIL_NS = 180_000_000_000
"""How long a head's trail is kept: a step of filling takes one to three minutes (common practice, no source)."""
MINUTE_NS = 60_000_000_000
_STEP_NS = 500_000_000
"""Twice a second is as fine as a dot of a trend or a trail in an ordinary window."""


class Heads:
    """Where each stack's head has stood: `trails` by the stack's name, of (time in ns, x, y), None while not known (m)."""

    def __init__(self) -> None:
        self.trails: dict[str, deque[tuple[int, float | None, float | None]]] = {}

    def take(self, picture: Picture) -> None:
        """Remember where the heads stand now. A picture of an earlier time begins anew: the session is another one."""
        for stack in picture.stacks:
            trail = self.trails.setdefault(stack.name, deque())
            if trail and picture.time_ns < trail[-1][0]:
                trail.clear()
            if not trail or picture.time_ns - trail[-1][0] >= _STEP_NS:
                trail.append((picture.time_ns, stack.lean_x_m, stack.lean_y_m))
            while picture.time_ns - trail[0][0] > TRAIL_NS:
                trail.popleft()


class Minute:
    """Values over the last minute: `values` by name, of (time in ns, value), None while not known."""

    def __init__(self) -> None:
        self.values: dict[str, deque[tuple[int, float | None]]] = {}

    def take(self, picture: Picture, now: Mapping[str, float | None]) -> None:
        """Remember what they are now, twice a second. A picture of an earlier time begins anew."""
        for name, value in now.items():
            kept = self.values.setdefault(name, deque())
            if kept and picture.time_ns < kept[-1][0]:
                kept.clear()
            if not kept or picture.time_ns - kept[-1][0] >= _STEP_NS:
                kept.append((picture.time_ns, value))
            while picture.time_ns - kept[0][0] > MINUTE_NS:
                kept.popleft()
