"""Shores and cribbing: how far each is behind the load, and how far the load would fall if the bags failed now.

Only what is known counts: a shore whose gap is unknown, or that has been released, holds nothing.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from math import fsum, sqrt

from drivers.quick import quick
from monitor.engine.channels import ChannelState
from monitor.engine.estimate import PoseEstimate
from monitor.engine.fall import Support, fall_about_hinge, fall_free
from monitor.engine.mounts import upright
from monitor.engine.picture import Point, ShorePicture, StackPicture
from monitor.rig.parts import centre_of_gravity
from monitor.rig.schema import Rig, Shore
from monitor.rig.statics import arm

_FOLLOWING_M_S = 0.001
"""A shore that grows faster than this follows the load; one that does not is locked."""
_DWELL_NS = 500_000_000
"""How long a shore must have stood still before it is called locked."""

_STOOD_NS = 1_000_000_000
"""A length counts as a shore's longest once it has stood so long: a spike is none."""
_STANDS_NS = 3_000_000_000
"""How long a shore that walked down must have stood still to count as locked again (invented): bags let go slowly, and by fits
and starts."""
_STILL = 0.5
"""Share of its noise by which a shore may have shortened over those seconds, by their means, and have stood (invented)."""
_WALKS = 0.5
"""Share of its lock pitch that a shore must have shortened, noise allowed for, before it is seen to walk (invented)."""

_UNEXPLAINED = 0.3
"""Share of its shortening that the load need not have come down with, errors of both, for it to have walked (invented)."""

_LEAST_ARM_M = 0.1
"""A shore nearer to the hinge than this tells nothing of the load about it."""
_TAKEN_OUT_M = 0.01
"""How far a load may be below what was marked as packed under it: the mark's own error, and what timber gives (invented)."""
_SQUEEZED_M = 0.004
"""How far a head or a foot may give before a gap below none is no gap at all (invented)."""
_CRIBBED_M = 0.006
"""What counts as held by cribbing where no shore says what gap is allowed (common practice, no source)."""
_UNKNOWN = None, None


@quick
@dataclass(frozen=True, slots=True)
class Crib:
    """Cribbing marked as packed at a point, up to a height (m of the load's rise there since the zero)."""

    at: Point
    height_m: float

    def stands(self, pose: PoseEstimate) -> bool:
        """Whether it can still be there: a load that has come below its top has had it taken out first."""
        return self.height_m <= pose.rise(*self.at) + _TAKEN_OUT_M + 3.0 * pose.rise_sd(*self.at)


