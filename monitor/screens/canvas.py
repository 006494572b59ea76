"""Drawing with dots: a grid of braille cells (2 by 4 dots each) in world coordinates, and large letters."""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache
from math import ceil, cos, pi, sin

from monitor.screens.ink import Line, Role

_DOTS = ((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80))
"""Bits of the Unicode braille block by row and column within a cell."""


class Canvas:
    """A drawing of `columns` by `rows` cells. World x runs right, y up; `view` sets what is seen."""

    def __init__(self, columns: int, rows: int, view: tuple[float, float, float, float]) -> None:
        self.columns, self.rows = columns, rows
        self._x0, self._y0, x1, y1 = view
        self.dots_x, self.dots_y = columns * 2, rows * 4
        self.scale_x = (self.dots_x - 1) / max(1e-9, x1 - self._x0)
        self.scale_y = (self.dots_y - 1) / max(1e-9, y1 - self._y0)
        self._bits = [[0] * columns for _ in range(rows)]
        self._roles = [[Role.PLAIN] * columns for _ in range(rows)]
        self._texts: list[tuple[int, int, str, Role]] = []

    def _place(self, x: float, y: float) -> tuple[int, int]:
        return round((x - self._x0) * self.scale_x), self.dots_y - 1 - round((y - self._y0) * self.scale_y)

    def _dot(self, px: int, py: int, role: Role) -> None:
        if 0 <= px < self.dots_x and 0 <= py < self.dots_y:
            row, column = py // 4, px // 2
            self._bits[row][column] |= _DOTS[py % 4][px % 2]
            self._roles[row][column] = role

    def line(self, x0: float, y0: float, x1: float, y1: float, role: Role = Role.PLAIN, every: int = 1) -> None:
        """A straight line, of every dot or of every n-th."""
        self._stroke(*self._place(x0, y0), *self._place(x1, y1), role, every)

    def _stroke(self, ax: int, ay: int, bx: int, by: int, role: Role, every: int) -> None:
        """A straight line from dot to dot."""
        steps = max(abs(bx - ax), abs(by - ay), 1)
        wide, high, bits, roles = self.dots_x, self.dots_y, self._bits, self._roles
        first, last = _within(ax, bx, wide, steps), _within(ay, by, high, steps)
        start, end = max(first[0], last[0]), min(first[1], last[1])
        start += -start % every
        if (
            ay == by and ax != bx and start <= end
        ):  # along a row, as most lines: every dot of it lies in one row of cells
            cells, inks, dots, way = bits[ay >> 2], roles[ay >> 2], _DOTS[ay & 3], 1 if bx >= ax else -1
            for px in range(ax + start * way, ax + (end + 1) * way, every * way):
                if 0 <= px < wide:
                    cells[px >> 1] |= dots[px & 1]
                    inks[px >> 1] = role
            return
        for i in range(start, end + 1, every):  # the dots of `_dot`, without a call for each: most of a screen's work
            px, py = round(ax + (bx - ax) * i / steps), round(ay + (by - ay) * i / steps)
            if 0 <= px < wide and 0 <= py < high:
                bits[py >> 2][px >> 1] |= _DOTS[py & 3][px & 1]
                roles[py >> 2][px >> 1] = role

    def graph(self, points: Iterable[tuple[float, float | None]], role: Role = Role.PLAIN) -> None:
        """Points joined from each to the next, with a gap where one is None.

        The same dots as by lines; points above one another are drawn as one stroke, however many they are.
        """
        column: tuple[int, int, int, int] | None = None
        """Where the last points lie: across, lowest, highest and last dot."""
        left, low, across, up, foot = self._x0, self._y0, self.scale_x, self.scale_y, self.dots_y - 1
        for x, y in points:
            if y is None:
                self._column(column, role)
                column = None
                continue
            px, py = round((x - left) * across), foot - round((y - low) * up)  # as `_place`, without a call for each
            if column is not None and column[0] == px:
                column = px, min(column[1], py), max(column[2], py), py
                continue
            self._column(column, role)
            if column is not None:
                self._stroke(column[0], column[3], px, py, role, 1)
            column = px, py, py, py
        self._column(column, role)

    def _column(self, column: tuple[int, int, int, int] | None, role: Role) -> None:
        if column is not None:
            for py in range(column[1], column[2] + 1):
                self._dot(column[0], py, role)

    def ring(self, x: float, y: float, radius: float, role: Role = Role.PLAIN, every: int = 1) -> None:
        """A circle, of every dot or of every n-th; an ellipse where the two scales differ."""
        around = 2.0 * pi * radius * max(self.scale_x, self.scale_y)
        steps = max(8, min(2000, ceil(around))) // every
        for across, up in _around(steps):
            self._dot(*self._place(x + radius * across, y + radius * up), role)

    def dot(self, x: float, y: float, role: Role = Role.PLAIN) -> None:
        """One dot."""
        self._dot(*self._place(x, y), role)

    def text(self, x: float, y: float, text: str, role: Role = Role.DIM) -> None:
        """A word that begins in the cell of a point, moved left where it would run out of the drawing."""
        px, py = self._place(x, y)
        column = max(0, min(px // 2, self.columns - len(text)))
        self._texts.append((max(0, min(self.rows - 1, py // 4)), column, text, role))

    def lines(self) -> list[Line]:
        """The drawing, one line a row."""
        texts: dict[int, list[tuple[int, str, Role]]] = {}
        for row, column, text, role in self._texts:
            texts.setdefault(row, []).append((column, text, role))
        return [self._row(y, texts.get(y, ())) for y in range(self.rows)]

    def _row(self, y: int, texts: Iterable[tuple[int, str, Role]]) -> Line:
        if not texts and not any(self._bits[y]):
            return [(" " * self.columns, Role.PLAIN)]
        row = zip(self._bits[y], self._roles[y], strict=True)
        cells = [(chr(0x2800 + bits) if bits else " ", role) for bits, role in row]
        for column, text, role in texts:
            for i, letter in enumerate(text[: self.columns - column]):
                cells[column + i] = (letter, role)
        return _joined(cells)


def _within(a: int, b: int, size: int, steps: int) -> tuple[int, int]:
    """(first, last) of the steps from dot `a` to dot `b` that may lie in a drawing of `size` dots: what ends far outside, as a
    way at a speed that cannot be, must not be walked dot by dot."""
    if a == b:
        return (0, steps) if 0 <= a < size else (1, 0)
    at = sorted(((-1 - a) * steps // (b - a), (size - a) * steps // (b - a)))
    return max(0, at[0] - 1), min(steps, at[1] + 1)


@lru_cache(64)
def _around(steps: int) -> tuple[tuple[float, float], ...]:
    """Points of the unit circle, so many of them."""
    return tuple((cos(2.0 * pi * i / steps), sin(2.0 * pi * i / steps)) for i in range(steps))


def _joined(cells: list[tuple[str, Role]]) -> Line:
    """Neighbouring cells of one role as one piece."""
    out: Line = []
    piece, last = "", None
    for text, role in cells:
        if last is role or text == " ":
            piece += text
            last = last or role
        else:
            if last is not None:
                out.append((piece, last))
            piece, last = text, role
    return [*out, (piece, last)] if last is not None else out


_LARGE = {
    "0": ("█▀█", "█ █", "▀▀▀"),
    "1": ("▀█ ", " █ ", "▀▀▀"),
    "2": ("▀▀█", "█▀▀", "▀▀▀"),
    "3": ("▀▀█", " ▀█", "▀▀▀"),
    "4": ("█ █", "▀▀█", "  ▀"),
    "5": ("█▀▀", "▀▀█", "▀▀▀"),
    "6": ("█▀▀", "█▀█", "▀▀▀"),
    "7": ("▀▀█", "  █", "  ▀"),
    "8": ("█▀█", "█▀█", "▀▀▀"),
    "9": ("█▀█", "▀▀█", "▀▀▀"),
    "-": ("   ", "▀▀▀", "   "),
    ".": (" ", " ", "▀"),
    "/": (" █", "▄▀", "█ "),
    " ": ("   ", "   ", "   "),
    "\N{THIN SPACE}": (" ", " ", " "),
    "?": ("▀▀█", " ▀▀", " ▀ "),
    "A": ("█▀█", "█▀█", "▀ ▀"),
    "B": ("█▀▄", "█▀▄", "▀▀ "),
    "C": ("█▀▀", "█  ", "▀▀▀"),
    "D": ("█▀▄", "█ █", "▀▀ "),
    "E": ("█▀▀", "█▀▀", "▀▀▀"),
    "G": ("█▀▀", "█ █", "▀▀▀"),
    "I": ("█", "█", "▀"),
    "L": ("█  ", "█  ", "▀▀▀"),
    "M": ("█▄ ▄█", "█ ▀ █", "▀   ▀"),
    "N": ("█▄ █", "█ ▀█", "▀  ▀"),
    "O": ("█▀█", "█ █", "▀▀▀"),
    "P": ("█▀█", "█▀▀", "▀  "),
    "R": ("█▀█", "█▀▄", "▀ ▀"),
    "S": ("█▀▀", "▀▀█", "▀▀▀"),
    "T": ("▀█▀", " █ ", " ▀ "),
    "U": ("█ █", "█ █", "▀▀▀"),
    "W": ("█ █ █", "█ █ █", "▀▀▀▀▀"),
    "Z": ("▀▀█", "▄▀ ", "▀▀▀"),
}
_HALVES = {" ": (False, False), "▀": (True, False), "▄": (False, True), "█": (True, True)}
_OF_HALVES = {halves: letter for letter, halves in _HALVES.items()}


@lru_cache(256)
def large(text: str, size: int = 1) -> tuple[str, ...]:
    """Digits, point, stroke, minus, space and the letters of the signal words, three rows high; five at size 2, eight at size 3."""
    rows = [" ".join(_LARGE[letter][row] for letter in text) for row in range(3)]
    return tuple(rows) if size == 1 else _grown(rows, size)


def _grown(rows: list[str], size: int) -> tuple[str, ...]:
    """Every half cell `size` times as wide and as high."""
    dots = [[_HALVES[cell][half] for cell in row for _ in range(size)] for row in rows for half in (0, 1)][:5]
    tall = [row for row in dots for _ in range(size)]
    if len(tall) % 2:
        tall.append([False] * len(tall[0]))
    pairs = zip(tall[::2], tall[1::2], strict=True)
    return tuple("".join(_OF_HALVES[both] for both in zip(top, bottom, strict=True)) for top, bottom in pairs)
