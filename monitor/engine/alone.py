"""How far the load has moved over the last seconds, and whether air did it: seen from the bags, not from any valve.

Air that is let in or out changes p*V (absolute pressure) of an open bag; a load that moves by itself only stretches or
squeezes the air that is there, and p*V stays (Boyle). A sensor of rise that lies moves the height and no pressure: that
looks like air at constant pressure, never like a load that moves alone. What is made of it stands in lowering.py.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from math import fsum

from drivers.quick import quick
from monitor.engine.estimate import PoseEstimate
from monitor.engine.leak import P_ATM
from monitor.engine.picture import Point, StackPicture
from monitor.rig.capacity import AreaTable
from monitor.rig.schema import Rig

WINDOW_NS = 5_000_000_000
"""Over how long a movement is looked at: 4 mm in it is slower than any crew fills or vents on purpose (invented)."""
LEAST_M = 0.004
"""A load that has gone no further has not moved: shores seat by a lock pitch, ground settles by millimetres (invented)."""
_EVERY_NS = 250_000_000
_OPEN_M = 0.002
"""A bag this far over its flat height is open."""
_DEAD_M = 0.02
"""A bag just open holds the air of about this height (common practice, no source)."""
_OWN = 0.3
"""Share of the change that air let in or out must explain. A load that grows lighter as it is raised hides half of what is
let in; a squeeze too quick for the air to cool again looks like a little under this (adiabatic; invented)."""
_AIR_FELL = 0.1
"""Share of its follow pressure by which a shore's air must have fallen to have been let out (invented)."""
_LEAST_M, _LEAST_PA = 0.001, 5_000.0
"""A bag that has changed by less than both tells nothing."""
_CLEAR_M, _CLEAR_PA = 0.0025, 10_000.0
"""The same over parts of the window, where a look more is a chance more to err."""
_MEAN_OF = 5
"""Readings of a pressure that are averaged: a quarter of a second, as smooth as the rise is."""


@quick
@dataclass(frozen=True, slots=True)
class Moved:
    """How far the load has gone up over the window, where it went furthest (m, down negative), and how far that may be off,
    one lying sensor included (None: a lie would go unseen).

    `alone`: no air did it; None where pressures do not say. `by_air`: whether any open bag has a word in it. `unheard`: bags
    whose pressure is missing. `air_fell`: a shore's air was let out meanwhile, so that it pushes less. `shores`: name, how
    far the load rose at its head, how far the shore grew (None unknown).
    """

    moved_m: float
    bound_m: float | None
    alone: bool | None
    by_air: bool
    unheard: tuple[str, ...]
    air_fell: bool
    shores: tuple[tuple[str, float, float | None], ...]

    @property
    def by_itself(self) -> bool:
        """Whether it has surely moved, and no air did it."""
        return self.alone is True and abs(self.moved_m) > LEAST_M


_Bag = tuple[float | None, float, float]
"""One bag at one moment: absolute pressure (Pa), volume (m^3), height over flat (m)."""


@quick
@dataclass(frozen=True, slots=True)
class _Moment:
    time_ns: int
    rises: list[float]
    extensions: tuple[float | None, ...]
    airs: tuple[float | None, ...]
    stacks: tuple[tuple[_Bag, ...], ...]
    heard: bool  # whether every bag's pressure is known


