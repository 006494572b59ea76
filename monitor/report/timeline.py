"""The lift from beginning to end in one drawing: the plan's steps, every alarm as long as it stood, and what people did."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from html import escape

from monitor.debrief.marks import Kind
from monitor.engine.picture import Priority
from monitor.report.axes import BOTTOM, LEFT, WIDE, Times
from monitor.report.facts import Facts
from monitor.report.words import clock

_ROW, _BAR = 19.0, 12.0
"""Height of a row, and of what stands in it."""
_LETTER = 6.3
"""Width that a letter takes at most, to see what fits."""
_LANES = 14
"""Rows of alarms at most; the others are in the list of alarms alone, and that is said."""
_SIGNS = {"stop": "S", "acknowledge": "a", "cribbed": "c", "note": "m", "zero": "z", "back": "b"}
SIGNS = (
    "z zero, a acknowledged, c cribbing packed, b back one step, S STOP, m a note, + another key, ~ a link or sender"
)


def timeline(facts: Facts, times: Times) -> str:
    """The whole drawing as SVG."""
    lanes, left_out = _lanes(facts, times)
    y = 16.0
    parts = [_head("steps", y), *_steps(facts, times, y)]
    y += _ROW + 3.0
    if lanes:
        parts.append(_head("alarms", y))
    for lane in lanes:
        for from_ns, to_ns, priority, name, stands in lane:
            parts.append(_alarm(times, y, from_ns, to_ns, priority, name, stands))
        y += _ROW
    if left_out:
        parts.append(f'<text class="small" x="{LEFT:.0f}" y="{y + 10:.1f}">and {left_out} more, listed below</text>')
        y += _ROW
    parts += [_head("people", y), *_signs(facts, times, y)]
    y += _ROW + 2.0
    parts += times.axis(y)
    told = "; ".join(f"{clock(it.raised_ns)} {it.text}" for it in facts.raised[:20]) or "no alarm"
    return (
        f'<svg viewBox="0 0 {WIDE:.0f} {y + BOTTOM:.0f}" role="img" aria-label="{escape(f"The lift in time: {told}")}">'
        f"<title>The lift in time</title>{''.join(parts)}</svg>"
    )


def _head(text: str, y: float) -> str:
    return f'<text x="{LEFT - 6:.0f}" y="{y + 10:.1f}" text-anchor="end">{text}</text>'


def _steps(facts: Facts, times: Times, y: float) -> Iterator[str]:
    """A bar for every time that a step was worked, from its beginning to its end or to the beginning of the next."""
    begun = sorted((at, it) for it in facts.steps for at in it.begun)
    for i, (at_ns, it) in enumerate(begun):
        until = begun[i + 1][0] if i + 1 < len(begun) else facts.end_ns
        if at_ns == it.begun[-1] and it.ended_ns is not None:
            until = min(until, it.ended_ns)
        x, wide = times.x(at_ns), max(2.0, times.x(until) - times.x(at_ns))
        look = "bar early" if it.ok is False else "bar"
        yield f'<rect class="{look}" x="{x:.1f}" y="{y:.1f}" width="{wide:.1f}" height="{_BAR}"/>'
        words = f"{it.number} {it.step.do} {it.step.bag or ''}".rstrip()
        said = words if len(words) * _LETTER < wide - 6 else str(it.number) if wide > 9 else ""
        if said:
            yield f'<text class="small" x="{x + 3:.1f}" y="{y + 10:.1f}">{escape(said)}</text>'


_Bar = tuple[int, int, Priority, str, bool]


def _lanes(facts: Facts, times: Times) -> tuple[list[list[_Bar]], int]:
    """Alarms in as few rows as there is room for, each with room for its name; how many found none."""
    lanes: list[list[_Bar]] = []
    free: list[float] = []
    left_out = 0
    for it in facts.raised:
        to_ns = facts.end_ns if it.cleared_ns is None else it.cleared_ns
        name = f"{it.priority.word} {it.rule} {it.about}"
        bar = it.raised_ns, to_ns, it.priority, name, it.cleared_ns is None
        x1, x2 = _room(bar, times)
        at = next((i for i, until in enumerate(free) if until <= x1), None)
        if at is None and len(lanes) == _LANES:
            left_out += 1
            continue
        if at is None:
            lanes.append([])
            free.append(0.0)
            at = len(lanes) - 1
        lanes[at].append(bar)
        free[at] = x2
    return lanes, left_out


def _room(bar: _Bar, times: Times) -> tuple[float, float]:
    """From where to where a bar and its name need room: the name stands behind it, or before it near the end of the drawing."""
    x1, x2 = times.x(bar[0]), max(times.x(bar[1]), times.x(bar[0]) + 3.0)
    long = len(bar[3]) * _LETTER + 8.0
    return (x1 - long, x2 + 4.0) if x2 + long > WIDE else (x1, x2 + long)


def _alarm(times: Times, y: float, from_ns: int, to_ns: int, priority: Priority, name: str, stands: bool) -> str:
    x, x2 = times.x(from_ns), max(times.x(to_ns), times.x(from_ns) + 3.0)
    behind = x2 + len(name) * _LETTER + 8.0 <= WIDE
    at = f'x="{x2 + 4:.1f}"' if behind else f'x="{x - 4:.1f}" text-anchor="end"'
    open_end = f'<path class="axis" d="M{x2:.1f} {y:.1f}v{_BAR}"/>' if stands else ""
    return (
        f'<rect class="bar {priority.word}" x="{x:.1f}" y="{y:.1f}" width="{x2 - x:.1f}" height="{_BAR}"/>{open_end}'
        f'<text class="small" {at} y="{y + 10:.1f}">{escape(name)}</text>'
    )


def _signs(facts: Facts, times: Times, y: float) -> Iterator[str]:
    """A letter for everything that somebody did, where it does not stand on another."""
    found: list[tuple[int, str]] = [
        (it.time_ns, _SIGNS.get(it.word, "+") if it.kind is Kind.ACTION else "~")
        for it in facts.marks
        if it.kind in (Kind.ACTION, Kind.NOTICE) and not (it.kind is Kind.NOTICE and it.time_ns == 0)
    ]
    found += [(it.time_ns, "m") for it in facts.notes.kept]
    free = 0.0
    for at_ns, sign in _gravest_first(found):
        x = times.x(at_ns)
        yield f'<line class="axis" x1="{x:.1f}" y1="{y - 2:.1f}" x2="{x:.1f}" y2="{y + 1:.1f}"/>'
        if x >= free:
            yield f'<text class="small" x="{x:.1f}" y="{y + 11:.1f}" text-anchor="middle">{sign}</text>'
            free = x + 8.0


def _gravest_first(found: Sequence[tuple[int, str]]) -> list[tuple[int, str]]:
    """In order of time; of what happened at one moment STOP before all else."""
    return sorted(found, key=lambda it: (it[0], it[1] != "S"))
