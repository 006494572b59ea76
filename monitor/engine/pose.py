"""Where the load is: rise and tilt from every height sensor and inclinometer, each at its own time and rate.

State: rise z of the load's origin and the changes a, b (since the zero) of the vertical direction cosines of the
load's x and y axes, with their rates. What a sensor sees of it stands in mounts.py. The error of the zero itself belongs to
every answer: the mean of N resting readings is off by a share of their noise for the rest of the lift.

A single reading that no expected motion explains is held back. What goes on is judged over the next half second by the
residual test of integrity.py: rows that moved together are the load's doing, however sudden, and open the model up; one
that stands against the rest is left out and watched until it agrees again. Where only one row is spare the two likeliest
are named and both are used with an error that covers either.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import copysign, hypot, inf, sin, sqrt

from monitor.addition import added
from monitor.engine.algebra import Matrix, dot, information, inverse, off_alike, times
from monitor.engine.channels import ChannelState
from monitor.engine.estimate import PoseEstimate
from monitor.engine.integrity import Parity, Seen, apart, judge, moved_rather_than_lied, off_if_lying, unseen_faults
from monitor.engine.kalman import Row, TripleFilter, variance_along
from monitor.engine.mounts import Level, TiltMount
from monitor.engine.picture import Point
from monitor.engine.posesensor import TOGETHER_NS, PoseSensor, mount_of
from monitor.rig.schema import Rig

_GATE, _BACK = 25.0, 9.0
"""Squared innovation over its variance above which a reading is held back (five standard deviations), and below which one
that was held back is taken again (three): the longer it is held back, the less the pose alone contradicts it."""
_LONGEST_S = 60.0
"""A silence is carried on at the last rate for no longer: the error is half a metre by then, and says all there is to say."""
_PATIENCE = 3
"""Readings in a row after which a channel that jumps is believed, where no others can speak against it."""
_BLOCK_NS, _LONGEST_BLOCK_NS = 400_000_000, 1_000_000_000
"""How long what the sensors say is gathered for one residual test; at most, while slow ones have not spoken twice."""
_ODD_BLOCKS = 2
"""Blocks in a row that must be at odds before anyone is named."""
_AGREED_NS = 3_000_000_000
"""How long a channel left out must have agreed before it is taken back."""
_AGREES = 16.0
"""Squared mean difference over its variance up to which it agrees: four standard deviations."""
_ACCELERATION = 3e-6
"""Density of the acceleration of a point of the load, m^2/s^3: a lift that starts or stops within a second."""
_JUMP_M, _JUMP_M_S = 0.02, 0.1
"""How far and how fast the load may have moved when the model is opened up."""
_AT_REST_M, _AT_REST_M_S = 1e-4, 1e-4
"""How far and how fast a resting load may be off at the zero."""
_VOUCHED_M = 0.02
"""The rise at a stack head is known only while the live sensors alone give it to this (one standard deviation)."""
_UNSEEN: list[tuple[Row, float]] = [((1.0, 0.0, 0.0), 1.0), ((0.0, 1.0, 0.0), 1.0), ((0.0, 0.0, 1.0), 1.0)]
"""A metre, a radian: what is known of the pose where no sensor sees it, which is nothing."""
_NOBODY: frozenset[str] = frozenset()
_NO_FAULT: Row = (0.0, 0.0, 0.0)
"""One liar at a time is assumed: while one is left out, a row that no other checks any more is taken at its word."""


class PoseFilter:
    """Fuses the pose channels of a rig. Dead until `zero` has been called."""

    def __init__(self, rig: Rig, states: dict[str, ChannelState]) -> None:
        self.heads = [stack.at for stack in rig.stack]
        self._sensors = {it.channel: PoseSensor(it.channel, states[it.channel], mount_of(it)) for it in rig.height}
        for tilt in rig.tilt:
            length = hypot(*tilt.axis)
            axis = tilt.axis[0] / length, tilt.axis[1] / length
            self._sensors[tilt.channel] = PoseSensor(tilt.channel, states[tilt.channel], TiltMount(axis, tilt.mounting))
        self._all = tuple(self._sensors.values())
        self._calibrated = any(it.state.curve is not None for it in self._all)
        points = [*self.heads, *(sensor.at for sensor in rig.height)]
        self.size_m = max(1.0, max(hypot(*point) for point in points))
        ends = rig.load.hinge or (_middle(self.heads),) * 2
        self._still = _middle(ends)
        self.level = Level(still=self._still)
        self.filter = TripleFilter((0.0,) * 3, (0.0,) * 3, (0.0,) * 3)
        self.time_ns: int | None = None
        self._block_ns = 0
        self._consistent_since_ns: int | None = None
        self._odd_blocks = 0
        self._uneasy = False
        """Whether the last block agreed badly."""
        self._zero_error: Matrix = [[0.0] * 3 for _ in range(3)]
        self._in_zero: tuple[str, ...] = ()
        self._faults: tuple[Row, ...] = ()
        self._asked: list[tuple[Row, float]] | None = None
        self._answer = False
        """Whether these rows vouch for the pose: asked again when one sees it otherwise or weighs otherwise."""

    @property
    def channels(self) -> tuple[str, ...]:
        """The channels the pose is made from."""
        return tuple(self._sensors)

    def zero(self, now_ns: int) -> None:
        """Start from rest here and now. The zeroed channels have their baselines already."""
        self.filter = TripleFilter(
            self._spread(_ACCELERATION), self._spread(_AT_REST_M**2), self._spread(_AT_REST_M_S**2)
        )
        self.level = Level(*self._cosines(), self._still)
        self.time_ns = now_ns
        self._consistent_since_ns, self._odd_blocks, self._in_zero, self._faults = None, 0, (), ()
        self._uneasy = False
        for sensor in self._all:
            sensor.held, sensor.accepted_ns, sensor.agrees_since_ns, sensor.doubt = 0, -1, None, 0.0
            sensor.state.leave_out(False)
            sensor.state.disputed = ()
            sensor.mount.set_level(self.level)
        self._new_block(now_ns)
        self._share_zero_error(self._speaking(now_ns))

    def _spread(self, variance: float) -> Row:
        """A variance of heights, for z and, at the arm of the farthest point, for the two cosines."""
        lever = self.size_m**2
        return variance, variance / lever, variance / lever

    def _cosines(self) -> Point:
        """The absolute cosines at the zero, from the inclinometers (least squares); 0 along an axis none sees."""
        sxx = sxy = syy = sx = sy = 0.0
        for sensor in self._all:
            mount, base = sensor.mount, sensor.state.baseline
            if isinstance(mount, TiltMount) and base is not None:
                reading = sin(base.mean - mount.mounting)
                sxx, sxy, syy = sxx + mount.x**2, sxy + mount.x * mount.y, syy + mount.y**2
                sx, sy = sx + mount.x * reading, sy + mount.y * reading
        det = sxx * syy - sxy * sxy
        if det > 1e-6:
            return (syy * sx - sxy * sy) / det, (sxx * sy - sxy * sx) / det
        total = sxx + syy  # one direction only: along it, and level across
        return (sx / total, sy / total) if total > 0.0 else (0.0, 0.0)

    def accept(self, channel: str, time_ns: int, value: float) -> None:
        """Fuse one live reading."""
        sensor = self._sensors.get(channel)
        if sensor is None or self.time_ns is None:
            return
        state, it, mount = sensor.state, self.filter, sensor.mount
        base = state.baseline
        if base is None:
            return
        if time_ns > self.time_ns:
            dt = (time_ns - self.time_ns) * 1e-9
            it.predict(dt if dt < _LONGEST_S else _LONGEST_S)
            self.time_ns = time_ns
        z, a, b, _, _, _ = it.x
        h, predicted = mount.see(z, a, b)
        innovation = mount.change(value, base.mean) - predicted
        if state.excluded:
            sensor.count, sensor.total = sensor.count + 1, sensor.total + innovation
            return
        ph, spread = it.along(h)
        r = (state.variance + sensor.doubt if state.curve is None else sensor.variance) + sensor.zero_variance
        if innovation * innovation > (_BACK if sensor.held else _GATE) * (spread + r):
            self._hold_back(sensor, time_ns, innovation)
            if not self._load_has_moved(sensor, time_ns):
                return
            self._open_up()
            ph, spread = it.along(h)
        else:
            sensor.count += 1
            sensor.total += innovation
            sensor.squares += innovation * innovation
        sensor.held, sensor.accepted_ns = 0, time_ns
        it.correct(ph, spread + r, innovation)

    def _hold_back(self, sensor: PoseSensor, time_ns: int, innovation: float) -> None:
        """Keep a reading that nothing explains out of the pose, and begin to gather what the others say of it."""
        if sensor.held == 0 and not any(other.held for other in self._all if other.fused):
            self._new_block(time_ns)
        if sensor.held == 0:
            sensor.drawn = self._uneasy
        sensor.held += 1
        sensor.held_at_ns = time_ns
        sensor.count += 1
        sensor.total += innovation
        sensor.squares += innovation * innovation

    def _load_has_moved(self, sensor: PoseSensor, time_ns: int) -> bool:
        """Whether what was held back is the load's doing: another channel jumps too, or too few are left to say no."""
        others = [other for other in self._all if other is not sensor and other.fused]
        if any(other.held and time_ns - other.held_at_ns <= TOGETHER_NS for other in others):
            return True
        live = [other for other in others if other.state.live(time_ns) and not other.held]
        return sensor.held >= _PATIENCE and not self._vouched(live)

    def _open_up(self) -> None:
        """Let the load have moved in a way the model did not expect."""
        self.filter.open_up(self._spread(_JUMP_M**2), self._spread(_JUMP_M_S**2))
        for sensor in self._all:
            sensor.held = 0

    def _new_block(self, now_ns: int) -> None:
        self._block_ns = now_ns
        for sensor in self._all:
            sensor.forget()

    def tick(self, now_ns: int) -> None:
        """Judge what the sensors have said since the last time, once enough has come together."""
        if self.time_ns is None:
            return
        rows = self._speaking(now_ns)
        self._share_zero_error(rows)
        if any(it.state.disputed and it.state.frozen for it in self._all):
            self._decide()
        age = now_ns - self._block_ns
        if age < _BLOCK_NS:
            return
        if age < _LONGEST_BLOCK_NS:
            for sensor in rows:
                if sensor.count < 2:
                    return
        spoke = [s for s in rows if s.count]
        jumped = [i for i, row in enumerate(spoke) if row.held >= _PATIENCE]
        if len(jumped) == 1 and len(spoke) > 3:
            if not self._place_jump(spoke, jumped[0], now_ns, last=age >= _LONGEST_BLOCK_NS - TOGETHER_NS):
                return
        else:
            self._test(spoke, now_ns)
        self._watch_excluded(now_ns)
        self._new_block(now_ns)

    def _place_jump(self, rows: list[PoseSensor], jumped: int, now_ns: int, last: bool) -> bool:
        """Whether one channel's jump is the load's or its own; False while that cannot be told yet."""
        seen = [row.seen_jump(self.filter) for row in rows]
        unsure = [variance_along(self.filter.p, row.h) for row in seen]
        moved = moved_rather_than_lied(seen, jumped, unsure, last)
        if moved is None:
            return last
        if moved:
            self._open_up()
        elif rows[jumped].drawn and judge([row.seen(self.filter) for row in rows]).at_odds:
            self._test(rows, now_ns)  # they agreed badly before: another may have drawn the pose away from it
        elif len(rows) > 4:
            self._exclude(rows[jumped])
        else:
            self._dispute(rows, seen, jumped, _likeliest(seen, judge(seen).without, but=jumped))
        return True

    def _test(self, rows: list[PoseSensor], now_ns: int) -> None:
        """The residual test over one block, and what follows from it."""
        seen = [row.seen(self.filter) for row in rows]
        parity, off = judge(seen), tuple[Row, ...]()
        self._gather(rows, parity)
        if not parity.at_odds:
            self._odd_blocks = 0
            self._settle_disputes(now_ns)
        else:
            self._odd_blocks += 1
            self._consistent_since_ns = None
            sure = self._odd_blocks >= _ODD_BLOCKS
            liar = parity.culprit([row.without for row in rows]) if sure else None
            if liar is None:
                first, second = self._pair(rows, parity)
                off = off_if_lying(seen, first) + off_if_lying(seen, second)
                if sure:
                    self._dispute(rows, seen, first, second)
            else:
                self._exclude(rows[liar])
                del seen[liar], rows[liar]
        self._faults = unseen_faults(seen, [row.count / row.variance for row in rows]) + off
        if any(sensor.state.excluded for sensor in self._all):
            self._faults = tuple(fault for fault in self._faults if inf not in map(abs, fault)) or (_NO_FAULT,)

    def _gather(self, rows: list[PoseSensor], parity: Parity) -> None:
        """Add to what each sensor's absence would mend; nothing is left of it after a block that agrees."""
        self._uneasy = parity.uneasy
        if not self._uneasy:
            self._forget_gathered()
            return
        for sensor, left in zip(rows, parity.without, strict=True):
            sensor.gather(left)

    def _forget_gathered(self) -> None:
        for sensor in self._all:
            sensor.without = 0.0

    def _exclude(self, sensor: PoseSensor) -> None:
        sensor.state.leave_out(True)
        sensor.agrees_since_ns, sensor.held = None, 0
        self._decide()
        self._odd_blocks = 0
        self._in_zero = ()

    def _pair(self, rows: list[PoseSensor], parity: Parity) -> tuple[int, int]:
        """The two likeliest to lie: those named already, for as long as the others, where they can, agree without either."""
        named = [i for i, row in enumerate(rows) if row.state.disputed]
        if parity.spare > 1 and len(named) == 2 and all(map(parity.explained_without, named)):
            return named[0], named[1]
        first = _likeliest(parity.rows, parity.without)
        return first, _likeliest(parity.rows, parity.without, but=first)

    def _dispute(self, rows: list[PoseSensor], seen: list[Seen], first: int, second: int) -> None:
        """Name a pair of which one lies; both stay, each with an error that covers the other's being right."""
        for i, other in ((first, second), (second, first)):
            rows[i].state.disputed, rows[i].held = (rows[other].name,), 0
            rows[i].doubt = max(rows[i].doubt, apart(seen, i) ** 2)
        self._consistent_since_ns = None

    def _settle_disputes(self, now_ns: int) -> None:
        if self._consistent_since_ns is None:
            self._consistent_since_ns = now_ns
        elif now_ns - self._consistent_since_ns >= _AGREED_NS:
            self._decide()

    def _decide(self) -> None:
        """End what was in dispute: it is known who lied, or most likely did, as one that froze, or nobody does any more."""
        for sensor in self._all:
            sensor.state.disputed, sensor.doubt = (), 0.0

    def _watch_excluded(self, now_ns: int) -> None:
        """Take back a channel that has agreed with the others for a while."""
        for sensor in self._all:
            if not sensor.state.excluded or not sensor.count:
                continue
            seen = sensor.seen(self.filter)
            unsure = (
                seen.variance + variance_along(self.filter.p, seen.h) + dot(seen.h, times(self._zero_error, seen.h))
            )
            if seen.mean**2 > _AGREES * unsure:
                sensor.agrees_since_ns = None
            elif sensor.agrees_since_ns is None:
                sensor.agrees_since_ns = now_ns
            elif now_ns - sensor.agrees_since_ns >= _AGREED_NS:
                sensor.state.leave_out(False)
                sensor.agrees_since_ns = None
                self._in_zero = ()

    def _speaking(self, now_ns: int) -> list[PoseSensor]:
        """The sensors that the pose is made from now: fused and live."""
        return [it for it in self._all if it.state.baseline is not None and it.state.live(now_ns)]

    def _share_zero_error(self, rows: list[PoseSensor]) -> None:
        """How far the zero's own error puts the pose off, and what it leaves in each sensor's innovations."""
        names = tuple([s.name for s in rows])
        if names == self._in_zero:
            return
        self._in_zero = names
        self._forget_gathered()  # sums over other rows compare nothing
        z, a, b = self.filter.x[:3]
        told = [(s.mount.see(z, a, b)[0], s.state.baseline.count / s.state.sd**2) for s in rows if s.state.baseline]
        self._zero_error = inverse(information([*told, *_UNSEEN])) or self._zero_error
        for sensor, (h, weight) in zip(rows, told, strict=True):
            taken = dot(h, times(self._zero_error, h))
            sensor.zero_variance = max(0.0, 1.0 / weight - taken)

    def estimate(self, now_ns: int) -> PoseEstimate | None:
        """The pose now, or None before the zero and while the live sensors cannot vouch for it."""
        if self.time_ns is None:
            return None
        rows = self._speaking(now_ns)
        if not self._vouched(rows):
            return None
        ahead = self.filter.copy()
        ahead.predict(min(_LONGEST_S, (now_ns - self.time_ns) * 1e-9))
        p = ahead.p
        for shared in (self._zero_error, *self._calibration_error(rows)):
            for row, (z, a, b) in zip(p, shared, strict=False):
                row[0] += z
                row[1] += a
                row[2] += b
        left_out = disputed = _NOBODY
        for sensor in self._all:
            if sensor.state.excluded:
                left_out |= {sensor.name}
            if sensor.state.disputed:
                disputed |= {sensor.name}
        level_sd = 0.0
        if self._calibrated:
            level_sd = max((s.state.calibration_sd for s in rows if isinstance(s.mount, TiltMount)), default=0.0)
        return PoseEstimate(tuple(ahead.x), p, self.level, self._faults, left_out, disputed, level_sd)

    def _calibration_error(self, rows: list[PoseSensor]) -> tuple[Matrix, ...]:
        """What the calibrations leave uncertain of [z, a, b], the same at every reading; nothing where none is uncertain."""
        offs = [s.state.calibration_sd_since_zero for s in rows] if self._calibrated else ()
        if not any(offs):
            return ()
        z, a, b = self.filter.x[:3]
        told = [(s.mount.see(z, a, b)[0], s.state.baseline.count / s.variance) for s in rows if s.state.baseline]
        signed = [copysign(off, s.state.way) for off, s in zip(offs, rows, strict=True)]
        return (off_alike([*told, *_UNSEEN], signed, [s.state.channel.quantity for s in rows]),)

    def missing(self, now_ns: int) -> tuple[str, ...]:
        """The pose channels that say nothing now: not live, or without a zero."""
        return tuple([it.name for it in self._all if it.state.baseline is None or not it.state.live(now_ns)])

    def _vouched(self, sensors: list[PoseSensor]) -> bool:
        """Whether these sensors alone, one reading each, give the rise at every stack head well enough."""
        z, a, b, *_ = self.filter.x
        rows = [(s.mount.see(z, a, b)[0], 1.0 / s.state.variance) for s in sensors]
        if rows != self._asked:
            self._asked, self._answer = rows, self._well_enough(rows)
        return self._answer

    def _well_enough(self, rows: list[tuple[Row, float]]) -> bool:
        spread = inverse(information(rows))
        return spread is not None and all(
            dot(g, times(spread, g)) <= _VOUCHED_M**2 for g in ((1.0, x, y) for x, y in self.heads)
        )


def _middle(points: list[Point] | tuple[Point, ...]) -> Point:
    return added(x for x, _ in points) / len(points), added(y for _, y in points) / len(points)


def _likeliest(seen: Sequence[Seen], without: tuple[float | None, ...], but: int | None = None) -> int:
    """The row whose absence leaves the least contradiction; among equals the one farthest off for its error."""

    def order(i: int) -> tuple[float, float]:
        left = without[i]
        return (inf if left is None else round(left, 3)), -abs(seen[i].mean) / sqrt(seen[i].variance)

    return min((i for i in range(len(seen)) if i != but), key=order)