class Alone:
    """The last seconds of the load's motion and of the air under it, from tick to tick."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self._at: tuple[Point, ...] = tuple(s.at for s in rig.stack) + tuple(s.at for s in rig.shore)
        self._tables = {bag.name: AreaTable(bag) for stack in rig.stack for bag in stack.bag}
        self._pressures: dict[str, deque[float]] = {name: deque(maxlen=_MEAN_OF) for name in self._tables}
        self._past: deque[_Moment] = deque()
        self._shores = tuple(shore.name for shore in rig.shore)
        self._fells = tuple(_AIR_FELL * shore.follow_pressure for shore in rig.shore)

    def tick(
        self,
        now_ns: int,
        pose: PoseEstimate | None,
        stacks: tuple[StackPicture, ...],
        extensions: tuple[float | None, ...],
        airs: tuple[float | None, ...],
    ) -> Moved | None:
        """What has moved since the window began; None while the pose is not known.

        `extensions` of the shores (m), `airs` in them (Pa).
        """
        if pose is None:
            self._past.clear()
            return None
        (z, a, b), past = pose.x[:3], self._past
        bags = tuple([self._bags(stack) for stack in stacks])
        now = _Moment(
            now_ns,
            [z + a * x + b * y for x, y in self._at],
            extensions,
            airs,
            bags,
            all(self._pressures.values()),
        )
        while past and now_ns - past[0].time_ns > WINDOW_NS:
            past.popleft()
        then = past[0] if past else now
        if not past or now_ns - past[-1].time_ns >= _EVERY_NS:
            past.append(now)
        return self._compared(then, now, pose)

    def _bags(self, stack: StackPicture) -> tuple[_Bag, ...]:
        """The air of one stack. Bags whose heights are not known yet lift nothing: they count as flat."""
        bags = []
        for bag in stack.bags:
            table, past, height = self._tables[bag.name], self._pressures[bag.name], bag.height_m
            flat, pressure = table.heights[0], bag.pressure_pa
            if height is None or height < flat:
                height = flat
            if pressure is None:
                past.clear()
            else:  # the mean of the last few ticks
                past.append(pressure)
                pressure = fsum(past) / len(past) + P_ATM
            bags.append((pressure, table.area(height) * (height - flat + _DEAD_M), height - flat))
        return tuple(bags)

    def _compared(self, then: _Moment, now: _Moment, pose: PoseEstimate) -> Moved:
        before, by = then.rises, []
        furthest, most = 0, -1.0
        for i, after in enumerate(now.rises):
            gone = after - before[i]
            by.append(gone)
            if abs(gone) > most:
                furthest, most = i, abs(gone)
        moved_by_air, by_air = self._words(then, now)
        unheard = () if then.heard and now.heard else self._unheard(then, now)
        shores = []
        for i, name in enumerate(self._shores):
            one, other = then.extensions[i], now.extensions[i]
            shores.append((name, by[len(now.stacks) + i], None if one is None or other is None else other - one))
        x, y = self._at[furthest]
        return Moved(
            moved_m=by[furthest],
            bound_m=pose.rise_bound(x, y),
            alone=None if unheard and not moved_by_air else not moved_by_air,
            by_air=by_air,
            unheard=unheard,
            air_fell=self._fell(then, now),
            shores=tuple(shores),
        )

    def _unheard(self, then: _Moment, now: _Moment) -> tuple[str, ...]:
        """The open bags whose pressure is missing, then or now."""
        return tuple(
            [
                bag.name
                for stack, before, after in zip(self._rig.stack, then.stacks, now.stacks, strict=True)
                for bag, one, other in zip(stack.bag, before, after, strict=True)
                if (one[0] is None or other[0] is None) and max(one[2], other[2]) > _OPEN_M
            ]
        )

    def _fell(self, then: _Moment, now: _Moment) -> bool:
        """Whether the air of a shore was let out."""
        airs = now.airs
        for i, one in enumerate(then.airs):
            other = airs[i]
            if one is not None and other is not None and one - other > self._fells[i]:
                return True
        return False

    def _words(self, then: _Moment, now: _Moment) -> tuple[bool, bool]:
        """What the stacks' air says, over the window and over its later parts: air let in and out again leaves no trace.

        (whether air moved one, whether any has a word in it)."""
        past, any_word = self._past, False
        count = len(past)
        parts = (
            (then.stacks, _LEAST_M, _LEAST_PA),
            (past[count // 4].stacks, _CLEAR_M, _CLEAR_PA),
            (past[count * 3 // 4].stacks, _CLEAR_M, _CLEAR_PA),
        )
        for k, after in enumerate(now.stacks):
            for stacks, least_m, least_pa in parts:
                word = _by_air(stacks[k], after, least_m, least_pa)
                if word:
                    return True, True
                any_word = any_word or word is not None
        return False, any_word


def _by_air(before: tuple[_Bag, ...], after: tuple[_Bag, ...], least_m: float, least_pa: float) -> bool | None:
    """Whether air let in or out has moved a stack's open bags; None where they have hardly changed or none is open."""
    swelled = pressed = 0.0
    changed = False
    for i, (pressure, volume, up) in enumerate(after):
        pressed_before, volume_before, up_before = before[i]
        if (up_before <= _OPEN_M and up <= _OPEN_M) or pressed_before is None or pressure is None:
            continue
        grown = pressure - pressed_before
        swelled += 0.5 * (pressed_before + pressure) * (volume - volume_before)
        pressed += 0.5 * (volume_before + volume) * grown
        changed = changed or abs(up - up_before) > least_m or abs(grown) > least_pa
    if not changed:
        return None
    greater = max(abs(swelled), abs(pressed))
    return None if greater == 0.0 else abs(swelled + pressed) > _OWN * greater
