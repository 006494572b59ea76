"""One widget that draws a whole screen from lines of roles, and redraws only the rows that changed.

A label a number would cost a quarter of a processor core at ten pictures a second; one sheet costs a few hundredths.
"""

from __future__ import annotations

from rich.segment import Segment
from rich.style import Style
from textual.geometry import Region
from textual.strip import Strip
from textual.widget import Widget

from monitor.screens.ink import Line, Role, inks, styles


class Sheet(Widget):
    """Shows lines. `show` takes a new drawing, on light paper by day, on dark by night. `colour`: whether any may be had."""

    DEFAULT_CSS = "Sheet { width: 1fr; height: 1fr; }"

    def __init__(self, *, colour: bool = True) -> None:
        super().__init__()
        self._lines: list[Line] = []
        self._colour, self._day = colour, False
        self._styles: dict[Role, Style] = styles(inks(day=False, colour=colour))

    @property
    def lines(self) -> list[Line]:
        """What is shown."""
        return self._lines

    def show(self, lines: list[Line], *, day: bool) -> None:
        """Show a new drawing."""
        before, self._lines = self._lines, lines
        if turned := day is not self._day:
            self._day, self._styles = day, styles(inks(day=day, colour=self._colour))
        if turned or len(before) != len(lines):
            self.refresh()
            return
        changed = [y for y, (old, new) in enumerate(zip(before, lines, strict=True)) if old != new]
        if changed:
            self.refresh(*(Region(0, y, self.size.width, 1) for y in changed))

    def render_line(self, y: int) -> Strip:
        """One row of the drawing."""
        paper = self._styles[Role.PLAIN]
        line = self._lines[y] if y < len(self._lines) else []
        segments = [Segment(text if text.isprintable() else _shown(text), self._styles[role]) for text, role in line]
        return Strip(segments).adjust_cell_length(self.size.width, paper)


def _shown(text: str) -> str:
    """A text without what a terminal would obey: what people type elsewhere is shown here."""
    return "".join(letter if letter.isprintable() else "·" for letter in text)
