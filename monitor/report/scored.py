"""A score sheet as it is read: lines on a terminal, and a section of a page."""

from __future__ import annotations

from html import escape
from textwrap import wrap

from monitor.report.score import CAUTION, Row, Sheet


def in_words(sheet: Sheet) -> str:
    """The sheet for a terminal."""
    said = [f"  score: {sheet.name}: {_total(sheet)}, {_verdict(sheet)}"]
    said += [f"    {it}" for it in (*sheet.because, *sheet.notes)]
    wide = max((len(row.name) for row in sheet.rows), default=0)
    for row in sheet.rows:
        found = row.found or "--"
        said.append(f"    {_points(row):>9}  {row.name:<{wide}}  {found}, asked: {row.wanted}{_why(row, ' - ')}")
    return "\n".join((*said, *wrap(CAUTION, 100, initial_indent="  ", subsequent_indent="  ")))


def score_section(sheet: Sheet) -> str:
    """The sheet as HTML: a heading, what came of it, a table, a line to sign."""
    rows = "".join(
        f"<tr><td>{escape(row.name)}</td><td>{escape(row.wanted)}</td><td>{escape(row.found or '--')}"
        f'{escape(_why(row, "; "))}</td><td class="points">{escape(_points(row))}</td></tr>'
        for row in sheet.rows
    )
    says = f"<p>{escape(sheet.says)}</p>" if sheet.says else ""
    why = "".join(f"<li>{escape(it)}</li>" for it in (*sheet.because, *sheet.notes))
    listed = f"<ul>{why}</ul>" if why else ""
    return (
        f'<section class="score"><h2>Score: {escape(sheet.name)}</h2>{says}'
        f"<p><strong>{escape(_total(sheet))}, {escape(_verdict(sheet))}</strong></p>{listed}"
        "<table><thead><tr><th>criterion</th><th>all points for</th><th>found</th><th>points</th></tr></thead>"
        f"<tbody>{rows}</tbody></table>"
        f"<p>{escape(CAUTION)}</p>"
        '<table class="signed"><tr><td>instructor</td><td>crew</td><td>date, time</td></tr></table></section>'
    )


def _total(sheet: Sheet) -> str:
    share = "" if sheet.share is None else f" ({sheet.share:.0%})"
    return f"{sheet.earned:g} of {sheet.possible:g} points{share}"


def _verdict(sheet: Sheet) -> str:
    return "passed" if sheet.passed else "NOT PASSED"


def _points(row: Row) -> str:
    return f"{row.earned:g} of {row.possible:g}" if row.possible > 0.0 else "left out"


def _why(row: Row, before: str) -> str:
    must = "a must, not met" if row.missed else "a must" if row.asked.criterion.must else ""
    said = ", ".join(it for it in (row.because, must) if it)
    return f"{before}{said}" if said else ""
