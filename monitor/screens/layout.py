"""Where everything stands on the operator's screen, at any size. Narrow windows drop detail, never an alarm."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from monitor import quantities as show
from monitor.engine.picture import Picture
from monitor.rig.schema import Rig
from monitor.screens import board, fromabove, views
from monitor.screens.frame import CAUTIONS, Frame, distrust, filled, keys_help, side_by_side
from monitor.screens.ink import Line, Role, fit

_WIDE = 140
"""Columns from where on a window has room for more trends than the rise, and for the checklist."""
_TREND_COLUMNS = 40

KEYS = "space STOP  a seen  z zero  n next  b back  k crib  h shelve  m note  ? help"

HELP: tuple[tuple[str, str], ...] = (
    ("space", "call STOP: at once, on every screen, kept in the recording"),
    ("c", "clear STOP (asks)"),
    ("a", "seen: acknowledge the top alarm that is new"),
    ("z", "zero: measure from here, while the load rests (asks if there is one)"),
    ("n", "next step (asks if the stop is not reached)"),
    ("b", "back one step (asks); after x, takes the plan up again"),
    ("x", "abandon the plan (asks): no step is watched, all else is"),
    ("l", "checklist: up and down choose, enter ticks, any other key goes back"),
    ("i", "a bag is shut and off its hose, or on again; up and down choose"),
    ("u", "a shore's release is held, or it is locked again; up and down choose"),
    ("k", "cribbing is packed, where and as high as shown; the arrows change both"),
    ("h", "shelve the top caution or warning for a minute; a danger never is"),
    ("r", "reset the top alarm that is gone and was seen, but is latched"),
    ("m", "a note into the recording"),
    ("t", "light or dark"),
    ("q", "quit: the watching ends (asks)"),
)


@dataclass
class View(Frame):
    """What a screen shows besides the picture: the last minute, and what it says or asks in its one line."""

    rig: Rig
    recording: str
    history: Sequence[tuple[int, float | None]] = ()
    trends: Mapping[str, Sequence[tuple[int, float | None]]] = field(default_factory=dict)
    """What else has its last minute shown where there is room: "tilt" (rad), and the pressure (Pa) of each bag by its name."""
    trails: Mapping[str, fromabove.Trail] = field(default_factory=dict)
    """Where each stack's head has stood."""
    card: bool = False
    """Whether the card of the start lies over the numbers."""
    told: str = ""
    """What a person has to know of this session besides: how others follow. It stands on the card."""
    item: int | None = None
    """Which item of the checklist is chosen, from 0, while that is shown."""


def alarm_rows(rows: int) -> int:
    """How many lines alarms may take."""
    return 4 if rows < 30 else 6 if rows < 44 else 8


def operator(picture: Picture | None, view: View, columns: int, rows: int) -> list[Line]:
    """The whole screen: exactly `rows` lines of exactly `columns` cells."""
    if picture is None:
        lines = [fit([("waiting for the first picture", Role.PLAIN)], columns)]
        return filled([*lines, *(_card(view.told, columns, rows - 1) if view.card else [])], columns, rows)
    if view.help:
        return filled(_help(picture, view, columns, rows), columns, rows)
    if view.item is not None:
        return filled(_checklist(picture, view, view.item, columns, rows), columns, rows)
    top = _top(picture, view, columns, rows)
    bottom: list[Line] = []
    if rows >= 22:
        bottom += _trends(picture, view, columns, 3 if rows < 30 else 6)
    if rows >= 14:
        bottom.append(board.status(picture, view.recording, columns))
    bottom.append(_keys(picture, view, columns))
    room = max(0, rows - len(top) - len(bottom))
    middle = _card(view.told, columns, room) if view.card else _middle(picture, view, columns, room)
    return filled([*top, *middle], columns, rows - len(bottom)) + bottom


def _card(told: str, columns: int, rows: int) -> list[Line]:
    """What is to be read before anything else, where the numbers will stand; alarms and the step stand above it as ever."""
    words: list[tuple[str, Role]] = [
        ("BEFORE YOU BEGIN", Role.STRONG),
        *((part, Role.STRONG) for part in textwrap.wrap(" ".join(CAUTIONS), max(1, columns - 4))),
        *((part, Role.PLAIN) for line in told.splitlines() for part in textwrap.wrap(line, max(1, columns - 4))),
        ("The space bar calls STOP, now and at any time. ? lists every key.", Role.PLAIN),
        ("Any other key takes this card away.", Role.DIM),
    ]
    lines = [fit([("  ", Role.PLAIN), it], columns) for it in words]
    spaced = [line for it in lines for line in (it, fit([], columns))]
    return ([fit([], columns), *spaced] if len(spaced) < rows else lines)[:rows]


