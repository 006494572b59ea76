"""Which calibration of a channel counts, until when it holds, how it is said in a line, and what is wrong with one.

Nothing here looks at a clock: the moment is handed in.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise

from drivers.units import allowed
from monitor import quantities as show
from monitor.rig.curve import Curve
from monitor.rig.lines import Path
from monitor.rig.measure import Measure
from monitor.rig.schema import Calibration, Rig

_A_DAY = timedelta(days=1)
_LARGEST, _LEAST_STEP, _STEEPEST = 1e10, 1e-9, 10.0
"""Beyond the first no sensor reads; points nearer than the second, as a share of their size (or of 1), are the same; where the
true way is so many times the read one, a unit or a point is wrong (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Due:
    """One channel's calibration that counts, and how it stands at a moment. `wrong`: why it is out of date, or ""."""

    it: Calibration
    until: date
    wrong: str


def newest(rig: Rig) -> dict[str, Calibration]:
    """The calibration of each channel that counts: the latest by its date, the later in the file among equals."""
    found: dict[str, Calibration] = {}
    for it in rig.calibration:
        if it.channel not in found or _begins(it) >= _begins(found[it.channel]):
            found[it.channel] = it
    return found


def curve_of(it: Calibration) -> Curve:
    """What a calibration makes of its channel's readings."""
    return Curve([(read.si, true.si) for read, true in it.points], it.doubt)


def due(rig: Rig, now: datetime) -> list[Due]:
    """How each channel's calibration stands at a moment (with its zone), in the order of the channels.

    A plain date names no hour and no zone: it holds to the end of its last day wherever that ends last, and a calibration
    of tomorrow's date is one of the future only once no zone has that day yet.
    """
    found = newest(rig)
    return [_stands(found[channel.name], now) for channel in rig.channel if channel.name in found]


def _stands(it: Calibration, now: datetime) -> Due:
    begun = _begins(it)
    slack = timedelta() if isinstance(it.date, datetime) else _A_DAY
    until = _day(it) + timedelta(days=it.valid_for)
    wrong = ""
    if begun - slack / 2 > now:
        wrong = f"dated {_day(it)}, which is still to come"
    elif begun + timedelta(days=it.valid_for) + slack * 1.5 <= now:
        wrong = f"was due {until}"
    return Due(it, until, wrong)


def _begins(it: Calibration) -> datetime:
    return it.date if isinstance(it.date, datetime) else datetime.combine(it.date, time(), UTC)


def _day(it: Calibration) -> date:
    return it.date.date() if isinstance(it.date, datetime) else it.date


def in_words(rig: Rig, now: datetime) -> list[str]:
    """A line for each calibrated channel, and one that names those without; nothing where no channel has one."""
    found = due(rig, now)
    if not found:
        return []
    kinds = {channel.name: channel.quantity for channel in rig.channel}
    units = rig.rig.units
    said = [_line(it, kinds[it.it.channel], units) for it in found]
    without = [name for name in kinds if name not in {it.it.channel for it in found}]
    return said + ([f"no calibration: {', '.join(without)}"] if without else [])


def _line(due: Due, quantity: str, units: str) -> str:
    it, curve = due.it, curve_of(due.it)
    low, high = (show.value(x, quantity, units) for x in (curve.reads[0], curve.reads[-1]))
    how = f"{len(it.points)} points {'piece by piece' if curve.bent else 'on a line'}"
    sd = max(curve.sd(x) for x in curve.reads)
    ends = f"OUT OF DATE: {due.wrong}" if due.wrong else f"due {due.until}"
    return f"{it.channel}: {_day(it)} by {it.who}, {how} from {low} to {high}, {show.small(sd, quantity, units)} sd; {ends}"


def disagreements(rig: Rig) -> Iterator[tuple[Path, str, str]]:
    """Calibrations that name no channel, are of another quantity, or whose points are no way from read to true."""
    kinds = {channel.name: channel.quantity for channel in rig.channel}
    for i, it in enumerate(rig.calibration):
        at: Path = ("calibration", i)
        kind = kinds.get(it.channel)
        if kind is None:
            yield (*at, "channel"), f"'{it.channel}'", f"a channel of the rig file: {', '.join(list(kinds)[:8])}"
            continue
        fits = True
        for path, value in _values(it):
            if value.quantity not in (None, kind):
                fits = False
                article = "an" if str(value.quantity)[0] in "aeiou" else "a"
                yield (*at, *path), f"{article} {value.quantity}", f"{allowed(kind)}: {it.channel} is of that"
        if fits:
            yield from disorder((*at, "points"), [(read.si, true.si) for read, true in it.points])


def _values(it: Calibration) -> Iterator[tuple[Path, Measure]]:
    for k, point in enumerate(it.points):
        for side, value in enumerate(point):
            yield ("points", k, side), value
    yield ("uncertainty",), it.uncertainty
    yield ("spread",), it.spread


def disorder(at: Path, points: Sequence[tuple[float, float]]) -> Iterator[tuple[Path, str, str]]:
    """What is wrong with (read, true) points in SI that stand at a path: too large, not rising, or far too steep."""
    for k, point in enumerate(points):
        for side, value in enumerate(point):
            if abs(value) > _LARGEST:
                yield (*at, k, side), f"{value:g}", f"what a sensor can read: at most {_LARGEST:g} in SI"
                return
    for k, ((read0, true0), (read1, true1)) in enumerate(pairwise(points), start=1):
        low = False
        for side, before, now in ((0, read0, read1), (1, true0, true1)):
            if now - before < _LEAST_STEP * max(1.0, abs(before)):
                low = True
                yield (*at, k, side), f"{now:.7g}", f"above the one before it, {before:.7g} (in SI): both rise"
        if not low and not 1.0 / _STEEPEST <= (steepness := (true1 - true0) / (read1 - read0)) <= _STEEPEST:
            yield (*at, k), f"{steepness:.3g} true for 1 read", f"from {1.0 / _STEEPEST:g} to {_STEEPEST:g}"
