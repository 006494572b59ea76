"""A season as one page: a chart for each figure, every session a point, medians of months, the trend where there is one.

Nothing in it is fetched from anywhere: it opens without a network, and prints.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime
from html import escape
from statistics import median

from monitor.debrief.figures import shown
from monitor.season.telling import caution, headline, trend_in_words
from monitor.season.view import MONTH_D, Group, Line

_WIDTH, _HEIGHT, _LEFT, _BOTTOM, _TOP = 420, 150, 62, 24, 10
_DAY_S = 86_400.0

_STYLE = """
body { font: 14px/1.4 system-ui, sans-serif; color: #111; background: #fff; margin: 2em auto; max-width: 62em; padding: 0 1em }
h1 { font-size: 1.5em } h2 { font-size: 1.15em; border-top: 2px solid #111; padding-top: .5em; margin-top: 2em }
.charts { display: flex; flex-wrap: wrap; gap: 1em 2em }
figure { margin: 0; width: 420px; break-inside: avoid }
figcaption { font-weight: 600 } figcaption small { display: block; font-weight: 400 }
svg { display: block } .axis { stroke: #777 } .point { fill: #666; fill-opacity: .45 }
.month { stroke: #0a5ea8; fill: none; stroke-width: 2 } .dot { fill: #0a5ea8 }
.trend { stroke: #b3261e; stroke-width: 2; stroke-dasharray: 6 4 } text { font-size: 11px; fill: #333 }
@media print { body { margin: 0; max-width: none } h2 { break-before: auto } a { color: inherit } }
"""


def page(name: str, found: Sequence[Group]) -> str:
    """The whole page."""
    parts = [
        "<!doctype html>",
        '<html lang="en"><head><meta charset="utf-8">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        f"<title>Season {escape(name)}</title><style>{_STYLE}</style></head><body>",
        f"<h1>Season: {escape(name)}</h1>",
        f"<p>Grey: a session. Blue: median of a month. Red, broken: the trend, where it is one. {escape(caution())}</p>",
    ]
    for it in found:
        parts += [f"<h2>{escape(headline(it))}</h2>", '<div class="charts">', *map(_figure, it.lines), "</div>"]
    return "\n".join([*parts, "</body></html>", ""])


def _figure(line: Line) -> str:
    words = trend_in_words(line) or "too few sessions for a trend"
    return (
        f"<figure><figcaption>{escape(line.kind.means)}<small>{escape(line.kind.name)}, {len(line.points)} sessions, median "
        f"{escape(shown(line.median, line.kind.unit))}; {escape(words)}</small></figcaption>{_chart(line)}</figure>"
    )


def _chart(line: Line) -> str:
    begun, ended = line.points[0][0], line.points[-1][0]
    span = max(1.0, (ended - begun).total_seconds() / _DAY_S)
    values = [value for _, value in line.points]
    low, high = min(0.0, *values), max(0.0, *values)
    height = (high - low) or 1.0

    def x(days: float) -> float:
        return _LEFT + (_WIDTH - _LEFT - 8) * days / span

    def y(value: float) -> float:
        return _TOP + (_HEIGHT - _TOP - _BOTTOM) * (high - value) / height

    def day(when: datetime) -> float:
        return (when - begun).total_seconds() / _DAY_S

    points = "".join(f'<circle class="point" cx="{x(day(t)):.1f}" cy="{y(v):.1f}" r="2.5"/>' for t, v in line.points)
    middles = [(day(datetime(year, month, 15, tzinfo=begun.tzinfo)), v) for year, month, v, _ in line.months]
    months = [(x(min(span, max(0.0, days))), y(v)) for days, v in middles]
    path = " ".join(f"{a:.1f},{b:.1f}" for a, b in months)
    dots = "".join(f'<circle class="dot" cx="{a:.1f}" cy="{b:.1f}" r="3"/>' for a, b in months)
    floor = _HEIGHT - _BOTTOM
    return (
        f'<svg viewBox="0 0 {_WIDTH} {_HEIGHT}" width="{_WIDTH}" height="{_HEIGHT}" role="img" '
        f'aria-label="{escape(line.kind.means)}">'
        f'<line class="axis" x1="{_LEFT}" y1="{_TOP}" x2="{_LEFT}" y2="{floor}"/>'
        f'<line class="axis" x1="{_LEFT}" y1="{floor}" x2="{_WIDTH - 8}" y2="{floor}"/>'
        f'<text x="{_LEFT - 6}" y="{_TOP + 8}" text-anchor="end">{escape(shown(high, line.kind.unit))}</text>'
        f'<text x="{_LEFT - 6}" y="{floor}" text-anchor="end">{escape(shown(low, line.kind.unit))}</text>'
        f'<text x="{_LEFT}" y="{_HEIGHT - 6}">{begun:%Y-%m-%d}</text>'
        f'<text x="{_WIDTH - 8}" y="{_HEIGHT - 6}" text-anchor="end">{ended:%Y-%m-%d}</text>'
        f'{points}<polyline class="month" points="{path}"/>{dots}{_trend(line, x, y, span)}</svg>'
    )


def _trend(line: Line, x: Callable[[float], float], y: Callable[[float], float], span: float) -> str:
    """The trend's line, through the median of the sessions at the median of their times (Conover, 1980)."""
    if line.trend is None or not line.said:
        return ""
    days = median((when - line.points[0][0]).total_seconds() / _DAY_S for when, _ in line.points)
    at = [line.median + line.trend.slope * (end - days) / MONTH_D for end in (0.0, span)]
    return f'<line class="trend" x1="{x(0.0):.1f}" y1="{y(at[0]):.1f}" x2="{x(span):.1f}" y2="{y(at[1]):.1f}"/>'
