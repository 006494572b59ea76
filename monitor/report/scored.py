"""A score sheet as it is read: lines on a terminal, and a section of a page."""

from __future__ import annotations

from html import escape
from textwrap import wrap

from monitor.report.score import CAUTION, Row, Sheet, percent


def in_words(sheet: Sheet) -> str:
    """The sheet for a terminal."""
    said = [f"  score: {sheet.name}: {_total(sheet)}, {_verdict(sheet)}"]
    said += [f"    {it}" for it in (*sheet.because, *sheet.notes)]
    wide = max((len(row.name) for row in sheet.rows), default=0)
    for row in sheet.rows:
        said.append(f"    {_points(row):>9}  {row.name:<{wide}}  {_found(row)}; asked: {row.wanted}")
    return "\n".join((*said, *wrap(CAUTION, 100, initial_indent="  ", subsequent_indent="  ")))


def score_section(sheet: Sheet) -> str:
    """What stands in a report's section for the score, as HTML: what came of it, a table, a line to sign. It has no head."""
    rows = "".join(map(_row, sheet.rows))
    says = f"<p>{escape(sheet.says)}</p>" if sheet.says else ""
    why = "".join(f"<li>{escape(it)}</li>" for it in (*sheet.because, *sheet.notes))
    heads = "".join(
        f'<th scope="col" style="white-space: nowrap">{it}</th>' for it in ("criterion", "asked", "found", "points")
    )
    return (
        f"<p><strong>{escape(sheet.name)}: {escape(_total(sheet))}, {escape(_verdict(sheet))}</strong></p>{says}"
        f"{f'<ul>{why}</ul>' if why else ''}"
        f'<table class="rows"><thead><tr>{heads}</tr></thead><tbody>{rows}</tbody></table><p>{escape(CAUTION)}</p>'
        '<table class="signed"><tr><td>instructor</td><td>crew</td><td>date, time</td></tr></table>'
    )


def _row(row: Row) -> str:
    return (
        f'<tr><th scope="row" style="white-space: normal">{escape(row.name)}</th><td>{escape(row.wanted)}</td>'
        f'<td>{escape(_found(row))}</td><td style="white-space: nowrap">{escape(_points(row))}</td></tr>'
    )


def _total(sheet: Sheet) -> str:
    share = "" if sheet.share is None else f" ({percent(sheet.share)})"
    return f"{sheet.earned:g} of {sheet.possible:g} points{share}"


def _verdict(sheet: Sheet) -> str:
    return "passed" if sheet.passed else "NOT PASSED"


def _points(row: Row) -> str:
    return f"{row.earned:g} of {row.possible:g}" if row.possible > 0.0 else "left out"


def _found(row: Row) -> str:
    """What was found, why it earned less, and whether it was a must."""
    must = "a must, not met" if row.missed else "a must" if row.asked.criterion.must else ""
    found = row.found if row.asked.kind is not None else ""
    return "; ".join(it for it in (found, row.because, must) if it)