class ShoreState:
    """One shore, followed from tick to tick."""

    def __init__(self, shore: Shore, states: dict[str, ChannelState]) -> None:
        self.shore = shore
        self._given = shore.name, shore.at, shore.gap_allowed, shore.follow_pressure
        self._squeezed_m = shore.lock_pitch + _SQUEEZED_M
        self.extension = states[shore.extension]
        self.air = states[shore.pressure] if shore.pressure else None
        self.cell = states[shore.load_cell] if shore.load_cell else None
        self.released = False
        """A person has said so."""
        self._grew_ns: int | None = None
        self._walks = False
        """It was seen to walk down, and has not stood still since."""
        self._lengths: deque[tuple[int, float]] = deque()
        self._longest: tuple[float, float | None] | None = None
        self._variance = self.extension.noise**2
        self.walks_m = max(_WALKS * shore.lock_pitch, 2.0 * self.extension.noise)
        """How far (m) it must have shortened to be seen shortening at all: part of its pitch, more where it is noisy."""
        self._seats_m = shore.lock_pitch + 2.0 * self.extension.noise
        """Shorter by more than this (m), however slowly, and with its load, no lock has it (two of its noise: invented)."""

    def _doing(self, now_ns: int, shortened: float | None) -> str:
        if self.released:
            return "released"
        rate = self.extension.rate(now_ns)
        if rate is None:
            return "unknown"
        moves = abs(rate) > _FOLLOWING_M_S and abs(rate) > 2.5 * self.extension.filter.rate_sd
        if moves and rate > 0.0:
            self._grew_ns, self._walks = now_ns, False
        elif moves and shortened is not None and shortened > self.walks_m:
            self._walks = True
        if self._walks:
            return "released"
        return "following" if self._grew_ns is not None and now_ns - self._grew_ns < _DWELL_NS else "locked"

    def begin(self) -> None:
        """Measure from here: how long it was, and that it was released, is over."""
        self.released = self._walks = False
        self._grew_ns = None
        self._lengths.clear()
        self._longest = None

    def _shortened(
        self, now_ns: int, grown: float | None, rise: float | None, alone: bool
    ) -> tuple[float, float] | None:
        """(how far it is shorter than its longest, the part that is a drop) in m; None while its length is not known.

        What the load came down with it is walking, unless the load moves alone. Where a shore that walked or was released has
        stood still for a while it is locked again, and counted from there.
        """
        if grown is None:
            self._lengths.clear()
            return None
        lengths = self._lengths
        lengths.append((now_ns, grown))
        while now_ns - lengths[0][0] > _STANDS_NS:
            lengths.popleft()
        if self._longest is None or self.released or grown > self._longest[0]:
            stood = min(self._lately(now_ns))
            if self._longest is None or self.released or stood > self._longest[0]:
                self._longest = stood, rise
        longest, from_rise = self._longest
        shortened = longest - grown
        if not shortened > 0.0:
            self._walks = False
            return 0.0, 0.0
        came = 0.0 if alone or from_rise is None or rise is None else max(0.0, from_rise - rise)
        dropped = max(0.0, shortened - came)
        with_load = dropped < _UNEXPLAINED * shortened
        if with_load and shortened > self._seats_m:
            self._walks = True
        if self._walks or (with_load and shortened > self.walks_m):
            lately = self._lately(now_ns)
            stood = min(lately)
            if max(lately) - stood < self.walks_m and not self._shortens(now_ns):
                self._walks = False
                if with_load:
                    self._longest = stood, rise
        return shortened, dropped

    def _lately(self, now_ns: int) -> list[float]:
        """Its lengths (m) of the last second."""
        return [length for at_ns, length in self._lengths if now_ns - at_ns <= _STOOD_NS]

    def _shortens(self, now_ns: int) -> bool:
        """Whether it may have shortened in the last seconds, by the means of the first and the last of them."""
        since_ns = self._lengths[0][0]
        if now_ns - since_ns < _STANDS_NS - _DWELL_NS:
            return True
        first = [length for at_ns, length in self._lengths if at_ns - since_ns <= _STOOD_NS]
        last = self._lately(now_ns)
        return fsum(first) / len(first) - fsum(last) / len(last) > _STILL * self.extension.noise

    def picture(
        self, pose: PoseEstimate | None, now_ns: int, grown: float | None, air_pa: float | None, alone: bool
    ) -> ShorePicture:
        """This shore for the picture. `grown`: how far it is out (m); `alone`: the load moves, and no air does it."""
        name, (x, y), allowed, follows = self._given
        rise = pose.rise(x, y) if pose is not None else None
        shortened, dropped = self._shortened(now_ns, grown, rise, alone) or _UNKNOWN
        gap = sd = None
        if pose is not None and rise is not None and grown is not None:
            gap = rise - grown
            off = self.extension.calibration_sd_since_zero
            sd = sqrt(pose.rise_sd(x, y) ** 2 + self._variance + off**2)
            if gap < -(self._squeezed_m + 3.0 * sd):
                gap = sd = None  # no shore stands inside its load: one of the two is wrong, and nobody knows which
        felt = self.cell.reading(now_ns) if self.cell else None
        return ShorePicture(
            name,
            self._given[1],
            gap,
            sd,
            allowed,
            grown,
            air_pa,
            follows,
            None if felt is None else abs(felt),  # pressed reads negative on some wires (NMEA 0183 XDR, type N)
            self._doing(now_ns, shortened),
            None,
            shortened,
            dropped,
            None,
            self.released,
        )


def captured(shores: tuple[ShorePicture, ...]) -> bool:
    """Whether every shore stands within its allowed gap, locked under the load."""
    for shore in shores:
        if shore.gap_m is None or shore.doing == "released" or not shore.gap_m <= shore.gap_allowed_m:
            return False
    return bool(shores)


