"""Several lifts over each other as SVG: rise or gap, each step beginning at the same place for all, whatever the clock said.

Lines differ in dashes as well as in colour, and each has its letter at its end, so that a print without colour can be read. Where
a value was not known there is no line.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from html import escape
from math import floor, log10

from monitor.debrief.figures import shown
from monitor.report.traces import Point, Trace

_WIDE, _LEFT, _RIGHT, _TOP, _HIGH, _FOOT = 680.0, 48.0, 24.0, 22.0, 130.0, 34.0
"""A chart's size and margins in its own units: 680 across a printed page."""
_LEAST = 0.04
"""Share of the whole time that even the shortest step is drawn wider by, so that it can be seen."""
_LETTER = 9.0
"""Room that a letter takes."""
_NAMED = 44.0
"""How wide a step has to be drawn for its time and the letters of its lines."""
_DIPS = 0.15
"""What goes below nothing by less than this share of the greatest is noise, and gets no rung of its own."""
LOOKS = 6
"""So many lines can be told apart; then they begin again, told by their letters."""
STYLE = """
.overlay text { font: 11px sans-serif } .overlay .grid { stroke: #ccc; stroke-width: 0.6 }
.overlay .edge { stroke: #000; stroke-width: 0.8 } .overlay .line { fill: none; stroke-width: 1.6 }
.overlay .k0 { stroke: #000 } .overlay .k1 { stroke: #0060c0; stroke-dasharray: 7 3 }
.overlay .k2 { stroke: #b04000; stroke-dasharray: 2 2.5 } .overlay .k3 { stroke: #207030; stroke-dasharray: 9 3 2 3 }
.overlay .k4 { stroke: #802080; stroke-dasharray: 4 4 } .overlay .k5 { stroke: #666; stroke-dasharray: 12 4 }
.overlay .limit { stroke: #c00000; stroke-width: 1; stroke-dasharray: 1 3 }
"""
"""What the parts look like, for the page that they stand in."""


@dataclass(frozen=True, slots=True)
class Step:
    """A step of all lifts: its number, what it is in words, and its trace in each lift (None: it was not begun)."""

    number: int
    words: str
    traces: tuple[Trace | None, ...]

    @property
    def long_s(self) -> float:
        """The longest that any lift took for it (s)."""
        return max((trace.long_s for trace in self.traces if trace is not None), default=0.0)


def overlay(
    title: str,
    steps: Sequence[Step],
    letters: str,
    value: Callable[[Point], float | None],
    units: str,
    limit_m: float | None = None,
) -> str:
    """A chart of `value` (m) over the steps; "" where nothing of it was ever known. `limit_m`: a level to be seen beside it."""
    begun = [step for step in steps if step.long_s > 0.0]
    values = [
        it
        for step in begun
        for trace in step.traces
        if trace
        for point in trace.points
        if (it := value(point)) is not None
    ]
    if not values:
        return ""
    least, most = min(0.0, *values), max(*values, limit_m or 0.0, 1e-3)
    rungs = _rungs(least if -least > _DIPS * most else 0.0, most, units)
    low, high = rungs[0], rungs[-1]

    def y(it: float) -> float:
        return _TOP + _HIGH * (1.0 - (it - low) / (high - low))

    parts = [line for rung in rungs for line in _rung(rung, y(rung), units)]
    if limit_m is not None:
        parts.append(_level(y(limit_m)))
    taken: list[tuple[float, float]] = []
    for step, left, right in _places(begun):
        parts += _step(step, left, right)
        scale = (right - left) / step.long_s
        for at, trace in enumerate(step.traces):
            points = [(left + it.at_s * scale, value(it)) for it in (trace.points if trace is not None else ())]
            drawn = [(x, None if it is None else y(it)) for x, it in points]
            parts += _line(drawn, at)
            parts += _letter(drawn, letters[at], taken) if right - left > _NAMED else ()
    foot = _TOP + _HIGH + _FOOT
    return (
        f'<svg class="overlay" viewBox="0 0 {_WIDE:.0f} {foot:.0f}" role="img" aria-label="{escape(title)}">'
        f"<title>{escape(title)}</title>{''.join(parts)}</svg>"
    )


