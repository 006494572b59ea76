"""The tilts of a stack's plates at one moment: as they are measured, and as good as they are known where no sensor is."""

from __future__ import annotations

from dataclasses import dataclass
from math import atan, dist, hypot, radians, tan

from drivers.quick import quick
from monitor.engine.channels import ChannelState
from monitor.engine.estimate import PoseEstimate
from monitor.engine.lean import slopes_of
from monitor.engine.picture import Point
from monitor.rig.schema import Stack

_FOOT_SD = radians(0.5)
"""How level the foot is set (common practice, no source)."""
_FOOT_TILT: Point = (0.0, 0.0)
_UNSEEN_SD = radians(2.0)
"""How far a plate without a sensor may be off the line between its neighbours (common practice, no source)."""
_DRAGGED = 0.25
"""Share of the plates' roll by which an unmeasured head may turn on the load it carries, since what rolls below drags the head
along: one standard deviation (invented)."""


@quick
@dataclass(frozen=True, slots=True)
class Plates:
    """Tilt (x, y, rad) of every plate from the foot up: smoothed, as just read, one standard deviation of a reading, and one
    of all that is uncertain in it: what calibrations leave so at every reading alike is counted. `slopes`: of the smoothed."""

    tilts: list[Point]
    read: list[Point]
    sds: list[float]
    errors: list[float]
    slopes: list[Point]


class PlateTilts:
    """What the tilt sensors of one stack's plates say."""

    def __init__(self, stack: Stack, states: dict[str, ChannelState]) -> None:
        self._top = len(stack.bag)
        self._tilted = [
            (plate, states[pair[0]], states[pair[1]])
            for plate, pair in enumerate([*(bag.plate_tilt for bag in stack.bag[:-1]), stack.head_tilt], 1)
            if pair is not None
        ]
        """Every plate whose tilt is measured, and by what."""
        self._all_tilted = len(self._tilted) == len(stack.bag)

    def now(self, pose: PoseEstimate | None, now_ns: int) -> Plates | None:
        """The tilt of every plate; one without a sensor is put between its neighbours, and the error says so. None while
        a sensor of one is silent."""
        smoothed, as_read, sds, errors = [_FOOT_TILT], [_FOOT_TILT], [_FOOT_SD], [_FOOT_SD]
        for _, x, y in self._tilted:
            read_x, read_y = x.last, y.last
            if read_x is None or read_y is None or not x.live(now_ns) or not y.live(now_ns):
                return None
            smoothed.append((x.filter.value, y.filter.value))
            as_read.append((read_x.value, read_y.value))
            sd, sd_y = x.sd, y.sd
            if sd_y > sd:
                sd = sd_y
            sds.append(sd)
            calibrated = x.curve is not None or y.curve is not None
            errors.append(hypot(sd, max(x.calibration_sd, y.calibration_sd)) if calibrated else sd)
        if self._all_tilted:
            return Plates(smoothed, as_read, sds, errors, slopes_of(smoothed))
        return self._with_unseen((smoothed, as_read, sds, errors), pose)

    def _with_unseen(
        self, seen: tuple[list[Point], list[Point], list[float], list[float]], pose: PoseEstimate | None
    ) -> Plates | None:
        """The same where not every plate has a sensor. `seen`: what those of the foot and of every one that has say."""
        top = self._top
        measured = [0, *[plate for plate, _, _ in self._tilted]]
        tilts, read = [dict(zip(measured, it, strict=True)) for it in seen[:2]]
        sds, errors = [_UNSEEN_SD] * (top + 1), [_UNSEEN_SD] * (top + 1)
        for i, plate in enumerate(measured):
            sds[plate], errors[plate] = seen[2][i], seen[3][i]
        if top not in tilts:  # no sensor on the top plate: it turns with the load it carries
            if pose is None:
                return None
            tilts[top] = read[top] = pose.absolute
            sds[top] = max(pose.tilt_sd(1.0, 0.0), pose.tilt_sd(0.0, 1.0))
            errors[top] = hypot(sds[top], hypot(pose.level_sd, _DRAGGED * _roll(tilts, top)))
        smooth = _filled(tilts, top)
        return Plates(smooth, _filled(read, top), sds, errors, slopes_of(smooth))


def _roll(known: dict[int, Point], top: int) -> float:
    """By how much (rad) a plate is off the line on which plates share the head's tilt evenly: the most of any."""
    return max(dist(tilt, (plate / top * known[top][0], plate / top * known[top][1])) for plate, tilt in known.items())


def _filled(known: dict[int, Point], top: int) -> list[Point]:
    """The tilts of all plates; of one without a sensor, on the line between the nearest known ones."""
    return [known[i] if i in known else _between(known, i) for i in range(top + 1)]


def _between(known: dict[int, Point], plate: int) -> Point:
    below, above = max(k for k in known if k < plate), min(k for k in known if k > plate)
    share = (plate - below) / (above - below)
    (x0, y0), (x1, y1) = known[below], known[above]
    return atan(tan(x0) + share * (tan(x1) - tan(x0))), atan(tan(y0) + share * (tan(y1) - tan(y0)))
