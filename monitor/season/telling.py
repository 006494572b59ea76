"""The body of `inchwatch season`: the trends of a season as text with small charts, as JSON, or as a page to print."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

import orjson

from monitor.debrief.figures import shown
from monitor.season.kept import replaced
from monitor.season.table import TableError, read
from monitor.season.trend import FEWEST
from monitor.season.view import Group, Line, groups, known_figures
from monitor.season.view import as_json as plain

_BARS = "▁▂▃▄▅▆▇█"
_WIDEST = 24
_ENDINGS = (".html", ".htm")
"""What a page is called; so it never takes the place of a season or a recording."""


def season(file: str, *, by: str, figures: Sequence[str], as_json: bool, html: str | None) -> int:
    """Print it; returns the exit code: 1 if the file is no season or the page cannot be written, 2 if the call is wrong."""
    if html is not None and Path(html).suffix.lower() not in _ENDINGS:
        print(f"inchwatch season: {html}: a page ends in {' or '.join(_ENDINGS)}", file=sys.stderr)
        return 2
    try:
        found = groups(read(Path(file)), by, known_figures(figures))
        if html is not None:
            from monitor.season.page import page

            made = page(Path(file).name, found)
            replaced(Path(html), lambda path: path.write_text(made, encoding="utf-8"))
    except TableError as error:
        print(f"inchwatch season: {error}", file=sys.stderr)
        return 1
    except ValueError as error:
        print(f"inchwatch season: {error}", file=sys.stderr)
        return 2
    except ImportError as error:
        print(f"inchwatch season: found no {error.name}; allowed is: pip install 'inchwatch[tables]'", file=sys.stderr)
        return 2
    except OSError as error:
        print(f"inchwatch season: {html}: {error.strerror}", file=sys.stderr)
        return 1
    print(orjson.dumps(plain(found)).decode() if as_json else in_words(found))
    return 0


def in_words(found: Sequence[Group]) -> str:
    """A season for a person, a line a figure."""
    said: list[str] = []
    for it in found:
        said += [headline(it), *(_in_words(line) for line in it.lines)]
    said.append("Bars are medians of a month, the lowest to the highest. (n): so many sessions.")
    said.append(caution())
    return "\n".join(said)


def headline(it: Group) -> str:
    """A group in one line."""
    when = f", {it.first:%Y-%m-%d} to {it.last:%Y-%m-%d}" if it.first and it.last else ""
    more = [f"{it.sessions - it.judged} not judged"] if it.sessions > it.judged else []
    more += [f"{it.damaged} damaged"] if it.damaged else []
    more += [f"{it.copies} cop{'y' if it.copies == 1 else 'ies'} of the same bytes, counted once"] if it.copies else []
    more += [f"{it.undated} without a date, left out"] if it.undated else []
    return f"{it.name}: {it.sessions} session{'s' * (it.sessions != 1)}{when}" + (
        f" ({', '.join(more)})" if more else ""
    )


def caution() -> str:
    """What nobody should forget about a trend."""
    return (
        f"A trend is Theil's and Sen's slope a month with 95 % bounds, from {FEWEST} sessions on; called one where chance makes as "
        "clear a one in less than one season of twenty. It is no cause: other loads, rigs and weather look the same."
    )


def _in_words(line: Line) -> str:
    value = shown(line.median, line.kind.unit)
    return f"  {line.kind.name:<20} {spark(line):<{_WIDEST}} {value:>10} ({len(line.points)})  {trend_in_words(line)}".rstrip()


def trend_in_words(line: Line) -> str:
    """The trend of a line, or that there is none that chance would not make."""
    found = line.trend
    if found is None:
        return ""
    slope, low, high = (per_month(it, line.kind.unit) for it in (found.slope, found.low, found.high))
    if not line.said:
        return "no trend beyond chance"
    return f"{line.word}, {slope} a month ({low} to {high}), p {found.p:.2g}"


def per_month(value: float, unit: str) -> str:
    """A slope's share of a month, in small units where it is small."""
    small = {
        "m": ("mm", 1e3),
        "m/s": ("mm/s", 1e3),
        "rad": ("mrad", 1e3),
        "N": ("kN", 1e-3),
        "Pa": ("kPa", 1e-3),
        "1": ("%", 1e2),
    }
    name, scale = small.get(unit, (unit if unit == "s" else "", 1.0))
    return f"{value * scale:+.2g} {name}".rstrip()


def spark(line: Line) -> str:
    """The medians of the months as bars; the newest where there are many."""
    values = [value for _, _, value, _ in line.months][-_WIDEST:]
    low, high = min(values), max(values)
    if high == low:
        return _BARS[3] * len(values)
    return "".join(_BARS[round((value - low) / (high - low) * (len(_BARS) - 1))] for value in values)
