"""Values over the time of a lift, as SVG: lines that differ in dashes as well as in colour, each with its name at its end.

A line goes through the least and the greatest of every stretch, so that no peak is lost, in a band as wide as the value may be
off. Where a value was not known there is no line, and the foot of the chart is marked.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from html import escape
from itertools import groupby

from monitor.report.axes import BOTTOM, LEFT, RIGHT, TOP, WIDE, Scale, Times, number, round_numbers
from monitor.report.series import Series, Stretch

_HIGH = 126.0
"""Height of the field that lines are drawn in."""
LOOKS = 6
"""How many lines can be told apart."""
_ALIKE = 13.0
"""Least distance of two names at the ends of lines."""
_LETTERS = 10
"""Letters of a name that there is room for."""
_FAR = 2.5
"""A level that lies this many times above all that happened is said and not drawn: lines would be flat."""
_HOLE_NS = 1_000_000_000
"""Without a picture for longer, a line is broken."""


@dataclass(frozen=True, slots=True)
class Curve:
    """One line: its name and its values (SI)."""

    name: str
    series: Series


@dataclass(frozen=True, slots=True)
class Level:
    """A level (SI) to be seen beside the lines, what it is, and from when to when (ns; None: from the beginning, to the end)."""

    value: float
    name: str
    from_ns: int | None = None
    to_ns: int | None = None


@dataclass(frozen=True, slots=True)
class _Field:
    """The field that lines are drawn in: from which value to which."""

    times: Times
    low: float
    high: float

    def y(self, value: float) -> float:
        share = (value - self.low) / (self.high - self.low)
        return TOP + _HIGH * (1.0 - min(1.0, max(0.0, share)))


def chart(
    title: str, told: str, curves: Sequence[Curve], scale: Scale, times: Times, levels: Sequence[Level] = ()
) -> str:
    """One chart; "" where nothing was ever known. `told`: the same in words, for whoever does not see it."""
    known = [it for it in curves if it.series.known]
    if not known:
        return ""
    drawn = [it for it in levels if near(it, known)]
    values = [0.0, *(it.value for it in drawn), *_ends(known)]
    low, high = min(values) * scale.factor, max(max(values) * scale.factor, scale.least)
    steps = [it for it in round_numbers(low, high) if it >= low - 1e-9]  # a little below 0 takes no whole step
    field, foot = _Field(times, low / scale.factor, steps[-1] / scale.factor), TOP + _HIGH
    parts = [
        *times.behind(foot),
        *(_rule(it, field.y(it / scale.factor), steps[1] - steps[0]) for it in steps),
        f'<text class="unit" x="{LEFT - 6:.0f}" y="{TOP - 8:.0f}" text-anchor="end">{escape(scale.unit)}</text>',
        *(_level(it, field) for it in drawn),
        *(_band(it.series, at, field) for at, it in enumerate(known)),
        *(_line(it.series, at, field) for at, it in enumerate(known)),
        *_names(known, field),
        *_unknown(curves, times, foot),
        *times.axis(foot),
    ]
    return (
        f'<svg viewBox="0 0 {WIDE:.0f} {foot + BOTTOM:.0f}" role="img" aria-label="{escape(f"{title}. {told}")}">'
        f"<title>{escape(title)}</title>{''.join(parts)}</svg>"
    )


def near(level: Level, curves: Sequence[Curve]) -> bool:
    """Whether a level is near enough to what happened to be drawn with it."""
    return abs(level.value) <= _FAR * max(map(abs, _ends(curves)), default=0.0)


def _ends(curves: Sequence[Curve]) -> list[float]:
    return [end[1] for it in curves for end in (it.series.top, it.series.bottom) if end is not None]


def _rule(value: float, y: float, apart: float) -> str:
    look = "zero" if abs(value) < apart * 1e-6 else "grid"
    return (
        f'<line class="{look}" x1="{LEFT:.0f}" y1="{y:.1f}" x2="{WIDE - RIGHT:.0f}" y2="{y:.1f}"/>'
        f'<text x="{LEFT - 6:.0f}" y="{y + 4:.1f}" text-anchor="end">{number(value, apart)}</text>'
    )


def _level(it: Level, field: _Field) -> str:
    y = field.y(it.value)
    x1 = LEFT if it.from_ns is None else field.times.x(it.from_ns)
    x2 = WIDE - RIGHT if it.to_ns is None else field.times.x(it.to_ns)
    line = f'<line class="level" x1="{x1:.1f}" y1="{y:.1f}" x2="{x2:.1f}" y2="{y:.1f}"/>'
    return (
        f'{line}<text class="small" x="{x1 + 4:.1f}" y="{y + (12.0 if y < TOP + 10.0 else -3.0):.1f}">{escape(it.name)}</text>'
        if it.name
        else line
    )


def _runs(series: Series, wanted: Callable[[Stretch], bool]) -> Iterator[list[tuple[int, Stretch]]]:
    """Stretches that follow one another without a hole, and are as wanted."""
    run: list[tuple[int, Stretch]] = []
    for at_ns, it in series:
        if run and (not wanted(it) or at_ns - run[-1][0] > max(_HOLE_NS, 2 * series.long_ns)):
            yield run
            run = []
        if wanted(it):
            run.append((at_ns, it))
    if run:
        yield run


def _line(series: Series, at: int, field: _Field) -> str:
    drawn = []
    for run in _runs(series, lambda it: it.least is not None):
        points: list[tuple[str, str]] = []
        for at_ns, it in run:
            both = (it.least, it.greatest) if it.rising else (it.greatest, it.least)
            x = f"{field.times.x(at_ns):.1f}"
            points += [(x, f"{field.y(value):.1f}") for value in dict.fromkeys(both) if value is not None]
        level = [[*same] for _, same in groupby(points, key=lambda point: point[1])]
        bends = [point for same in level for point in (same[:1] if len(same) == 1 else (same[0], same[-1]))]
        drawn.append("M" + "L".join(f"{x} {y}" for x, y in bends) + ("h0.1" if len(bends) == 1 else ""))
    return f'<path class="line l{at % LOOKS}" d="{"".join(drawn)}"/>'


def _band(series: Series, at: int, field: _Field) -> str:
    """How far the line may be off, where that is known and wide enough to be seen."""
    drawn = []
    for run in _runs(series, lambda it: it.least is not None and bool(it.off)):
        over = [(field.times.x(t), field.y((it.greatest or 0.0) + (it.off or 0.0))) for t, it in run]
        under = [(field.times.x(t), field.y((it.least or 0.0) - (it.off or 0.0))) for t, it in run]
        if max(low[1] - high[1] for low, high in zip(under, over, strict=True)) > 2.0:
            drawn.append("M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in [*over, *reversed(under)]) + "Z")
    return f'<path class="band b{at % LOOKS}" d="{"".join(drawn)}"/>' if drawn else ""


def _names(curves: Sequence[Curve], field: _Field) -> Iterator[str]:
    """The name of each line at its end, none over another."""
    ends = []
    for at, curve in enumerate(curves):
        last = [it for _, it in curve.series if it.greatest is not None and it.least is not None][-1]
        ends.append((field.y(((last.greatest or 0.0) + (last.least or 0.0)) / 2.0), at, curve.name))
    ends.sort()
    free = TOP
    rest = (len(ends) - 1) * _ALIKE
    x = WIDE - RIGHT
    for y, at, name in ends:
        placed = min(max(y, free), TOP + _HIGH - rest)
        free, rest = placed + _ALIKE, rest - _ALIKE
        yield (
            f'<path class="line l{at % LOOKS}" d="M{x + 4:.0f} {placed:.1f}h18"/>'
            f'<text x="{x + 26:.0f}" y="{placed + 4:.1f}">{escape(_cut(name))}</text>'
        )


def _cut(name: str) -> str:
    """As much of a name as there is room for; the words under the chart have all of it."""
    return name if len(name) <= _LETTERS else f"{name[: _LETTERS - 1]}…"


def _unknown(curves: Sequence[Curve], times: Times, foot: float) -> Iterator[str]:
    """A mark at the foot wherever a value was not known."""
    holes: list[list[float]] = []
    spots = sorted(
        (times.x(at_ns - it.series.long_ns / 2), times.x(at_ns + it.series.long_ns / 2))
        for it in curves
        for at_ns, stretch in it.series
        if stretch.unknown
    )
    for x1, x2 in spots:
        if holes and x1 <= holes[-1][1] + 0.5:
            holes[-1][1] = max(x2, holes[-1][1])
        else:
            holes.append([x1, x2])
    for x1, x2 in holes:
        yield f'<rect class="hole" x="{x1:.1f}" y="{foot - 5:.1f}" width="{max(1.5, x2 - x1):.1f}" height="5"/>'
