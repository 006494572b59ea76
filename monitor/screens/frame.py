"""What stands around every screen's own drawing: what it says in its one line, what is wrong with its pictures, its exact size."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.screens.ink import Line, Role, fit, width

CAUTIONS = (
    "This monitor supports and never replaces a trained safety officer, the makers'",
    "instructions, local rules and licensed practice. It drives no valve.",
    "Nobody goes under a load held by bags alone.",
)


@dataclass(kw_only=True)
class Frame:
    """What a screen shows besides its picture. `message` is its one line; `stopped_s` the age of the picture (s), once that is
    too long; `trouble` why the pictures cannot be trusted, as the feed says, "" while they can."""

    message: str = ""
    message_role: Role = Role.STRONG
    stopped_s: float | None = None
    trouble: str = ""
    help: bool = False


def distrust(frame: Frame) -> str:
    """Why what is drawn may not be what is: one sentence, "" while there is no reason."""
    if frame.trouble or frame.stopped_s is None:
        return frame.trouble
    return f"THE MONITOR HAS STOPPED: no picture for {frame.stopped_s:.0f} s. Hold, and watch the gauges."


def keys_help(keys: tuple[tuple[str, str], ...], columns: int) -> list[Line]:
    """Every key and what it does, and the cautions."""
    lines: list[Line] = [fit([("KEYS", Role.STRONG)], columns)]
    lines += [fit([(f"  {key:<6} ", Role.STRONG), (what, Role.PLAIN)], columns) for key, what in keys]
    lines += [fit([(text, Role.STRONG)], columns) for text in CAUTIONS]
    return [*lines, fit([("any key goes back", Role.DIM)], columns)]


def filled(lines: list[Line], columns: int, rows: int) -> list[Line]:
    """Exactly so many lines, each exactly so wide."""
    out = [line if width(line) == columns else fit(line, columns) for line in lines[:rows]]
    return out + [fit([], columns) for _ in range(rows - len(out))]


def side_by_side(left: list[Line], right: list[Line], left_columns: int, right_columns: int, rows: int) -> list[Line]:
    """Two drawings beside one another."""
    both = zip(filled(left, left_columns, rows), filled(right, right_columns, rows), strict=True)
    return [a + b for a, b in both]
