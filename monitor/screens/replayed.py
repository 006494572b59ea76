"""The instructor's screen as a drawing: what the operator or the safety officer saw, over a bar of time. Pure functions.

Its first line says RECORDED, with the date, whatever else is shown, so that nobody takes it for live.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from math import isnan

from monitor import quantities as show
from monitor.engine.picture import Picture
from monitor.rig.schema import Rig
from monitor.screens import fromabove, otherwise, timebar
from monitor.screens.frame import CAUTIONS, Frame, filled
from monitor.screens.ink import Line, Role, fit
from monitor.screens.layout import View, operator
from monitor.screens.recorded import Mark, Other
from monitor.screens.safetyboard import SafetyView, safety

KEYS = "p play  ←→ picture  -+ 1 s  n b event  l list  s view  w limits  m note  ? help"

HELP: tuple[tuple[str, str], ...] = (
    ("p", "play, or pause"),
    ("← →", "one picture back or on: a twentieth of a second"),
    ("- +", "a second back or on; , and . ten seconds; page up and down a minute"),
    ("↑ ↓", "faster or slower: from a quarter to flat out, which waits for nothing"),
    ("0-9", "to so many tenths of the session; home and end: to its ends"),
    ("n b", "to the next event, or the one before"),
    ("f", "what n and b stop at: all events, dangers, alarms, steps, or notes"),
    ("l", "the list of events, and what is wrong with the files; enter goes there"),
    ("s", "this moment as the safety officer saw it, and back to the operator"),
    ("w", "other limits: what would have sounded then, and what would not"),
    ("m", "a note at this moment, kept beside the recording and never in it"),
    ("r", "write the report, beside the recording: one page to print and hand out"),
    ("t q", "light or dark; end"),
)
SPACE = "STOP is for live screens; this is a recording: nobody was told."
"""What the space bar says. It does nothing else: a hand that learned here that it pauses would pause a lift with it."""


@dataclass
class ReplayView(Frame):
    """What the screen shows besides the picture. Times are ns since the session began; `known_ns`: up to where the recording has
    been gone through; `sought_ns`: where one wants to be and that is not known yet; `chosen`: of the list of events, while it
    is shown."""

    rig: Rig
    name: str
    started: datetime | None
    at_ns: int = 0
    known_ns: int = 0
    end_ns: int = 0
    whole: bool = False
    share: float = 0.0
    sought_ns: int | None = None
    pace: str = "paused"
    stops_at: str = "all events"
    times: Sequence[int] = ()
    rises: Mapping[str, Sequence[float]] = field(default_factory=dict)
    looked_back: tuple[float | None, float | None, float | None] = (None, None, None)
    marks: Sequence[Mark] = ()
    faults: Sequence[str] = ()
    typing: bool = False
    """A note is being typed: the last line is its own."""
    chosen: int | None = None
    other: Other | None = None
    limits: Mapping[str, float] | None = None
    """Other limits while they are chosen, and which of them is being changed."""
    limit: int = 0
    officer: bool = False
    """The safety officer's drawing in place of the operator's, and what it needs of the pictures before: where the heads stood,
    the fall over the last minute."""
    trails: Mapping[str, fromabove.Trail] = field(default_factory=dict)
    falls: Sequence[tuple[int, float | None]] = ()


def replayed(picture: Picture | None, view: ReplayView, columns: int, rows: int) -> list[Line]:
    """The whole screen: exactly `rows` lines of exactly `columns` cells."""
    if view.typing and rows > 2:
        view = replace(view, typing=False)
        return [*replayed(picture, view, columns, rows - 1), fit([], columns)]
    head = [banner(view, columns)]
    if view.help:
        return filled([*head, *_help(columns)], columns, rows)
    last = _last(view, columns)
    if view.chosen is not None:
        room = max(0, rows - 2)
        return filled([*head, *filled(_list(view, view.chosen, columns, room), columns, room), last], columns, rows)
    if view.limits is not None:
        choice = otherwise.choice(view.rig, view.limits, view.limit, columns)
        return [*filled([*head, *choice], columns, rows - 1), last]
    if picture is None:
        why = (
            "there is no picture in this recording" if view.whole and not view.times else "going through the recording"
        )
        return [*filled([*head, fit([(view.trouble or why, Role.STRONG)], columns)], columns, rows - 1), last]
    bottom = _bottom(picture, view, columns, rows) if rows >= 10 else []
    room = max(0, rows - len(head) - len(bottom) - 1)
    return [*filled([*head, *_recorded(picture, view, columns, room), *bottom], columns, rows - 1), last]


def banner(view: ReplayView, columns: int) -> Line:
    """RECORDED, when, that it is not live, how it is played: the first line of every state of the screen."""
    when = _date(view)
    faults = f"  ! {len(view.faults)} FAULT{'S' if len(view.faults) > 1 else ''}: l" if view.faults else ""
    text = f" RECORDED {when}  NOT LIVE  {view.pace}{faults}  {view.name}"
    return fit([(text.ljust(columns), Role.UNKNOWN)], columns)


def _date(view: ReplayView) -> str:
    if view.started is None:
        return "without a date"
    try:
        return f"{view.started + timedelta(microseconds=view.at_ns // 1000):%Y-%m-%d %H:%M:%S %Z}"
    except OverflowError:
        return f"{view.started:%Y-%m-%d}"


def _recorded(picture: Picture, view: ReplayView, columns: int, rows: int) -> list[Line]:
    """The operator's drawing, or the safety officer's, without its line of keys: those act on a live session. What it asked a
    person stays."""
    if view.officer:
        seen = SafetyView(view.rig, view.name, view.trails, view.falls)
        return safety(picture, seen, columns, rows + 1)[:rows]
    drawn = View(view.rig, view.name, _minute(picture, view))
    if picture.questions:
        return operator(picture, drawn, columns, rows)
    return operator(picture, drawn, columns, rows + 1)[:rows]


def _minute(picture: Picture, view: ReplayView) -> list[tuple[int, float | None]]:
    """The rise over the minute before this picture, ten times a second, as the live screen keeps it."""
    highest = max(picture.stacks, key=lambda it: it.rise_m or 0.0).name
    rises = view.rises.get(highest, ())
    first = bisect_left(view.times, picture.time_ns - 60_000_000_000)
    end = min(len(rises), bisect_left(view.times, picture.time_ns + 1))
    return [(view.times[i], None if isnan(rises[i]) else rises[i]) for i in range(first, end, 2)]


def _bottom(picture: Picture, view: ReplayView, columns: int, rows: int) -> list[Line]:
    lines: list[Line] = []
    share = None if view.whole else view.share
    if rows >= 34:
        stack = max(picture.stacks, key=lambda it: it.rise_m or 0.0).name
        lines += timebar.whole_rise(
            view.rig, stack, view.times, view.rises.get(stack, ()), view.marks, view.at_ns, view.end_ns, columns,
            5 if rows < 44 else 7, share,
        )  # fmt: skip
    lines += timebar.bar(view.marks, view.at_ns, view.known_ns, view.end_ns, columns, share, view.other)
    lines.append(compared(picture, view, columns))
    if rows >= 30:
        lines += [against_plan(picture, view, columns), happened(view, columns)]
    return lines


def compared(picture: Picture, view: ReplayView, columns: int) -> Line:
    """Rise and tilt as they were known live, beside what the seconds after made of them."""
    units, load = view.rig.rig.units, picture.load
    rise, x, y = view.looked_back
    return fit(
        [
            ("rise live ", Role.DIM),
            (f"{fine(load.rise_m, units):>9}", Role.STRONG),
            (" hindsight ", Role.DIM),
            (f"{fine(rise, units):>9}", Role.STRONG),
            ("  tilt x ", Role.DIM),
            (f"{show.angle(load.tilt_x_rad)} ▸ {show.angle(x)}", Role.PLAIN),
            ("  y ", Role.DIM),
            (f"{show.angle(load.tilt_y_rad)} ▸ {show.angle(y)}", Role.PLAIN),
        ],
        columns,
    )


def fine(m: float | None, units: str) -> str:
    """A length to a tenth of a millimetre, or a hundredth of an inch: two estimates of one thing differ by that."""
    if m is None:
        return show.UNKNOWN
    number = f"{m / 0.0254:.2f}" if units == "us" else f"{m * 1e3:.1f}"
    number = number.lstrip("-") if float(number) == 0.0 else number
    return f"{number} in" if units == "us" else f"{number} mm"


def against_plan(picture: Picture, view: ReplayView, columns: int) -> Line:
    """Where the step worked was to stop, where the load was at this moment, and where it was when the step ended."""
    now = picture.step
    step = None if now is None else view.rig.step[now.number - 1]
    if now is None or step is None or step.until is None or step.until.rise is None:
        return fit([("plan  ", Role.DIM), ("no rise to stop at in this step", Role.DIM)], columns)
    units, stop, at = view.rig.rig.units, step.until.rise, step.until.at or view.rig.stack[0].name
    rise = next((it.rise_m for it in picture.stacks if it.name == at), None)
    parts: Line = [
        ("plan  ", Role.DIM),
        (f"step {now.number} stops at {show.length(stop, units)} at {at}", Role.PLAIN),
        (f"  now {fine(rise, units)}", Role.STRONG),
    ]
    ended = next((it for it in view.marks if it.kind == "step" and it.time_ns > picture.time_ns), None)
    rises = view.rises.get(at, ())
    if ended is not None and ended.number < len(rises) and not isnan(rises[ended.number]):
        reached = rises[ended.number]
        off = fine(abs(reached - stop), units)
        way = "above" if reached > stop else "below"
        parts.append((f"  when it ended {fine(reached, units)}, {off} {way}", Role.PLAIN))
    return fit(parts, columns)


def happened(view: ReplayView, columns: int) -> Line:
    """The last thing that happened up to this moment."""
    before = [it for it in view.marks if it.time_ns <= view.at_ns]
    if not before:
        return fit([("nothing has happened yet", Role.DIM)], columns)
    return fit([_piece(before[-1], view.end_ns)], columns)


def _piece(mark: Mark, end_ns: int, became: str = "") -> tuple[str, Role]:
    sign, role, _ = timebar.letter(mark)
    said = f"[{became}] " if became else ""
    return f"{timebar.clock(mark.time_ns, end_ns)} {sign} {said}{mark.text}", role


def _list(view: ReplayView, chosen: int, columns: int, rows: int) -> list[Line]:
    """What is wrong with the files, then every event, scrolled so that the chosen one is seen."""
    lines = [fit([(f"! {text}", Role.STRONG)], columns) for text in view.faults[: max(0, rows - 3)]]
    events = otherwise.events(view.marks, view.other)
    under = "" if view.other is None else f"  and under {otherwise.changed(view.rig, view.other.limits)}"
    lines.append(fit([(f"EVENTS  {len(events)}{'' if view.whole else ' so far'}{under}", Role.STRONG)], columns))
    room = max(1, rows - len(lines) - 1)
    first = min(max(0, chosen - room // 2), max(0, len(events) - room))
    for i, (mark, became) in enumerate(events[first : first + room], first):
        text, role = _piece(mark, view.end_ns, became)
        lines.append(fit([("> " if i == chosen else "  ", Role.STRONG), (text, role)], columns))
    return [
        *filled(lines, columns, rows - 1),
        fit([("up and down choose, enter goes there, any other key goes back", Role.DIM)], columns),
    ]


def _help(columns: int) -> list[Line]:
    lines = [fit([("KEYS OF A RECORDING: none of them acts on a rig; no bell sounds", Role.STRONG)], columns)]
    lines += [fit([(f"  {key:<6} ", Role.STRONG), (what, Role.PLAIN)], columns) for key, what in HELP]
    lines.append(fit([("  space  ", Role.STRONG), (SPACE, Role.PLAIN)], columns))
    lines.append(fit([("ON THE BAR", Role.STRONG)], columns))
    lines += [fit([(f"  {text}", Role.PLAIN)], columns) for text in timebar.LEGEND]
    lines += [fit([(text, Role.STRONG)], columns) for text in CAUTIONS]
    return [*lines, fit([("any key goes back", Role.DIM)], columns)]


def _last(view: ReplayView, columns: int) -> Line:
    """What is said; else what is wrong; else that one waits; else the keys."""
    if view.message:
        return fit([(view.message, view.message_role)], columns)
    if view.trouble:
        return fit([(view.trouble, Role.UNKNOWN)], columns)
    if view.sought_ns is not None:
        return fit(
            [(f"{timebar.clock(view.sought_ns, view.end_ns)} is shown as soon as it is come to", Role.STRONG)], columns
        )
    return fit([(KEYS, Role.DIM)], columns)
