"""A stack of bags, followed from tick to tick: its force, its bags' heights, its lean, whether its head slides.

Bag i sits between plates i-1 and i, counted from the foot (0). Here readings become the numbers that heights.py, lean.py
and slip.py work on, and what they say becomes the picture; how they come to it stands there.
"""

from __future__ import annotations

from math import hypot

from monitor.addition import added
from monitor.engine.channels import ChannelState
from monitor.engine.estimate import BOUND_SDS, PoseEstimate
from monitor.engine.heights import Air, Heights, Split
from monitor.engine.kalman import RateFilter
from monitor.engine.leak import PressureLoss, Sinking
from monitor.engine.lean import (
    Axes,
    HeadOnLoad,
    Lean,
    LeanTrend,
    axes_of,
    carried_to,
    head_of,
    lean_of,
    put_together,
    tremble_of,
)
from monitor.engine.mounts import Level
from monitor.engine.picture import BagPicture, Point, StackPicture
from monitor.engine.plates import Plates, PlateTilts
from monitor.engine.slip import SlipWatch, Turning
from monitor.rig.capacity import AreaTable
from monitor.rig.schema import Rig, Stack

_LIFTED_M = 0.001
"""The stack's force is known once it has lifted its load clear of rest by this much."""
_SHEAR = 0.04
"""One standard deviation of the sideways shear that tilts do not see, as a share of the rise (common practice, no source)."""
_LEAN_AGILITY, _LEAN_RATE_SD = 1e-5, 0.002
"""For the lean's trend: density of its acceleration (m^2/s^3), and its rate when first seen (m/s)."""

Heard = tuple[float | None, float | None, float | None, bool]
"""Of one bag's gauge: its smoothed pressure (Pa gauge), that as just read, its rate (Pa/s), all None where it does not see the
bag; and whether the bag is off its hose, or was until a moment ago."""
_UNHEARD: Heard = (None, None, None, False)
_OFF: Heard = (None, None, None, True)
_BACK_NS = 2_500_000_000
"""So long the smoothed pressure of a gauge that was put back on its bag is still on its way there."""


