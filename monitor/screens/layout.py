"""Where everything stands on the operator's screen, at any size. Narrow windows drop detail, never an alarm."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from monitor.engine.picture import Picture
from monitor.rig.schema import Rig
from monitor.screens import board, views
from monitor.screens.frame import CAUTIONS, Frame, distrust, filled, keys_help, side_by_side
from monitor.screens.ink import Line, Role, fit

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
    item: int | None = None
    """Which item of the checklist is chosen, from 0, while that is shown."""


def alarm_rows(rows: int) -> int:
    """How many lines alarms may take."""
    return 4 if rows < 30 else 6 if rows < 44 else 8


def operator(picture: Picture | None, view: View, columns: int, rows: int) -> list[Line]:
    """The whole screen: exactly `rows` lines of exactly `columns` cells."""
    if picture is None:
        lines = [fit([("waiting for the first picture", Role.PLAIN)], columns)]
        return filled(lines, columns, rows)
    if view.help:
        return filled(_help(picture, view, columns, rows), columns, rows)
    if view.item is not None:
        return filled(_checklist(picture, view, view.item, columns, rows), columns, rows)
    units = view.rig.rig.units
    top = _top(picture, view, columns, rows)
    bottom: list[Line] = []
    if rows >= 22:
        height = 3 if rows < 30 else 6
        bottom += views.trend(view.history, picture.time_ns, units, columns, height)
    if rows >= 14:
        bottom.append(board.status(picture, view.recording, columns))
    bottom.append(_keys(picture, view, columns))
    middle = _middle(picture, view, columns, max(0, rows - len(top) - len(bottom)))
    return filled([*top, *middle], columns, rows - len(bottom)) + bottom


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
    if right_columns < 26:
        large = views.rise(picture, units, columns)
        return ([*large, *words] if rows >= len(words) + 3 else words)[:rows]
    right = views.rise(picture, units, right_columns)
    right += _drawings(picture, view, right_columns, rows - len(right))
    return side_by_side(words, right, left_columns, right_columns, rows)


def _drawings(picture: Picture, view: View, columns: int, rows: int) -> list[Line]:
    """The load from the side, and beside it the stack that leans most in its cone."""
    if rows < 4:
        return []
    cone_columns = min(28, max(12, columns * 2 // 5))
    stack = max(picture.stacks, key=lambda it: it.lean_use or 0.0)
    side = views.side(view.rig, picture, columns - cone_columns - 1, rows)
    cone = views.cone(stack, cone_columns, rows)
    gap: Line = [(" ", Role.PLAIN)]
    return [a + gap + b for a, b in zip(side, cone, strict=True)]


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
    room = max(1, rows - len(lines) - len(CAUTIONS) - 1)
    first = min(max(0, chosen - room // 2), max(0, len(items) - room))
    for i, it in enumerate(items[first : first + room], first):
        mark, who = "[x]" if it.ticked else "[ ]", f" ({it.who})" if it.who else ""
        role = Role.STRONG if i == chosen else Role.PLAIN
        lines.append(fit([(f"{'>' if i == chosen else ' '} {mark} {it.item}{who}", role)], columns))
    lines += [fit([(text, Role.STRONG)], columns) for text in CAUTIONS]
    lines.append(fit([(view.message or "up and down choose, enter ticks, any other key goes back", Role.DIM)], columns))
    return lines


def _help(picture: Picture, view: View, columns: int, rows: int) -> list[Line]:
    """Every key and the cautions; alarms on top as many as there is room for, two at least."""
    room = max(2, min(alarm_rows(rows), rows - len(HELP) - len(CAUTIONS) - 2))
    lines = _top(picture, view, columns, rows)[:room]
    return [*lines, *keys_help(HELP, columns)]
