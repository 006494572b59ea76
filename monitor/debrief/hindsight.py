"""Rise and tilt looked back at: what the live filter said of each moment, corrected by the seconds that came after it.

Watches the engine's pose while a recording is played and changes nothing of it. A moment is settled by what came in the
`AFTER_NS` behind it: the filter forgets within a second, so that later readings say nothing new. Where the pose begins anew (a
zero) or was opened up (the load moved as no motion explains), what came after tells nothing of before.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass

from monitor.debrief.smoothing import Step, motion, smoothed_states
from monitor.engine.estimate import PoseEstimate
from monitor.engine.kalman import TripleFilter
from monitor.engine.mounts import Level
from monitor.engine.picture import Picture, Point
from monitor.engine.pose import PoseFilter

AFTER_NS = 3_000_000_000
_BATCH_NS = 12_000_000_000
"""How much is settled at a time: what waits for its future is gone through again with the next batch."""
_WIDER = 1.0 + 1e-9
"""A variance that has grown beyond rounding, although a reading came in: the model was opened up."""


@dataclass(frozen=True, slots=True)
class LookedBack:
    """Picture `number` in hindsight: rise (m) at the head that has risen most, tilts (rad) along the load's axes, since the
    zero. None where the pose was not known then."""

    number: int
    rise_m: float | None
    tilt_x_rad: float | None
    tilt_y_rad: float | None


class Hindsight:
    """Call `look` after every reading and tick, `picture` after every picture; both give what is settled by then."""

    def __init__(self) -> None:
        self._filter: TripleFilter | None = None
        self._was: TripleFilter | None = None
        self._time_ns = 0
        self._steps: list[Step] = []
        self._waiting: list[tuple[int, int, Point, Level]] = []

    def look(self, pose: PoseFilter) -> Iterator[LookedBack]:
        """Take what the pose says now, if that is something new."""
        now_ns, it = pose.time_ns, pose.filter
        if now_ns is None:
            return
        was = self._was
        if it is not self._filter or was is None:
            yield from self.rest()
            self._filter = it
            self._begin(it, now_ns)
            return
        if now_ns == self._time_ns and was.x == it.x and was.p == it.p:
            return
        dt = (now_ns - self._time_ns) * 1e-9
        was.predict(dt)
        if any(it.p[i][i] > was.p[i][i] * _WIDER for i in range(6)):
            yield from self.rest()
            self._begin(it, now_ns)
            return
        f, q = motion(dt, it.q)
        now = it.copy()
        self._steps.append(Step(now_ns, f, q, was.x, was.p, now.x, now.p))
        self._was, self._time_ns = now.copy(), now_ns
        if self._waiting and now_ns - self._waiting[0][1] > _BATCH_NS + AFTER_NS:
            yield from self._settle(now_ns - AFTER_NS)

    def picture(self, number: int, picture: Picture, pose: PoseFilter) -> Iterator[LookedBack]:
        """Take a picture that is to be looked back at."""
        if picture.load.rise_m is None or not self._steps:
            yield LookedBack(number, None, None, None)
            return
        at = max(picture.stacks, key=lambda stack: stack.rise_m or 0.0).at
        self._waiting.append((number, picture.time_ns, at, pose.level))

    def rest(self) -> Iterator[LookedBack]:
        """Settle all that waits: nothing comes after it that would tell more."""
        if self._waiting:
            yield from self._settle(self._waiting[-1][1])
        self._steps, self._was = [], None

    def _begin(self, it: TripleFilter, now_ns: int) -> None:
        f, q = motion(0.0, it.q)
        first = it.copy()
        self._steps = [Step(now_ns, f, q, first.x, first.p, first.x, first.p)]
        self._was, self._time_ns = first.copy(), now_ns

    def _settle(self, until_ns: int) -> Iterator[LookedBack]:
        """Those pictures that are no later than `until_ns`."""
        found = smoothed_states(self._steps)
        times = [step.time_ns for step in self._steps]
        settled = sum(time_ns <= until_ns for _, time_ns, _, _ in self._waiting)
        for number, time_ns, at, level in self._waiting[:settled]:
            i = max(0, bisect_right(times, time_ns) - 1)
            x = found[i]
            dt = (time_ns - times[i]) * 1e-9
            ahead = (*(x[k] + dt * x[k + 3] for k in range(3)), *x[3:])
            pose = PoseEstimate(ahead, self._steps[i].p, level)
            yield LookedBack(number, pose.rise(*at), pose.tilt(1.0, 0.0), pose.tilt(0.0, 1.0))
        del self._waiting[:settled]
        if self._waiting:
            del self._steps[: max(0, bisect_right(times, self._waiting[0][1]) - 1)]
