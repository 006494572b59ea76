"""How rise and gap went in each step of a lift, counted from the step's own beginning, so that lifts can be laid over each other.

What is kept of a step is bounded: neighbours are joined two by two when there are too many, and no peak is lost. Pure.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from monitor.engine.picture import Picture

_MOST = 240
"""Points that are kept of a step; a chart is no finer."""


@dataclass(frozen=True, slots=True)
class Point:
    """From so many seconds of a step on: the rise at a stack's head, and the greatest gap until the next point, in m."""

    at_s: float
    rise_m: float | None
    gap_m: float | None


@dataclass(slots=True)
class Trace:
    """The last try of one step."""

    began_ns: int
    points: list[Point] = field(default_factory=list)
    long_s: float = 0.0
    """How long it took, as far as it was seen (s)."""
    _stride: int = 1
    _taken: int = 0

    def take(self, it: Point) -> None:
        """Take the next point."""
        if self._taken % self._stride == 0:
            self.points.append(it)
        else:
            self.points[-1] = _joined(self.points[-1], it)
        self._taken += 1
        self.long_s = it.at_s
        if len(self.points) > _MOST:
            pairs = zip(self.points[::2], [*self.points[1::2], None], strict=False)
            self.points = [first if second is None else _joined(first, second) for first, second in pairs]
            self._stride *= 2
            self._taken = len(self.points) * self._stride


class Traces:
    """Follows a session from picture to picture. `steps`: by the number of the step."""

    def __init__(self) -> None:
        self.steps: dict[int, Trace] = {}

    def picture(self, picture: Picture) -> None:
        """Take the next picture."""
        now = picture.step
        if now is None or picture.zero.taken_ns is None:
            return
        began_ns = picture.steps[now.number - 1].started_ns or 0
        trace = self.steps.get(now.number)
        if trace is None or trace.began_ns != began_ns:
            trace = self.steps[now.number] = Trace(began_ns)
        gaps = [shore.gap_m for shore in picture.shores if shore.gap_m is not None]
        at_s = (picture.time_ns - began_ns) * 1e-9
        trace.take(Point(at_s, picture.load.rise_m, max(gaps, default=None)))


def _joined(first: Point, second: Point) -> Point:
    gaps = [it for it in (first.gap_m, second.gap_m) if it is not None]
    return Point(first.at_s, second.rise_m if first.rise_m is None else first.rise_m, max(gaps, default=None))
