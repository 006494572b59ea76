"""Where everything stands on the safety officer's screen, at any size. Narrow windows drop detail, never an alarm.

On top what is gravest, in letters to be read from two metres, and the other alarms with their ages. Beneath, on the left, the
fall and what stands between it and somebody; on the right the stacks from above.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from monitor.engine.picture import Picture, StackPicture
from monitor.rig.schema import Rig
from monitor.screens import board, fromabove, hazards, views
from monitor.screens.frame import Frame, distrust, filled, keys_help, side_by_side
from monitor.screens.ink import Line, Role, fit

KEYS = "space STOP  up/down what an alarm means  t light  ? help  q quit"

HELP: tuple[tuple[str, str], ...] = (
    ("space", "call STOP: at once, on every screen; then its reason may be typed"),
    ("down", "choose an alarm, and read what it means; up goes back up, escape leaves"),
    ("t", "light or dark"),
    ("q", "quit: this screen ends (asks); the operator's goes on"),
)


_STACK_COLUMNS = 19
"""Columns in which a stack can be told from above."""
_TREND_ROWS = 4
_FALL_ROWS = 6
"""Rows that the fall takes with the smallest of the large digits: nothing else comes before it."""


@dataclass
class SafetyView(Frame):
    """What the screen shows besides the picture. `trails`: where each stack's head stood. `chosen`: the alarm whose meaning is
    shown, from 0. `called_s`: how long ago STOP was called here, while it has not been seen to stand; `call`: what became of
    it, as the link says. `old_s`: age of the picture (s)."""

    rig: Rig
    recording: str
    trails: Mapping[str, fromabove.Trail] = field(default_factory=dict)
    falls: Sequence[tuple[int, float | None]] = ()
    """The fall over the last minute: (time in ns, m)."""
    chosen: int | None = None
    called_s: float | None = None
    call: str = ""
    old_s: float = 0.0
    back: str = ""
    """What escape goes back to, if anything."""


def safety(picture: Picture | None, view: SafetyView, columns: int, rows: int) -> list[Line]:
    """The whole screen: exactly `rows` lines of exactly `columns` cells."""
    tall = 3 if rows >= 16 else 1 if rows < 8 else 2
    called = _called(view, columns)
    if picture is None:
        return [*filled([*_nothing_yet(view, columns, tall), *called], columns, rows - 1), _last(view, columns)]
    doubt = distrust(view)
    standing = len(board.announced(picture))
    room_for = columns - bool(doubt)  # what is old has a line down its left edge
    besides = None if doubt else hazards.in_band(picture)
    chosen = besides is not None and view.chosen == besides
    lines = _doubtful(doubt, view, columns, tall) if doubt else hazards.gravest(picture, columns, tall, chosen)
    lines += called
    room = max(1, rows - len(lines) - (1 if rows < 8 else 2))
    want = 2 if rows < 20 else 3 if rows < 30 else 5 if rows < 44 else 7
    count = min(room, want, max(0, standing - (besides is not None)))
    below = hazards.listed(picture, besides, room_for, count, view.chosen)
    below += filled([], room_for, min(room, want) - len(below))
    bottom: list[Line] = []
    if rows >= 10:
        name = f"{picture.rig}  "
        bottom.append([(name, Role.STRONG), *board.status(picture, view.recording, max(1, room_for - len(name)))])
    if view.help:
        below += keys_help(HELP, room_for)
    else:
        below += _body(picture, view, room_for, max(0, rows - len(lines) - len(below) - len(bottom) - 1))
    middle = [*below, *bottom]
    lines += hazards.greyed(middle, columns) if doubt else middle
    return [*filled(lines, columns, rows - 1), _last(view, columns)]


def _nothing_yet(view: SafetyView, columns: int, tall: int) -> list[Line]:
    why = view.trouble or "no picture has come yet"
    return hazards.band(
        "WAITING", [f"{view.rig.rig.name}: {why}", "NOTHING IS WATCHED HERE"], Role.UNKNOWN, columns, tall
    )


def _doubtful(doubt: str, view: SafetyView, columns: int, tall: int) -> list[Line]:
    """The band over numbers that are old."""
    say = f"ALL BELOW IS {hazards.span(view.old_s)} OLD: WATCH THE LOAD"
    return hazards.band("OLD", [doubt, say], Role.DANGER, columns, tall)


def _called(view: SafetyView, columns: int) -> list[Line]:
    """What became of the STOP that was called here, until it is seen to stand."""
    if view.called_s is None:
        return [fit([(view.call, Role.STRONG)], columns)] if view.call else []
    since = hazards.span(view.called_s)
    if view.called_s >= 1.0:
        why = view.call.removesuffix(": shout") or "STOP NOT HEARD"
        said = f"SHOUT, AND SPACE AGAIN ({since}): {why}"
    else:
        said = f"STOP CALLED HERE {since} ago: waiting for the operator's monitor" + (
            f" ({view.call})" if view.call else ""
        )
    return [fit([(f" {said} ", Role.UNKNOWN)], columns)]


def _last(view: SafetyView, columns: int) -> Line:
    if view.message:
        return fit([(view.message, view.message_role)], columns)
    return fit([((f"escape {view.back}  " if view.back else "") + KEYS, Role.DIM)], columns)


def _body(picture: Picture, view: SafetyView, columns: int, rows: int) -> list[Line]:
    """The fall and what stands against it; the stacks from above; or what the chosen alarm means."""
    told: list[Line] = []
    standing = board.announced(picture)
    if view.chosen is not None and view.chosen < len(standing):
        told = hazards.guidance(standing[view.chosen], columns)[:rows]
    rows -= len(told)
    if columns < 76:
        return told + _words(picture, view, columns, rows, alone=True)
    left = 40 if columns < 100 else columns * 9 // 20
    right = columns - left - 1
    words = _words(picture, view, left, rows, alone=False)
    return told + side_by_side(words, _from_above(picture, view, right, rows), left + 1, right, rows)


def _words(picture: Picture, view: SafetyView, columns: int, rows: int, *, alone: bool) -> list[Line]:
    """The fall as large as there is room for; then line by line, what matters most first. `alone`: no drawing beside it says how
    the stack that is worst leans."""
    rig = view.rig
    small = (
        [line for it in _worst(picture)[:1] for line in fromabove.whither(it, rig.rig.units, columns)[:1]]
        if alone
        else []
    )
    shores = hazards.shores(rig, picture, 1 if rows < 18 else 2 if rows < 26 else 4)
    unseen = hazards.unseen(picture, 1 if rows < 16 else 2 if rows < 20 else 4 if rows < 30 else 7)
    rest = [hazards.over(rig, picture), hazards.motion(rig, picture), hazards.working(picture)]
    below = [*small, *shores, *unseen, *rest][: max(0, rows - _FALL_ROWS)]
    old = hazards.span(view.old_s) if distrust(view) else ""
    fall = hazards.fall(rig, picture, columns, rows - len(below), old)
    spare = rows - len(fall) - len(below)
    if spare >= _TREND_ROWS + 2 and columns >= 40:
        trend = views.trend(view.falls, picture.time_ns, rig.rig.units, columns, min(spare - 2, 8), "fall")
        below += [[], *trend]
    return filled([*fall, *[[] for _ in range(min(1, spare))], *below], columns, rows)


def _worst(picture: Picture) -> list[StackPicture]:
    """The stacks, the one nearest to the edge of its ring first; one whose lean is not known before all."""
    return sorted(picture.stacks, key=lambda it: -9.0 if it.lean_use is None else -it.lean_use)


def _from_above(picture: Picture, view: SafetyView, columns: int, rows: int) -> list[Line]:
    """As many stacks from above as there is room for, the worst of them in the rig's order; the load's plan where there is more."""
    rig, units = view.rig, view.rig.rig.units
    plan_rows = 0 if rows < 24 else min(rows // 3, 16)
    height = rows - plan_rows
    most = max(1, columns // _STACK_COLUMNS)
    shown = {it.name for it in _worst(picture)[:most]}
    stacks = [it for it in picture.stacks if it.name in shown]
    each = columns // len(stacks) if stacks else columns
    drawn: list[Line] = [[] for _ in range(height)]
    for i, stack in enumerate(stacks):
        wide = each if i < len(stacks) - 1 else columns - each * (len(stacks) - 1)
        part = fromabove.above(rig, stack, view.trails.get(stack.name, ()), units, wide - (i < len(stacks) - 1), height)
        part = filled(part, wide, height)
        drawn = [a + b for a, b in zip(drawn, part, strict=True)]
    left_out = [it.name for it in picture.stacks if it.name not in shown]
    if left_out and height > 3:
        drawn[0] = fit([(f"not drawn, less near: {', '.join(left_out)}", Role.DIM)], columns)
    return [*drawn, *(fromabove.plan(rig, picture, units, columns, plan_rows) if plan_rows else [])]
