"""What a season's rows come to: for each rig or folder, each figure over time by month, and its trend. Pure.

A trend is called one only if chance would show as clear a one in less than one season in twenty, all trends of the season asked for
together (Holm, Scand. J. Statist. 6, 1979, 65): many figures looked at make some of them go up by chance.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from statistics import median
from typing import Any

from monitor.debrief.figures import KINDS, WHOLE, Kind
from monitor.encode import Json
from monitor.season.trend import FEWEST, Trend, trend

USUAL = (
    "plan.took_s",
    "plan.early",
    "order.faults",
    "rise.greatest_m",
    "rise.fastest_m_s",
    "tilt.greatest_rad",
    "lean.greatest_use",
    "gap.greatest_m",
    "gap.over_s",
    "capture.risen_m",
    "fall.raising_m",
    "danger.count",
    "danger.seen_s",
    "warning.count",
    "stop.after_danger_s",
    "sensors.not_ok_s",
)
"""What is shown unless others are asked for."""
_CHANCE = 0.05
_DAY_S, MONTH_D = 86_400.0, 30.4375
"""A month is a twelfth of a year of 365.25 days."""


@dataclass(frozen=True, slots=True)
class Line:
    """One figure of one group. `points`: (when, value) of each session in which it is known; `months`: (year, month, median, how
    many); `trend`: a month; `said`: whether it is one, and not chance."""

    kind: Kind
    points: tuple[tuple[datetime, float], ...]
    months: tuple[tuple[int, int, float, int], ...]
    trend: Trend | None
    said: bool = False

    @property
    def median(self) -> float:
        """Of all sessions."""
        return median(value for _, value in self.points)

    @property
    def word(self) -> str:
        """Which way it goes, and whether that is good: "falls: better"; "" for no trend."""
        if not self.said or self.trend is None:
            return ""
        way = "rises" if self.trend.slope > 0.0 else "falls" if self.trend.slope < 0.0 else "changes"
        if not self.kind.better or way == "changes":
            return way
        good = (self.kind.better == "more") is (way == "rises")
        return f"{way}: {'better' if good else 'worse'}"


@dataclass(frozen=True, slots=True)
class Group:
    """The sessions of one rig or folder. `judged` of `sessions` have figures; `undated` of those say not when they were made, and
    count in no line. `copies`: so many rows more are of the same bytes as one of these, and count nowhere."""

    name: str
    sessions: int
    copies: int
    judged: int
    damaged: int
    undated: int
    first: datetime | None
    last: datetime | None
    lines: tuple[Line, ...]


def groups(rows: Sequence[dict[str, Any]], by: str, names: Sequence[str]) -> list[Group]:
    """The groups of a season, by name. `by`: "rig", "folder" or "all"."""
    sorted_out: dict[str, list[dict[str, Any]]] = {}
    for row in rows:
        name = "all" if by == "all" else row[by] or ("no rig: not judged" if by == "rig" else "")
        sorted_out.setdefault(name, []).append(row)
    found = [_group(name, its, names) for name, its in sorted(sorted_out.items())]
    return _tested(found)


def _once(rows: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """The rows without those of the same bytes as another: one session that is kept twice. Of these one that was judged is left."""
    found: dict[Any, dict[str, Any]] = {}
    for at, row in enumerate(rows):
        its = row.get("sha256") or at  # what could not be read is like nothing else
        if its not in found or (found[its]["trouble"] is not None and row["trouble"] is None):
            found[its] = row
    return list(found.values())


def _group(name: str, every: Sequence[dict[str, Any]], names: Sequence[str]) -> Group:
    rows = _once(every)
    judged = [row for row in rows if row["trouble"] is None]
    dated = sorted((row for row in judged if row["started"] is not None), key=lambda row: row["started"])
    return Group(
        name=name,
        sessions=len(rows),
        copies=len(every) - len(rows),
        judged=len(judged),
        damaged=sum(row["damage"] is not None for row in judged),
        undated=len(judged) - len(dated),
        first=dated[0]["started"] if dated else None,
        last=dated[-1]["started"] if dated else None,
        lines=tuple(line for it in names if (line := _line(KINDS[it], dated)) is not None),
    )


def _line(kind: Kind, rows: Sequence[dict[str, Any]]) -> Line | None:
    points = [(row["started"], row[kind.name]) for row in rows if row.get(kind.name) is not None]
    if not points:
        return None
    months: dict[tuple[int, int], list[float]] = {}
    for when, value in points:
        months.setdefault((when.year, when.month), []).append(value)
    found = None
    if len(points) >= FEWEST:
        begun = points[0][0]
        found = trend([(when - begun).total_seconds() / _DAY_S / MONTH_D for when, _ in points], [v for _, v in points])
    by_month = tuple((year, month, median(values), len(values)) for (year, month), values in months.items())
    return Line(kind, tuple(points), by_month, found)


def _tested(found: list[Group]) -> list[Group]:
    """The groups with the trends that are no chance marked as such (Holm 1979, over all that were looked for)."""
    from dataclasses import replace

    tests = sorted(
        (line.trend.p, g, k) for g, it in enumerate(found) for k, line in enumerate(it.lines) if line.trend is not None
    )
    said: set[tuple[int, int]] = set()
    for rank, (p, g, k) in enumerate(tests):
        if p > _CHANCE / (len(tests) - rank):
            break
        said.add((g, k))
    return [
        replace(it, lines=tuple(replace(line, said=(g, k) in said) for k, line in enumerate(it.lines)))
        for g, it in enumerate(found)
    ]


def known_figures(names: Sequence[str]) -> list[str]:
    """The names asked for, or the usual ones. Raises ValueError with one sentence for one that is none."""
    allowed = [kind.name for kind in WHOLE]
    for name in names:
        if name not in allowed:
            raise ValueError(f"--figure: found '{name}', allowed is one of {', '.join(allowed)}")
    return list(dict.fromkeys(names)) or list(USUAL)


def as_json(found: Sequence[Group]) -> Json:
    """For programs: values in SI, a slope a month."""
    return {
        "groups": [
            {
                "name": it.name,
                "sessions": it.sessions,
                "copies": it.copies,
                "judged": it.judged,
                "damaged": it.damaged,
                "undated": it.undated,
                "first": it.first.isoformat() if it.first else None,
                "last": it.last.isoformat() if it.last else None,
                "figures": [_as_json(line) for line in it.lines],
            }
            for it in found
        ]
    }


def _as_json(line: Line) -> Json:
    found = line.trend
    return {
        "figure": line.kind.name,
        "unit": line.kind.unit,
        "sessions": len(line.points),
        "median": line.median,
        "months": [
            {"month": f"{year:04d}-{month:02d}", "median": value, "sessions": n}
            for year, month, value, n in line.months
        ],
        "trend": None
        if found is None
        else {"a_month": found.slope, "low": found.low, "high": found.high, "p": found.p, "said": line.said},
        "word": line.word,
    }
