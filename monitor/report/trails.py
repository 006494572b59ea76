"""Where a stack's head has stood over its foot: a trail to draw, thinned by distance so that no way out is lost. Pure."""

from __future__ import annotations

from math import hypot

from monitor.engine.picture import Point, StackPicture

_FINE = 0.01
"""Share of the ring by which a head must have gone for another point: thinner than a line that is drawn."""
_MOST = 600
"""Points at most; beyond it they are kept half as dense."""


class Trail:
    """The trail of one stack's head. `points`: (x, y) in metres from its foot, the oldest first, None where it was not known.

    `worst`: when the lean took up most of the ring, and the stack as it stood then; None where it never was known. `last`: the
    stack as it stood last while its lean was known.
    """

    def __init__(self) -> None:
        self.points: list[Point | None] = []
        self.worst: tuple[int, StackPicture] | None = None
        self.last: tuple[int, StackPicture] | None = None
        self._fine = _FINE

    def take(self, time_ns: int, stack: StackPicture) -> None:
        """Take the stack as it stands in the next picture."""
        x, y = stack.lean_x_m, stack.lean_y_m
        if x is None or y is None:
            if self.points and self.points[-1] is not None:
                self.points.append(None)
            return
        self.last = time_ns, stack
        if stack.lean_use is not None and (self.worst is None or stack.lean_use > (self.worst[1].lean_use or 0.0)):
            self.worst = time_ns, stack
        if _far((x, y), self.points[-1] if self.points else None, self._fine * stack.ring_m):
            self.points.append((x, y))
            if len(self.points) > _MOST:
                self._thin(stack.ring_m)

    def _thin(self, ring_m: float) -> None:
        self._fine *= 2.0
        kept: list[Point | None] = []
        for point in self.points:
            before = kept[-1] if kept else None
            if (point is None and before is not None) or _far(point, before, self._fine * ring_m):
                kept.append(point)
        self.points = kept


def _far(point: Point | None, before: Point | None, least_m: float) -> bool:
    """Whether a point is worth another one: after a hole, or that far from the one before."""
    if point is None:
        return False
    return before is None or hypot(point[0] - before[0], point[1] - before[1]) >= least_m
