"""Lines of text in roles, and what the roles look like by night and by day.

A drawing is a list of lines, a line a list of (text, role). Colour means trouble and never stands alone: a role that has
one also has its word or mark in the text. Danger, warning, caution and notice wear the colours of ISO 3864 / ANSI Z535.
"""

from __future__ import annotations

from enum import StrEnum

from rich.cells import cell_len, set_cell_size
from rich.style import Style


class Role(StrEnum):
    """What a piece of text is, not what it looks like."""

    PLAIN = "plain"
    DIM = "dim"
    STRONG = "strong"
    UNKNOWN = "unknown"
    DANGER = "danger"
    WARNING = "warning"
    CAUTION = "caution"
    NOTICE = "notice"
    DANGER_SEEN = "danger-seen"
    WARNING_SEEN = "warning-seen"
    CAUTION_SEEN = "caution-seen"
    NOTICE_SEEN = "notice-seen"
    OLD = "old"
    CHOSEN = "chosen"


Piece = tuple[str, Role]
Line = list[Piece]

Ink = tuple[str, str, bool]
"""(foreground, background, bold)"""

NIGHT_PAPER, DAY_PAPER = "#101214", "#f6f6f3"

NIGHT: dict[Role, Ink] = {
    Role.PLAIN: ("#c4c9ce", NIGHT_PAPER, False),
    Role.DIM: ("#8d949b", NIGHT_PAPER, False),
    Role.STRONG: ("#ffffff", NIGHT_PAPER, True),
    Role.UNKNOWN: ("#101214", "#9aa1a8", True),
    Role.DANGER: ("#ffffff", "#b3001b", True),
    Role.WARNING: ("#101214", "#ff8c1a", True),
    Role.CAUTION: ("#101214", "#ffd60a", True),
    Role.NOTICE: ("#ffffff", "#004cb0", True),
    Role.DANGER_SEEN: ("#ff7a7a", NIGHT_PAPER, True),
    Role.WARNING_SEEN: ("#ffab5c", NIGHT_PAPER, False),
    Role.CAUTION_SEEN: ("#ffe45c", NIGHT_PAPER, False),
    Role.NOTICE_SEEN: ("#7cbcff", NIGHT_PAPER, False),
    Role.OLD: ("#7f868d", NIGHT_PAPER, False),
    Role.CHOSEN: (NIGHT_PAPER, "#ffffff", True),
}
DAY: dict[Role, Ink] = {
    Role.PLAIN: ("#202428", DAY_PAPER, False),
    Role.DIM: ("#565d64", DAY_PAPER, False),
    Role.STRONG: ("#000000", DAY_PAPER, True),
    Role.UNKNOWN: ("#ffffff", "#565d64", True),
    Role.DANGER: ("#ffffff", "#b3001b", True),
    Role.WARNING: ("#101214", "#ff8c1a", True),
    Role.CAUTION: ("#101214", "#ffd60a", True),
    Role.NOTICE: ("#ffffff", "#004cb0", True),
    Role.DANGER_SEEN: ("#b3001b", DAY_PAPER, True),
    Role.WARNING_SEEN: ("#b85000", DAY_PAPER, False),
    Role.CAUTION_SEEN: ("#4f4a00", DAY_PAPER, False),
    Role.NOTICE_SEEN: ("#004a9e", DAY_PAPER, False),
    Role.OLD: ("#656c73", DAY_PAPER, False),
    Role.CHOSEN: (DAY_PAPER, "#000000", True),
}

# Where no colour may be had (NO_COLOR) each colour would become a grey as dark as it is, and a new danger the darkest of all, on
# dark paper hardly a ground at all. There the graver stands out the more from its paper, in the four greys of sixteen colours.
_BLACK, _DARK, _LIGHT, _WHITE = "#000000", "#555555", "#a8a8a8", "#ffffff"
NIGHT_GREY: dict[Role, Ink] = NIGHT | {
    Role.UNKNOWN: (_BLACK, _LIGHT, False),
    Role.DANGER: (_BLACK, _WHITE, True),
    Role.WARNING: (_BLACK, _LIGHT, True),
    Role.CAUTION: (_WHITE, _DARK, True),
    Role.NOTICE: (_WHITE, _DARK, False),
    Role.DANGER_SEEN: (_WHITE, NIGHT_PAPER, True),
    Role.WARNING_SEEN: (_WHITE, NIGHT_PAPER, False),
    Role.CAUTION_SEEN: (_LIGHT, NIGHT_PAPER, False),
    Role.NOTICE_SEEN: (_LIGHT, NIGHT_PAPER, False),
}
DAY_GREY: dict[Role, Ink] = DAY | {
    Role.UNKNOWN: (_WHITE, _DARK, False),
    Role.DANGER: (_WHITE, _BLACK, True),
    Role.WARNING: (_WHITE, _DARK, True),
    Role.CAUTION: (_BLACK, _LIGHT, True),
    Role.NOTICE: (_BLACK, _LIGHT, False),
    Role.DANGER_SEEN: (_BLACK, DAY_PAPER, True),
    Role.WARNING_SEEN: (_BLACK, DAY_PAPER, False),
    Role.CAUTION_SEEN: (_DARK, DAY_PAPER, False),
    Role.NOTICE_SEEN: (_DARK, DAY_PAPER, False),
}


def inks(*, day: bool, colour: bool) -> dict[Role, Ink]:
    """What the roles are written in, on light paper or on dark, with colour or without."""
    return (DAY if colour else DAY_GREY) if day else (NIGHT if colour else NIGHT_GREY)


def styles(theme: dict[Role, Ink]) -> dict[Role, Style]:
    """The terminal styles of a theme. What is chosen is underlined where its ground is that of a danger."""
    made = {role: Style(color=fore, bgcolor=back, bold=bold) for role, (fore, back, bold) in theme.items()}
    if made[Role.CHOSEN].bgcolor == made[Role.DANGER].bgcolor:
        made[Role.CHOSEN] += Style(underline=True)
    return made


def width(line: Line) -> int:
    """Cells a line takes."""
    cells = 0
    for text, _ in line:
        cells += len(text) if text.isascii() else cell_len(text)
    return cells


def fit(line: Line, cells: int) -> Line:
    """The line cut or padded to exactly so many cells."""
    out: Line = []
    left = cells
    for text, role in line:
        if left <= 0:
            break
        size = len(text) if text.isascii() else cell_len(text)
        if size > left:
            out.append((set_cell_size(text, left - 1) + "…" if left > 1 else "…", role))
            return out
        out.append((text, role))
        left -= size
    return [*out, (" " * left, Role.PLAIN)] if left else out


def plain(lines: list[Line]) -> str:
    """The text of a drawing, as a terminal without colours shows it."""
    return "\n".join("".join(text for text, _ in line).rstrip() for line in lines)
