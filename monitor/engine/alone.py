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
from monitor.engine.picture import BagPicture, Point, StackPicture
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


@quick
@dataclass(frozen=True, slots=True)
class _Bag:
    """One bag at one moment: absolute pressure (Pa), volume (m^3), height over flat (m)."""

    pressure: float | None
    volume: float
    up: float


@quick
@dataclass(frozen=True, slots=True)
class _Moment:
    time_ns: int
    rises: tuple[float, ...]
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
        now = _Moment(
            now_ns,
            tuple([pose.rise(x, y) for x, y in self._at]),
            extensions,
            airs,
            tuple([self._bags(stack) for stack in stacks]),
            all(self._pressures.values()),
        )
        while self._past and now_ns - self._past[0].time_ns > WINDOW_NS:
            self._past.popleft()
        then = self._past[0] if self._past else now
        if not self._past or now_ns - self._past[-1].time_ns >= _EVERY_NS:
            self._past.append(now)
        return self._compared(then, now, pose)

    def _bags(self, stack: StackPicture) -> tuple[_Bag, ...]:
        """The air of one stack. Bags whose heights are not known yet lift nothing: they count as flat."""
        bags = []
        for bag in stack.bags:
            table = self._tables[bag.name]
            flat = table.heights[0]
            height = max(flat, bag.height_m) if bag.height_m is not None else flat
            bags.append(_Bag(self._pressure(bag), table.area(height) * (height - flat + _DEAD_M), height - flat))
        return tuple(bags)

    def _pressure(self, bag: BagPicture) -> float | None:
        """Absolute pressure (Pa), the mean of the last few ticks."""
        past = self._pressures[bag.name]
        if bag.pressure_pa is None:
            past.clear()
            return None
        past.append(bag.pressure_pa)
        return fsum(past) / len(past) + P_ATM

    def _compared(self, then: _Moment, now: _Moment, pose: PoseEstimate) -> Moved:
        by = [after - before for before, after in zip(then.rises, now.rises, strict=True)]
        furthest = max(range(len(by)), key=[abs(it) for it in by].__getitem__)
        said = self._words(then, now)
        unheard = () if then.heard and now.heard else self._unheard(then, now)
        ends = zip(then.extensions, now.extensions, strict=True)
        grown = [None if one is None or other is None else other - one for one, other in ends]
        return Moved(
            moved_m=by[furthest],
            bound_m=pose.rise_bound(*self._at[furthest]),
            alone=None if unheard and True not in said else True not in said,
            by_air=bool(said),
            unheard=unheard,
            air_fell=self._fell(then, now),
            shores=tuple(zip(self._shores, by[len(now.stacks) :], grown, strict=True)),
        )

    def _unheard(self, then: _Moment, now: _Moment) -> tuple[str, ...]:
        """The open bags whose pressure is missing, then or now."""
        return tuple(
            [
                bag.name
                for stack, before, after in zip(self._rig.stack, then.stacks, now.stacks, strict=True)
                for bag, one, other in zip(stack.bag, before, after, strict=True)
                if (one.pressure is None or other.pressure is None) and max(one.up, other.up) > _OPEN_M
            ]
        )

    def _fell(self, then: _Moment, now: _Moment) -> bool:
        """Whether the air of a shore was let out."""
        for least, one, other in zip(self._fells, then.airs, now.airs, strict=True):
            if one is not None and other is not None and one - other > least:
                return True
        return False

    def _words(self, then: _Moment, now: _Moment) -> list[bool]:
        """What the stacks' air says, over the window and over its later parts: air let in and out again leaves no trace."""
        count = len(self._past)
        words = [
            _by_air(before, after, _LEAST_M, _LEAST_PA) for before, after in zip(then.stacks, now.stacks, strict=True)
        ]
        for part in (1, 3):
            between = self._past[count * part // 4].stacks
            words += [
                _by_air(before, after, _CLEAR_M, _CLEAR_PA) for before, after in zip(between, now.stacks, strict=True)
            ]
        return [word for word in words if word is not None]


def _by_air(before: tuple[_Bag, ...], after: tuple[_Bag, ...], least_m: float, least_pa: float) -> bool | None:
    """Whether air let in or out has moved a stack's open bags; None where they have hardly changed or none is open."""
    swelled = pressed = 0.0
    changed = False
    for one, other in zip(before, after, strict=True):
        if (one.up <= _OPEN_M and other.up <= _OPEN_M) or one.pressure is None or other.pressure is None:
            continue
        swelled += 0.5 * (one.pressure + other.pressure) * (other.volume - one.volume)
        pressed += 0.5 * (one.volume + other.volume) * (other.pressure - one.pressure)
        changed = changed or abs(other.up - one.up) > least_m or abs(other.pressure - one.pressure) > least_pa
    if not changed:
        return None
    greater = max(abs(swelled), abs(pressed))
    return None if greater == 0.0 else abs(swelled + pressed) > _OWN * greater
