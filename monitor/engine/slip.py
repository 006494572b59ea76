"""A head that slides on its load, the step before a bag is pushed out: the lean steps away from what the load explains.

What is watched is how far the head has gone beyond the load-fixed point that it carried, over about the last second. It
is quick where bags that roll are slow; a creeping lean is lean.py's business.

Not seen: sliding slower than bags may roll, or by less than the limit, however quick; a head that slides while its bags
shear under plates that stay parallel, and any slide over one bag alone, whose plate turns with the load (only `head_offset`
sees these); a load that slides off its hinge and takes the head along; a slide that brings a leaning head back to where
the load would have it while it is let down. Where no hinge says how the load goes sideways, any quick step of the head
counts as a slip.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from math import hypot, sqrt

from monitor.engine.lean import head_of, slopes_of
from monitor.engine.picture import Point

_WINDOW_NS = 1_000_000_000
"""Over how long the head's step is taken: a slide is over within a second (invented)."""
_ROLLS_M = 0.008
"""How far joined bags may roll in that time and still only lean: drills roll at 4 to 6 mm/s (common practice, no source)."""
_SURE = 5.0 * sqrt(2.0)
"""Standard deviations of a look's noise, five of a step's, that are added to that: once in a million looks, and far less by
chance alone."""
_LEANT_M = 0.02
"""How far a head must have leant beyond what the load explains for its way back to be no slip (invented)."""
_LOWERED_M = 0.001
"""A stack that is lower by this than it was a second ago is being let down (invented)."""
_DWELL_NS = 140_000_000
"""How long a step must have been seen: longer than one wrong reading stands, at ten readings a second."""
_GAP_NS = 500_000_000
"""After a silence of this length the window begins anew."""


class Turning:
    """How far the turning of its plates alone has carried a head, added up: a tilted bag that rises slides nowhere, and
    neither does one whose height is only seen differently."""

    def __init__(self) -> None:
        self._slopes: Sequence[Point] = ()
        self.x = self.y = 0.0

    def tick(self, heights: Sequence[float], tilts: Sequence[Point]) -> Point:
        """Take the bags' heights (m) and the plates' tilts (rad) now; returns how far it has come (m), from anywhere."""
        slopes = slopes_of(tilts)
        before = self._slopes
        if len(before) == len(slopes):
            (x, y), (x0, y0) = head_of(heights, slopes), head_of(heights, before)
            self.x, self.y = self.x + x - x0, self.y + y - y0
        self._slopes = slopes
        return self.x, self.y


class SlipWatch:
    """The slip of one head, followed from tick to tick."""

    def __init__(self) -> None:
        self.reset()

    def reset(self) -> None:
        """Begin anew: what is measured, or what explains it, has changed."""
        self._past: deque[tuple[int, float, float, float]] = deque()
        self._beyond_ns: int | None = None
        self._upright = False  # whether it comes upright now
        self.slip_m: float | None = None
        self.slipping: bool | None = None

    def tick(
        self,
        now_ns: int,
        head: Point | None,
        explained: Point,
        noise: float | Callable[[], float],
        lean: Point | None = None,
        height: float = 0.0,
    ) -> None:
        """Take where the head is (m, x and y), where the load would have it, and one standard deviation of the first, or what
        makes it: it counts only for a head that has gone farther than bags roll.

        `head` may be measured from anywhere, as long as it is always from there; `lean` is its place over the foot, where
        that is not the same. None where nothing sees the head. `height` (m, from anywhere) is how high the head stands.
        """
        if head is None:
            self.reset()
            return
        if self._past and not 0 <= now_ns - self._past[-1][0] <= _GAP_NS:
            self.reset()
        past, (there_x, there_y) = self._past, explained
        x, y = head[0] - there_x, head[1] - there_y
        past.append((now_ns, x, y, height))
        while now_ns - past[0][0] > _WINDOW_NS:
            past.popleft()
        _, x0, y0, height0 = past[0]
        x, y = x - x0, y - y0
        self.slip_m = hypot(x, y)
        limit = _ROLLS_M
        if self.slip_m > limit:
            limit += _SURE * (noise() if callable(noise) else noise)
        # A stack that leant comes upright when it is let down; one that stood where the load has it has nothing to come back
        # to, and one that is not let down slides, whichever way.
        back = False
        if height < height0 - _LOWERED_M:
            at = lean or head
            before = hypot(at[0] - there_x - x, at[1] - there_y - y)
            off = hypot(at[0] - there_x, at[1] - there_y)
            back = (before > _LEANT_M or self._upright) and off < before - self.slip_m / 2.0
        self._upright = back and self.slip_m > limit
        if self.slip_m <= limit or back:
            self._beyond_ns = None
        elif self._beyond_ns is None:
            self._beyond_ns = now_ns
        self.slipping = self._beyond_ns is not None and now_ns - self._beyond_ns >= _DWELL_NS