class StackState:
    """One stack, followed from tick to tick. `split` is the last tick's: heights and force with their errors."""

    def __init__(self, stack: Stack, rig: Rig, states: dict[str, ChannelState]) -> None:
        self.stack = stack
        self.names = [bag.name for bag in stack.bag]
        self.workings = [bag.working_pressure for bag in stack.bag]
        self.tables = [AreaTable(bag) for bag in stack.bag]
        self.pressures = [states[bag.pressure] for bag in stack.bag]
        self.heard: list[Heard] = [_UNHEARD for _ in stack.bag]
        """What each bag's gauge says, as the tick listened last."""
        self.isolated: set[str] = set()
        self.asked: set[str] = set()
        """Bags that look isolated though nobody has said so: their gauges are not believed meanwhile."""
        self._off_ns: dict[str, int] = {}
        self.split: Split | None = None
        self._gaps = stack.height_at_zero - added(table.heights[0] for table in self.tables)
        """`height_at_zero` may hold plates besides the flat bags; they keep their height."""
        self._gap_each = self._gaps / len(stack.bag)
        self._lift_m = added(table.heights[-1] - table.heights[0] for table in self.tables)
        self._warmths = [states[bag.temperature] if bag.temperature else None for bag in stack.bag]
        self._sensors = [states[bag.height] if bag.height else None for bag in stack.bag]
        self._offset_states = (
            (states[stack.head_offset[0]], states[stack.head_offset[1]]) if stack.head_offset is not None else None
        )
        self._plates = PlateTilts(stack, states)
        self._joined = any(bag.plate_tilt for bag in stack.bag[:-1])
        self._on_load = HeadOnLoad(rig.load, stack.at)
        self._heights = Heights(stack.bag)
        self._level: Level | None = None
        self._rate: RateFilter | None = None
        self._trend, self._turning, self._slip = LeanTrend(), Turning(), SlipWatch()
        self._watched: tuple[bool, bool] | None = None
        self._slipped = False
        self._acts_at: Point | None = None
        self._sinking = Sinking()
        self._left_out: frozenset[str] = frozenset()
        self._losses = [PressureLoss() for _ in stack.bag]

    def lean_channels(self) -> tuple[str, ...]:
        """The channels that the lean needs."""
        pairs = [bag.plate_tilt for bag in self.stack.bag[:-1]] + [self.stack.head_tilt]
        return tuple(name for pair in pairs if pair for name in pair)

    def listen(self, now_ns: int) -> None:
        """Hear every bag's gauge once, for all that asks at this tick."""
        heard = []
        for i, gauge in enumerate(self.pressures):
            if self._off_its_hose(self.names[i], now_ns):
                heard.append(_OFF)
            elif gauge.live(now_ns) and gauge.last is not None:
                filtered = gauge.filter
                heard.append((filtered.value, gauge.last.value, filtered.rate, False))
            else:
                heard.append(_UNHEARD)
        self.heard = heard

    def _off_its_hose(self, bag: str, now_ns: int) -> bool:
        """Whether a bag is isolated, looks so, or was until a moment ago: its gauge jumps when it is put back."""
        if bag in self.isolated or bag in self.asked:
            self._off_ns[bag] = now_ns
        elif not self._off_ns:
            return False
        return bag in self._off_ns and now_ns - self._off_ns[bag] < _BACK_NS

    def picture(
        self, pose: PoseEstimate | None, doing: dict[str, str], now_ns: int, others_move: bool = False
    ) -> StackPicture:
        """This stack for the picture, once it has listened. `others_move`: another of the same load is filled or vented now, or a
        step that let the load down has just ended.
        """
        stack = self.stack
        if pose is not None and pose.level is not self._level:  # every zero brings its own: the lift begins anew
            self._level = pose.level
            self._begin()
        rise = pose.rise(*stack.at) if pose else None
        rise_sd = pose.rise_sd(*stack.at) if pose else 0.0
        self.split = split = self._shared(rise, rise_sd, doing, now_ns)
        force = split.force if split else None
        moving = doing.values()
        still = not others_move and "filling" not in moving and "venting" not in moving
        sink = self._sinking.tick(now_ns, still and self._same_witnesses(pose), rise, rise_sd)
        lean = self._lean(rise, pose, now_ns)
        length, lean_sd = (lean.length, lean.sd) if lean else (None, None)
        bags = [self._bag(i, split, doing[name], still, now_ns) for i, name in enumerate(self.names)]
        return StackPicture(
            name=stack.name,
            at=stack.at,
            ring_m=stack.ring,
            rise_m=rise,
            force_n=force,
            height_m=stack.height_at_zero + rise if rise is not None else None,
            reach_m=self._reach(force),
            lean_m=length,
            lean_x_m=lean.x if lean else None,
            lean_y_m=lean.y if lean else None,
            lean_sd_m=lean_sd,
            lean_use=None if length is None else (length + stack.head_ring) / stack.ring,
            lean_rate_m_s=self._rate.rate if self._rate else None,
            plates=lean.plates if lean else (),
            sink_m_s=sink.sink_m_s if sink and sink.significant else None,
            bags=tuple(bags),
            force_sd_n=split.force_sd if split else None,
            force_steady_sd_n=split.steady_sd if split else None,
            force_split_sd_n=split.split_sd if split else None,
            disagree=tuple([self.names[i] for i in split.disagree]) if split and split.disagree else (),
            lean_bound_m=None if lean_sd is None else BOUND_SDS * lean_sd,
            lean_at_rise_m=self._lean_at_rise(rise, length, now_ns),
            slip_m=self._slip.slip_m,
            slipping=self._slip.slipping,
            acts_at=self._acts_at,
        )

    def _same_witnesses(self, pose: PoseEstimate | None) -> bool:
        """Whether the same sensors speak for the pose as a moment ago, and none contradicts another."""
        left_out = pose.left_out if pose else frozenset()
        same, self._left_out = left_out == self._left_out, left_out
        return same and not (pose and pose.disputed)

    def _begin(self) -> None:
        self._heights.reset()
        self._trend.reset()
        self._slip.reset()
        self._rate, self._slipped = None, False

    def _bag(self, i: int, split: Split | None, doing: str, still: bool, now_ns: int) -> BagPicture:
        _, reading, rate, _ = self.heard[i]
        warmth, working = self._warmths[i], self.workings[i]
        warm = None if warmth is None else warmth.value(now_ns)
        loss = self._losses[i].tick(now_ns, still, reading, self.pressures[i].sd, warm)
        height = needed = height_sd = None
        if split is not None:
            height, height_sd = split.heights[i], split.sd(i)
            if split.force is not None:
                needed = split.force / self.tables[i].area(height)
        return BagPicture(
            name=self.names[i],
            pressure_pa=reading,
            rate_pa_s=rate,
            height_m=height,
            use=None if reading is None else reading / working,
            needed_pa=needed,
            supply_pa=self.stack.supply,
            working_pa=working,
            doing=doing,
            loss_pa_s=loss.loss_pa_s if loss and loss.significant else None,
            height_sd_m=height_sd,
        )

    def _shared(self, rise: float | None, rise_sd: float, doing: dict[str, str], now_ns: int) -> Split | None:
        """Heights and force. The force is None until the load is lifted, all is while the rise is unknown."""
        it = self._heights
        if rise is None:
            it.lost()
            return None
        if rise < _LIFTED_M:
            it.reset()
            return Split(it.flat, it.known, rise_sd, None, None)
        air = [self._air(i, doing, now_ns) for i in range(it.n)]
        return it.tick(now_ns, it.flat_m + rise, rise_sd, air)

    def _air(self, i: int, doing: dict[str, str], now_ns: int) -> Air:
        gauge, sensor, what = self.pressures[i], self._sensors[i], doing[self.names[i]]
        _, pressure, _, isolated = self.heard[i]
        active = what == "filling" or what == "venting"
        if sensor is None:
            return Air(pressure, gauge.sd, isolated, active, None, 0.0, gauge.calibration_sd)
        grown = sensor.since_zero(now_ns)
        return Air(
            pressure=pressure,
            noise=gauge.sd,
            off=gauge.calibration_sd,
            isolated=isolated,
            active=active,
            height=None if grown is None else self.tables[i].heights[0] + grown,
            height_sd=hypot(sensor.sd, sensor.calibration_sd_since_zero),
        )

    def _reach(self, force: float | None) -> float | None:
        """Total height, ground to load, at which the supply can lift this force no more."""
        if force is None:
            return None
        area, bags = force / self.stack.supply, 0.0
        for table in self.tables:
            bags += table.height_at(area, True)
        return self._gaps + bags

    def _lean(self, rise: float | None, pose: PoseEstimate | None, now_ns: int) -> Lean | None:
        """The lean of all there is. The load's own motion is believed while head and load agree and the tilts are there
        to say so; the head's own measured travel comes before it."""
        load = self._on_load.moved(pose) if pose else None
        offset = self._offset(now_ns)
        plates = self._plates.now(pose, now_ns) if rise is not None else None
        heights, split = self._heights_for_lean(rise)
        tilts = axes = None
        if plates is not None and rise is not None:
            if pose and load:  # a head that rolled carries the load at another point, which stands higher or lower
                x, y = head_of(heights, plates.slopes)
                at_x, at_y = self.stack.at
                heights[-1] += pose.rise(at_x + x - load.x, at_y + y - load.y) - rise
            axes = axes_of(heights, plates.tilts, plates.slopes)
            tilts = lean_of(heights, plates.tilts, plates.errors, split, _SHEAR * abs(rise), axes)
        self._watch_slip(plates, axes, heights, offset, tilts, load, now_ns)
        stands = offset or (None if self._slipped else load)
        self._acts_at = (stands.x, stands.y) if stands else None
        trusted = None if self._slipped or tilts is None else load
        lean = put_together(tilts, offset or trusted)
        if lean is None:
            self._rate = None
            self._trend.reset()
            return None
        if self._rate is None:
            self._rate = RateFilter(max(1e-4, self._noise(plates, axes, offset)), _LEAN_AGILITY, _LEAN_RATE_SD)
        length = lean.length
        self._rate.update(now_ns, length)
        if rise is not None:
            self._trend.tick(now_ns, rise, length)
        return carried_to(lean, tilts.plates) if tilts else lean

    def _heights_for_lean(self, rise: float | None) -> tuple[list[float], list[list[float]]]:
        """Heights of the bags and their covariance, gaps shared out; where nobody knows which bag rose, any may have."""
        n = len(self.tables)
        if self.split is not None:
            return [h + self._gap_each for h in self.split.heights], self.split.cov
        share = (rise or 0.0) / n
        v = share * share
        spread = [[v * (n - 1) if i == j else -v for j in range(n)] for i in range(n)]
        return [table.heights[0] + share + self._gap_each for table in self.tables], spread

    def _watch_slip(
        self,
        plates: Plates | None,
        axes: Axes | None,
        heights: list[float],
        offset: Lean | None,
        tilts: Lean | None,
        load: Lean | None,
        now_ns: int,
    ) -> None:
        watched = offset is not None, load is not None
        if watched != self._watched:
            self._watched = watched
            self._slip.reset()
        head = lean = None
        if offset is not None:
            head, lean = self._offset_read(now_ns), (offset.x, offset.y)
        elif plates is not None and tilts is not None and self._joined:
            head, lean = self._turning.tick(heights, plates.read), (tilts.x, tilts.y)
        if head is None:
            self._slip.reset()
            return
        explained = (load.x, load.y) if load else (0.0, 0.0)
        self._slip.tick(now_ns, head, explained, lambda: self._noise(plates, axes, offset), lean, added(heights))
        self._slipped = self._slipped or self._slip.slipping is True

    def _noise(self, plates: Plates | None, axes: Axes | None, offset: Lean | None) -> float:
        """How far the lean trembles (m, one standard deviation): the foot stands still."""
        if self._offset_states is not None and offset is not None:
            x, y = self._offset_states
            return Lean(offset.x, offset.y, (x.sd**2, 0.0, y.sd**2)).sd
        return tremble_of(axes, [0.0, *plates.sds[1:]]) if plates and axes else 0.0

    def _offset(self, now_ns: int) -> Lean | None:
        """The head's sideways travel since the zero, measured directly."""
        if self._offset_states is None:
            return None
        x, y = self._offset_states
        at_x, at_y = x.since_zero(now_ns), y.since_zero(now_ns)
        if at_x is None or at_y is None:
            return None
        xx, yy = (it.sd**2 + it.calibration_sd_since_zero**2 for it in (x, y))
        return Lean(at_x, at_y, (xx, 0.0, yy))

    def _offset_read(self, now_ns: int) -> Point | None:
        """The same without the smoothing, which overshoots a step, from anywhere."""
        x, y = (it.reading(now_ns) for it in self._offset_states or ())
        return None if x is None or y is None else (x, y)

    def _lean_at_rise(self, rise: float | None, length: float | None, now_ns: int) -> float | None:
        """The rise at which the head's ring comes to the edge of the foot's; None where the bags do not reach so high."""
        if rise is None or length is None:
            return None
        at = self._trend.reaches(now_ns, rise, length, self.stack.ring - self.stack.head_ring)
        return at if at is not None and at <= self._lift_m else None