def _trends(picture: Picture, view: View, columns: int, rows: int) -> list[Line]:
    """The rise over the last minute; beside it, in a wide window, the tilt and as many pressures as there is room for."""
    units, now = view.rig.rig.units, picture.time_ns
    beside = list(view.trends.items())[: columns // _TREND_COLUMNS - 1] if columns >= _WIDE else []
    each = columns // (1 + len(beside))
    drawn = views.trend(view.history, now, units, columns - each * len(beside), rows)
    for name, history in beside:
        if name == "tilt":
            part = views.trend(history, now, units, each, rows, name, lambda value, _: show.angle(value), 0.02)
        else:
            part = views.trend(history, now, units, each, rows, name, show.pressure, 1e5)
        drawn = [a + b for a, b in zip(drawn, part, strict=True)]
    return drawn


def _top(picture: Picture, view: View, columns: int, rows: int) -> list[Line]:
    lines: list[Line] = []
    if why := distrust(view):
        lines.append(fit([(why, Role.DANGER)], columns))
    room = min(alarm_rows(rows), max(1, rows - 2))
    lines += filled(board.alarms(picture, columns, room), columns, room)
    return lines + (board.step(picture, columns) if rows >= 8 else [])


def _middle(picture: Picture, view: View, columns: int, rows: int) -> list[Line]:
    """Numbers on the left; rise, side view and cone on the right where there is room."""
    units = view.rig.rig.units
    left_columns = columns if columns < 76 else 48 if columns < 110 else 56
    right_columns = columns - left_columns
    words = [
        *board.bags(picture.stacks, units, left_columns),
        *board.shores(picture.shores, units, left_columns),
        *board.numbers(picture, units, left_columns),
    ]
    if picture.steps and rows > len(words) + len(picture.steps) + 1:
        words += [fit([], left_columns), *board.plan(picture, left_columns)]
    if columns >= _WIDE and rows > len(words) + 3:
        words += [fit([], left_columns), *board.checklist(picture, left_columns, rows - len(words) - 1)]
    if right_columns < 26:
        large = views.rise(picture, units, columns)
        return ([*large, *words] if rows >= len(words) + 3 else words)[:rows]
    right = views.rise(picture, units, right_columns)
    right += _drawings(picture, view, right_columns, rows - len(right))
    return side_by_side(words, right, left_columns, right_columns, rows)


def _drawings(picture: Picture, view: View, columns: int, rows: int) -> list[Line]:
    """The load from the side, and beside it the stack that leans most in its cone; from above too where there is room."""
    if rows < 4:
        return []
    large = rows >= 20 and columns >= 60
    below = rows * 2 // 5 if large else 0
    cone_columns = min(28, max(12, columns * 2 // 5))
    stack = max(picture.stacks, key=lambda it: it.lean_use or 0.0)
    units, wide = view.rig.rig.units, columns - cone_columns - 1
    left = views.side(view.rig, picture, wide, rows - below)
    trail = view.trails.get(stack.name, ())
    right = views.cone(stack, cone_columns, rows - below)
    if large:
        left += fromabove.plan(view.rig, picture, units, wide, below)
        right += fromabove.above(view.rig, stack, trail, units, cone_columns, below)
    gap: Line = [(" ", Role.PLAIN)]
    return [a + gap + b for a, b in zip(left, right, strict=True)]


def _keys(picture: Picture, view: View, columns: int) -> Line:
    """What is said or asked; else what the monitor asks a person; else the keys."""
    if view.message:
        return fit([(view.message, view.message_role)], columns)
    if picture.questions:
        return fit([(picture.questions[0].text, Role.UNKNOWN)], columns)
    return fit([(KEYS, Role.DIM)], columns)


def _checklist(picture: Picture, view: View, chosen: int, columns: int, rows: int) -> list[Line]:
    """Alarms on top as ever; then every item with its mark, scrolled so that the chosen one is seen."""
    lines = _top(picture, view, columns, rows)[: alarm_rows(rows)]
    items = picture.checklist
    still = sum(not it.ticked for it in items)
    head = f"CHECKLIST  {len(items) - still} of {len(items)} ticked" + ("" if still else ": all done")
    lines.append(fit([(head, Role.STRONG)], columns))
    room = max(1, rows - len(lines) - len(CAUTIONS) - 2)
    first = min(max(0, chosen - room // 2), max(0, len(items) - room))
    for i, it in enumerate(items[first : first + room], first):
        mark, who = "[x]" if it.ticked else "[ ]", f" ({it.who})" if it.who else ""
        role = Role.STRONG if i == chosen else Role.PLAIN
        lines.append(fit([(f"{'>' if i == chosen else ' '} {mark} {it.item}{who}", role)], columns))
    lines += [fit([(text, Role.STRONG)], columns) for text in CAUTIONS]
    lines.append(fit([("up and down choose, enter ticks, any other key goes back", Role.DIM)], columns))
    return [*lines, fit([(view.message, view.message_role)], columns)]


def _help(picture: Picture, view: View, columns: int, rows: int) -> list[Line]:
    """Every key and the cautions; alarms on top as many as there is room for, two at least."""
    room = max(2, min(alarm_rows(rows), rows - len(HELP) - len(CAUTIONS) - 2))
    lines = _top(picture, view, columns, rows)[:room]
    return [*lines, *keys_help(HELP, columns)]
