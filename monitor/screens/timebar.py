"""The time bar of a recording: what happened when, in letters over a line that says where one is. Pure functions.

A letter stands for the gravest thing in its stretch of time; its colour only ever repeats what the letter says.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import zip_longest
from math import isnan

from monitor import quantities as show
from monitor.rig.schema import Rig
from monitor.screens.canvas import Canvas
from monitor.screens.ink import Line, Role, fit
from monitor.screens.recorded import Mark, Other

LEGEND = (
    "D W C n an alarm rose: danger, warning, caution, notice   1 2 3 a step",
    "S STOP   m a note   + another key   ~ a link or sender   e the plan ended",
    "━ before this moment   ─ known   · not gone through yet",
)

LABEL = 10
"""Cells before the line and before the drawing over it."""
_ALARMS = {
    "danger": ("D", Role.DANGER_SEEN, 9),
    "warning": ("W", Role.WARNING_SEEN, 7),
    "caution": ("C", Role.CAUTION_SEEN, 5),
    "notice": ("n", Role.NOTICE_SEEN, 1),
}
_NOTHING = " ", Role.PLAIN, 0
_SAMPLES = 2
"""Dots that a cell is wide: no more of a rise can be seen."""


def clock(time_ns: int, of_ns: int = 0) -> str:
    """A time in a session: "12:31", or "1:12:31" where the session takes an hour or more."""
    minutes, seconds = divmod(max(0, time_ns) // 1_000_000_000, 60)
    hours, rest = divmod(minutes, 60)
    return (
        f"{hours}:{rest:02d}:{seconds:02d}"
        if max(time_ns, of_ns) >= 3_600_000_000_000
        else f"{minutes:02d}:{seconds:02d}"
    )


def letter(mark: Mark) -> tuple[str, Role, int]:
    """(letter, role, weight) of a mark."""
    if mark.kind == "alarm":
        return _ALARMS[mark.word]
    if mark.kind == "step":
        return (mark.word if len(mark.word) == 1 else "#" if mark.word else "e"), Role.PLAIN, 4
    if mark.kind == "note":
        return "m", Role.STRONG, 6
    if mark.kind == "action":
        return ("S", Role.STRONG, 8) if mark.word == "stop" else ("+", Role.DIM, 3)
    return "~", Role.PLAIN, 2


def bar(
    marks: Sequence[Mark],
    at_ns: int,
    known_ns: int,
    end_ns: int,
    columns: int,
    share: float | None = None,
    other: Other | None = None,
) -> list[Line]:
    """The letters; with other limits a line of the alarms under them; and the line with where one is (┃), what was gone through
    (━ and ─), what was not yet (·).

    `share`: how much of it was gone through, 0 to 1; None: all.
    """
    before, after = f"{clock(at_ns, end_ns):>{LABEL - 1}} ", _after(end_ns, share)
    cells = max(1, columns - len(before) - len(after))

    def cell(time_ns: int) -> int:
        return max(0, min(cells - 1, time_ns * cells // max(1, end_ns)))

    lines = [fit([(" " * len(before), Role.PLAIN), *_letters(marks, cell, cells)], columns)]
    if other is not None:
        head = "instead" if other.whole else f"to {clock(other.known_ns)}"
        lines.append(fit([(f"{head:>{LABEL - 1}} ", Role.DIM), *_letters(other.marks, cell, cells)], columns))
    return [
        *lines,
        fit([(before, Role.STRONG), *_line(cell(at_ns), cell(known_ns), cells), (after, Role.DIM)], columns),
    ]


def _after(end_ns: int, share: float | None) -> str:
    """What stands behind the line: when the session ends, and how much of it was gone through."""
    return f" {clock(end_ns)}" if share is None else f" {share * 100:2.0f} % of {clock(end_ns)}"


def _letters(marks: Sequence[Mark], cell: Callable[[int], int], cells: int) -> Line:
    gravest: dict[int, tuple[str, Role, int]] = {}
    for mark in marks:
        it, at = letter(mark), cell(mark.time_ns)
        if at not in gravest or it[2] >= gravest[at][2]:
            gravest[at] = it
    line: Line = []
    for i in range(cells):
        text, role, _ = gravest.get(i, _NOTHING)
        if line and (line[-1][1] is role or i not in gravest):
            line[-1] = (line[-1][0] + text, line[-1][1])
        else:
            line.append((text, role))
    return line


def _line(at: int, known: int, cells: int) -> Line:
    line = ["━" if i < at else "─" if i <= known else "·" for i in range(cells)]
    return [("".join(line[:at]), Role.PLAIN), ("┃", Role.STRONG), ("".join(line[at + 1 :]), Role.DIM)]


def stops(rig: Rig, marks: Sequence[Mark], stack: str, end_ns: int) -> list[tuple[int, int, float]]:
    """The rises at a stack's head that the plan stops at: (from ns, to ns, m) while each step was worked."""
    begun = [it for it in marks if it.kind == "step"]
    found = []
    for it, after in zip_longest(begun, begun[1:]):
        until = rig.step[int(it.word) - 1].until if it.word else None
        if until is not None and until.rise is not None and (until.at or rig.stack[0].name) == stack:
            found.append((it.time_ns, after.time_ns if after is not None else end_ns, until.rise))
    return found


def whole_rise(
    rig: Rig,
    stack: str,
    times: Sequence[int],
    rises: Sequence[float],
    marks: Sequence[Mark],
    at_ns: int,
    end_ns: int,
    columns: int,
    rows: int,
    share: float | None = None,
) -> list[Line]:
    """The rise at a stack's head over the whole session as it was known live, the plan's stops dotted, and where one is.

    Each moment stands over its own on the bar.
    """
    cells = max(1, columns - LABEL - len(_after(end_ns, share)))
    planned = stops(rig, marks, stack, end_ns)
    count = min(len(times), len(rises))
    every = max(1, count // (cells * _SAMPLES))
    known = [value for value in rises[:count:every] if not isnan(value)]
    low, high = min(0.0, *known, 0.0), max(0.02, *known, *(rise for _, _, rise in planned), 0.0)
    canvas = Canvas(cells, rows, (0.0, low, max(1.0, float(end_ns)), high))
    for begun, ended, rise in planned:
        canvas.line(begun, rise, ended, rise, Role.DIM, every=3)
    before: tuple[float, float] | None = None
    for i in range(0, count, every):
        if isnan(rises[i]):
            before = None
            continue
        point = float(times[i]), rises[i]
        canvas.line(*(before or point), *point)
        before = point
    canvas.line(at_ns, low, at_ns, high, Role.STRONG)
    units = rig.rig.units
    words = [""] * rows
    words[0], words[-1] = show.length(high, units), show.length(low, units)
    if rows > 2:
        words[rows // 2] = f"rise {stack}"[: LABEL - 1]
    return [
        fit([(f"{word:>{LABEL - 1}} ", Role.DIM), *line], columns)
        for word, line in zip(words, canvas.lines(), strict=True)
    ]