def with_more(it: ShorePicture, touch_m: float | None, load_most_n: float | None) -> ShorePicture:
    """The same shore with what only shows once the load and its balance are known."""
    return ShorePicture(
        it.name,
        it.at,
        it.gap_m,
        it.gap_sd_m,
        it.gap_allowed_m,
        it.extension_m,
        it.air_pa,
        it.follow_pa,
        it.load_n,
        it.doing,
        load_most_n,
        it.shortened_m,
        it.dropped_m,
        touch_m,
        it.told_released,
    )


class Below:
    """What stands between a load and the ground, as the rig file has it, and what that comes to at one moment."""

    def __init__(self, rig: Rig) -> None:
        self._centre, self._hinge = centre_of_gravity(rig.load), rig.load.hinge
        self._heads = [stack.at for stack in rig.stack]
        self._outline = list(rig.load.outline)
        self._shores = [(shore.at, shore.lock_pitch) for shore in rig.shore]
        self._allowed_m = max((shore.gap_allowed for shore in rig.shore), default=_CRIBBED_M)

    def carrying(
        self, shores: tuple[ShorePicture, ...], short_nm: float | None, line: tuple[Point, Point] | None
    ) -> tuple[ShorePicture, ...]:
        """The shores with what each carries at most (N), by what the bags are short of about the hinge `line` (N m).

        A shore that stands clear of the load, is released or stands at the hinge carries nothing of it that can be said.
        """
        if short_nm is None or line is None:
            return shores
        seen = []
        for it, (at, pitch) in zip(shores, self._shores, strict=True):
            off = abs(arm(line, at))
            if it.gap_m is not None and it.gap_sd_m is not None and off > _LEAST_ARM_M:
                clear = it.doing == "released" or it.gap_m > pitch + 3.0 * it.gap_sd_m
                it = with_more(it, it.touch_m, 0.0 if clear else short_nm / off)
            seen.append(it)
        return tuple(seen)

    def held_by(
        self, pose: PoseEstimate, stacks: tuple[StackPicture, ...], shores: tuple[ShorePicture, ...], cribs: list[Crib]
    ) -> tuple[str, ...]:
        """What holds the load where it is, or would if the rest failed: "bags" that carry force, "shores" locked within their
        gap, "cribbing" packed so that the load falls by no more than an allowed gap onto it alone."""
        held = []
        for stack in stacks:
            if stack.force_n:
                held.append("bags")
                break
        if captured(shores):
            held.append("shores")
        if cribs:
            fall = self.fall(pose, (), cribs)
            if fall is not None and fall <= self._allowed_m:
                held.append("cribbing")
        return tuple(held)

    def fall(self, pose: PoseEstimate, shores: tuple[ShorePicture, ...], cribs: list[Crib]) -> float | None:
        """How far (m) the stack heads would drop if every bag failed now, onto shores and packed cribbing or to the ground.

        About the planned hinge where there is one, else down onto supports in succession; the load may come back to where it
        lay at the zero, at its outline and on the flat stacks. None where no centre of gravity is planned: then it is not known.
        """
        if self._centre is None:
            return None
        centre = _plumb(pose, self._centre)
        supports = [
            Support(shore.at, shore.gap_m) for shore in shores if shore.gap_m is not None and shore.doing != "released"
        ]
        if cribs:
            supports += [Support(crib.at, pose.rise(*crib.at) - crib.height_m) for crib in cribs]
        heads = [(at, pose.rise(*at)) for at in self._heads]
        if self._hinge is not None:
            return fall_about_hinge(self._hinge, centre, supports, heads)
        resting = [(corner, pose.rise(*corner)) for corner in self._outline]
        return fall_free(centre, supports, [*resting, *heads], heads)


def _plumb(pose: PoseEstimate, centre: tuple[float, float, float]) -> Point:
    """Where the plumb line through the centre of gravity meets the load's underside now (load frame)."""
    x, y, z = centre
    a, b = pose.a0 + pose.x[1], pose.b0 + pose.x[2]
    c = upright(a, b)
    return x - z * a / c, y - z * b / c
