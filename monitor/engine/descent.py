"""Letting the load down: since when bags vent, what they still give of what they gave, and the touch of rise before it.

What is right or wrong about it stands in lowering.py; here it is only followed from tick to tick.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from math import fsum

from drivers.quick import quick
from monitor.engine.picture import ShorePicture, StackPicture
from monitor.engine.shores import with_more
from monitor.rig.schema import Rig
from monitor.rig.statics import lever

_BEFORE_NS = 5_000_000_000
"""The push at the start of a venting is the greatest of so long before: a vent is seen open a moment late."""
_FALLS = 0.06
"""Share of it that the push loses in that time when a bag vents, be it too slowly for the gauge alone (invented)."""
_STOOD = 12
"""Looks over which a push must have stood to count: a spike of a gauge is none, nor is the dip after it."""
_ROSE_M = 0.002
"""A load that has gone up by more since is not let down from there: its push may shrink as it turns (invented)."""
_RISES_M, _RISES_NS = 0.001, 1_000_000_000
"""One that has gone up by more over so long is being raised, whatever its gauges do: near its tipping point they fall."""
_LAST_NS = 2_000_000_000
"""A venting that pauses for less goes on."""
_MEAN_NS = 700_000_000
"""Over how long a touch of rise is averaged."""
_RECOVERED = 0.9
"""Share of their push at which bags that had been let down carry the load again (invented)."""


@quick
@dataclass(frozen=True, slots=True)
class Descent:
    """A venting: when it began, and the bags' push (moment about the planned hinge, or force) as a share of what it was at
    the start; None while it is not known."""

    since_ns: int
    push: float | None


class Lowering:
    """The ventings of one lift, and for each shore how far the load was raised since the lowering step began."""

    def __init__(self, rig: Rig) -> None:
        self._arms = [lever(rig, stack.at) for stack in rig.stack]
        self._latest: deque[float] = deque(maxlen=_STOOD)
        self._pushes: deque[tuple[int, float, float]] = deque()
        """Of the last seconds: when, a push that had stood, the rise then."""
        self._peaks: deque[tuple[int, float]] = deque()
        """Of these, when and what: those that none after them reaches, so that the first is the greatest."""
        self._since_ns: int | None = None
        self._last_ns = 0
        self._full: float | None = None
        self._rise = self._lowest = 0.0
        self._step: int | None = None
        self._from: dict[str, float] = {}
        self._top: dict[str, float] = {}
        self._rises: dict[str, deque[tuple[int, float]]] = {}

    def touched(self, now_ns: int, step: int | None, shores: tuple[ShorePicture, ...]) -> tuple[ShorePicture, ...]:
        """The shores with how far the load was raised at each since a step that lowers began. `step`: its number, or None."""
        if step != self._step:
            self._step, self._from, self._top, self._rises = step, {}, {}, {}
        if step is None:
            return shores
        seen = []
        for shore in shores:
            if shore.gap_m is not None and shore.extension_m is not None:
                rise = self._mean(now_ns, shore.name, shore.gap_m + shore.extension_m)
                self._from.setdefault(shore.name, rise)
                self._top[shore.name] = max(rise, self._top.get(shore.name, rise))
            if shore.name in self._top:
                shore = with_more(shore, self._top[shore.name] - self._from[shore.name], shore.load_most_n)
            seen.append(shore)
        return tuple(seen)

    def _mean(self, now_ns: int, name: str, rise: float) -> float:
        """The mean rise at a shore over the last while: of noise alone the greatest would be a touch after some time."""
        past = self._rises.setdefault(name, deque())
        past.append((now_ns, rise))
        while now_ns - past[0][0] > _MEAN_NS:
            past.popleft()
        return fsum(value for _, value in past) / len(past)

    def tick(self, now_ns: int, stacks: tuple[StackPicture, ...]) -> Descent | None:
        """The venting that goes on, or whose load has not come down; None without one."""
        push = self._push(stacks)
        doings = [bag.doing for stack in stacks for bag in stack.bags]
        venting = "venting" in doings
        known = [stack.rise_m for stack in stacks if stack.rise_m is not None]
        rise = self._rise = max(known) if known else self._rise  # while nobody knows it, it stays where it was
        self._lowest = rise if self._since_ns is None else min(rise, self._lowest)
        if self._since_ns is None:
            self._remember(now_ns, push, rise)
            if not venting and not self._may_fall(push):
                return None
            full = max((stood for _, stood, then in self._pushes if rise - then <= _ROSE_M), default=None)
            falls = push is not None and full is not None and push < (1.0 - _FALLS) * full
            if not venting and not falls:
                return None
            lowest = min((then for at, _, then in self._pushes if now_ns - at <= _RISES_NS), default=rise)
            if rise - lowest > _RISES_M:
                return None
            self._since_ns, self._full, self._last_ns = now_ns, full, now_ns
        share = push / self._full if push is not None and self._full else None
        if venting:
            self._last_ns = now_ns
        raised = "filling" in doings and rise - self._lowest > _ROSE_M  # a puff of air alone ends nothing
        if not venting and now_ns - self._last_ns > _LAST_NS and (share is None or share >= _RECOVERED or raised):
            self._since_ns = None
            self._pushes.clear()
            self._peaks.clear()
            self._latest.clear()
            return None
        return Descent(self._since_ns, share)

    def _may_fall(self, push: float | None) -> bool:
        """Whether the push has fallen far enough below any that is remembered."""
        return push is not None and bool(self._peaks) and push < (1.0 - _FALLS) * self._peaks[0][1]

    def _remember(self, now_ns: int, push: float | None, rise: float) -> None:
        pushes, peaks = self._pushes, self._peaks
        while pushes and now_ns - pushes[0][0] > _BEFORE_NS:
            pushes.popleft()
        while peaks and now_ns - peaks[0][0] > _BEFORE_NS:
            peaks.popleft()
        if push is None:
            self._latest.clear()
            return
        self._latest.append(push)
        if len(self._latest) == _STOOD:
            stood = min(self._latest)
            pushes.append((now_ns, stood, rise))
            while peaks and peaks[-1][1] <= stood:
                peaks.pop()
            peaks.append((now_ns, stood))

    def _push(self, stacks: tuple[StackPicture, ...]) -> float | None:
        """What all bags give; None while one stack's force is not known. A stack that lifts nothing gives nothing."""
        total = 0.0
        for stack, arm in zip(stacks, self._arms, strict=True):
            if stack.force_n is not None:
                total += stack.force_n * arm
            else:
                for bag in stack.bags:
                    if bag.doing != "resting":
                        return None
        return total