def _places(steps: Sequence[Step]) -> Iterator[tuple[Step, float, float]]:
    """Each step, from where to where across it is drawn: as wide as its longest, and a little."""
    whole = sum(step.long_s for step in steps)
    wide = [step.long_s + _LEAST * whole for step in steps]
    unit, left = (_WIDE - _LEFT - _RIGHT) / sum(wide), _LEFT
    for step, its in zip(steps, wide, strict=True):
        yield step, left, left + its * unit
        left += its * unit


def _step(step: Step, left: float, right: float) -> Iterator[str]:
    foot = _TOP + _HIGH
    yield f'<line class="edge" x1="{left:.1f}" y1="{_TOP:.0f}" x2="{left:.1f}" y2="{foot:.0f}"/>'
    yield f'<text x="{left + 2:.1f}" y="{_TOP - 7:.0f}">{step.number}<title>{escape(step.words)}</title></text>'
    if right - left > _NAMED:
        time = shown(step.long_s, "s")
        yield f'<text x="{right - 3:.1f}" y="{foot + 14:.0f}" text-anchor="end">{escape(time)}</text>'


def _line(points: Sequence[tuple[float, float | None]], at: int) -> Iterator[str]:
    """One lift's line in a step, broken where it was not known."""
    drawn, broken = [], True
    for x, y in points:
        if y is not None:
            drawn.append(f"{'M' if broken else 'L'}{x:.1f} {y:.1f}")
        broken = y is None
    if drawn:
        yield f'<path class="line k{at % LOOKS}" d="{"".join(drawn)}h0.1"/>'


def _letter(
    points: Sequence[tuple[float, float | None]], letter: str, taken: list[tuple[float, float]]
) -> Iterator[str]:
    """A lift's letter at the end of its line, beside those whose places are `taken`, or above them at the edge."""
    ends = [(x + 2.0, y - 3.0) for x, y in points if y is not None]
    if not ends:
        return
    x, y = ends[-1]
    while any(abs(x - there) < _LETTER and abs(y - high) < _LETTER for there, high in taken):
        x += _LETTER
        if x > _WIDE - _LETTER:
            x, y = ends[-1][0], y - _LETTER
    taken.append((x, y))
    yield f'<text x="{x:.1f}" y="{y:.1f}">{letter}</text>'


def _rung(value: float, y: float, units: str) -> Iterator[str]:
    yield f'<line class="grid" x1="{_LEFT:.0f}" y1="{y:.1f}" x2="{_WIDE - _RIGHT:.0f}" y2="{y:.1f}"/>'
    yield f'<text x="{_LEFT - 4:.0f}" y="{y + 4:.1f}" text-anchor="end">{escape(shown(value, "m", units))}</text>'


def _level(y: float) -> str:
    return (
        f'<line class="limit" x1="{_LEFT:.0f}" y1="{y:.1f}" x2="{_WIDE - _RIGHT:.0f}" y2="{y:.1f}"/>'
        f'<text x="{_WIDE - _RIGHT:.0f}" y="{y - 3:.1f}" text-anchor="end">allowed</text>'
    )


def _rungs(low: float, high: float, units: str) -> list[float]:
    """Round values from below `low` to above `high`, about four apart: of millimetres, or of inches and their halves."""
    unit = 0.0254 if units == "us" else 1e-3
    apart = max((high - low) / 4.0 / unit, 1e-3)
    if units == "us" and apart < 1.0:
        step = next((it for it in (1 / 16, 1 / 8, 1 / 4, 1 / 2) if it >= apart), 1.0)
    else:
        power = 10.0 ** floor(log10(apart))
        step = next(it * power for it in (1.0, 2.0, 5.0, 10.0) if it * power >= apart * (1.0 - 1e-9))
    step = max(step, 1.0) if units != "us" else step
    first = floor(low / unit / step + 1e-9)
    rungs = [first * step * unit]
    while rungs[-1] < high - 1e-9:
        rungs.append((first + len(rungs)) * step * unit)
    return rungs if len(rungs) > 1 else [*rungs, (first + 1) * step * unit]
