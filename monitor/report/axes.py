"""What all charts of a report share: their size, round numbers at their axes, and one axis of time with its steps and alarms."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from html import escape
from math import ceil, floor, log10

from monitor.engine.picture import Priority

WIDE, LEFT, RIGHT, TOP, BOTTOM = 680.0, 54.0, 96.0, 22.0, 22.0
"""A chart's width and margins, in its own units, as drawing.py has them."""
LETTERS = {Priority.DANGER: "D", Priority.WARNING: "W", Priority.CAUTION: "C", Priority.NOTICE: "n"}
_TICKS_S = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 43200)
_NUMBER = 12.0
"""Room that the number of a step takes across."""


@dataclass(frozen=True, slots=True)
class Scale:
    """How SI becomes what is written at an axis: `factor` times it, in `unit`; `least` is the least that an axis goes up to, so
    that noise is not drawn as if it were a motion."""

    factor: float
    unit: str
    least: float


@dataclass(frozen=True, slots=True)
class Times:
    """The axis of time: its end (ns), when steps began (with their numbers), and alarms from when to when."""

    end_ns: int
    steps: tuple[tuple[int, str], ...] = ()
    alarms: tuple[tuple[int, int, Priority], ...] = ()

    def x(self, time_ns: float) -> float:
        """Where a time stands across a chart."""
        return LEFT + (WIDE - LEFT - RIGHT) * min(1.0, max(0.0, time_ns / max(1, self.end_ns)))

    def axis(self, y: float) -> Iterator[str]:
        """The axis at a height, with round times under it."""
        yield f'<line class="axis" x1="{LEFT:.0f}" y1="{y:.1f}" x2="{WIDE - RIGHT:.0f}" y2="{y:.1f}"/>'
        whole_s = max(1.0, self.end_ns * 1e-9)
        step_s = next((it for it in _TICKS_S if whole_s / it <= 8.0), ceil(whole_s / 8.0))
        for at_s in range(0, int(whole_s) + 1, step_s):
            x = self.x(at_s * 1e9)
            yield f'<line class="axis" x1="{x:.1f}" y1="{y:.1f}" x2="{x:.1f}" y2="{y + 4:.1f}"/>'
            yield f'<text x="{x:.1f}" y="{y + 16:.1f}" text-anchor="middle">{_round_clock(at_s, whole_s)}</text>'

    def behind(self, y: float) -> Iterator[str]:
        """What happened, behind the lines of a chart whose foot is at a height: dangers, warnings, and where steps began."""
        for from_ns, to_ns, priority in sorted(self.alarms, key=lambda it: it[2]):
            if priority >= Priority.WARNING:
                x = self.x(from_ns)
                wide = max(1.5, self.x(to_ns) - x)
                yield (
                    f'<rect class="field {priority.word}" x="{x:.1f}" y="{TOP:.1f}" width="{wide:.1f}"'
                    f' height="{y - TOP:.1f}"/><text class="letter" x="{x + 2:.1f}" y="{TOP + 11:.1f}">{LETTERS[priority]}</text>'
                )
        free = 0.0
        for at_ns, number in self.steps:
            x = self.x(at_ns)
            yield f'<line class="step" x1="{x:.1f}" y1="{TOP - 6:.1f}" x2="{x:.1f}" y2="{y:.1f}"/>'
            if x >= free:
                yield f'<text class="number" x="{x + 2:.1f}" y="{TOP - 8:.1f}">{escape(number)}</text>'
                free = x + _NUMBER


def round_numbers(low: float, high: float) -> list[float]:
    """Numbers as one counts in (1, 2, 2.5 or 5 times a power of ten), four or five of them, the outermost beyond both."""
    wide = max(high - low, 1e-6)
    power = 10.0 ** floor(log10(wide / 4.0))
    step = next(power * it for it in (1.0, 2.0, 2.5, 5.0, 10.0, 20.0) if wide / (power * it) <= 5.0)
    first = floor(low / step + 1e-9)
    last = max(first + 1, ceil(high / step - 1e-9))
    return [step * i for i in range(first, last + 1)]


def number(value: float, apart: float) -> str:
    """A number at an axis whose numbers lie so far apart, to as many places as they need."""
    places = next((n for n in range(6) if abs(apart * 10**n - round(apart * 10**n)) < 1e-6), 6)
    text = f"{value:.{places}f}"
    return "0" if float(text) == 0.0 else text.replace("-", "−")


def _round_clock(at_s: int, whole_s: float) -> str:
    minutes, seconds = divmod(at_s, 60)
    if whole_s >= 3600.0:
        return f"{minutes // 60}:{minutes % 60:02d}:{seconds:02d}"
    return f"{minutes}:{seconds:02d}"
