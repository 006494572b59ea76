"""A comparison as it is read: columns on a terminal, and one page that needs no other file and prints well."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from html import escape
from itertools import groupby
from textwrap import wrap

from monitor.report.compare import Compared, Comparison
from monitor.report.overlay import STYLE, Step, overlay

CAUTION = (
    "Which figure is better says nothing of why: look at the recordings together before judging a crew. Nobody goes under a load "
    "held by bags alone."
)
_STYLE = """
@page { margin: 14mm }
body { font: 10pt/1.35 sans-serif; color: #000; background: #fff; max-width: 190mm; margin: 0 auto; padding: 4mm }
h1 { font-size: 15pt; margin: 0 0 2mm } h2 { font-size: 12pt; margin: 5mm 0 1mm } h3 { font-size: 10.5pt; margin: 3mm 0 1mm }
p.caution { border: 1.5pt solid #000; padding: 2mm 3mm; font-weight: bold; margin: 2mm 0 }
table { border-collapse: collapse; width: 100%; border-top: 0.5pt solid #000; border-bottom: 0.5pt solid #000 }
th { text-align: left; vertical-align: bottom } th, td { padding: 0.5mm 2mm 0.5mm 0; vertical-align: top; overflow-wrap: anywhere }
td.value, th.value { text-align: right; white-space: nowrap } td.best { font-weight: bold } td.best::after { content: " ◂" }
tr, figure { break-inside: avoid } tbody tr:nth-child(odd) { background: #f4f4f4 }
.many { font-size: 8pt; max-width: 270mm }
.many figure { max-width: 190mm } .many td:first-child { min-width: 40mm } .many th, .many td { padding-right: 1mm }
figure { margin: 2mm 0 } figcaption { font-size: 8.5pt } svg { width: 100%; height: auto; display: block }
svg * { vector-effect: non-scaling-stroke }
""" + STYLE  # fmt: skip
_POLICY = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"
"""What a browser lets the page do: nothing. It has no script and loads nothing."""
_FEW = 4
"""So many columns fit across a page that stands upright."""
_HEADS = {
    "shore": "Shore", "stack": "Stack", "bag": "Bag", "channel": "Channel", "alarm": "Alarm", "step": "Step",
}  # fmt: skip


def in_words(it: Comparison) -> str:
    """The comparison for a terminal."""
    said = [
        f"{letter}  {lift.path}: {lift.rig.rig.name}, {_began(lift.started)}"
        for letter, lift in zip(it.letters, it.lifts, strict=True)
    ]
    said += [f"   {note}" for note in it.notes]
    wide = max(len(row.kind.name) for row in (*it.whole, *it.each))
    said += ["", _heads(it, wide), *(_line(it, row, wide) for row in it.whole)]
    for head, rows in _things(it):
        said += ["", head, *(_line(it, row, wide) for row in rows)]
    return "\n".join((*said, "", *wrap(CAUTION, 100)))


def _began(started: str) -> str:
    """A date and a time of day, as the recording's header has them."""
    return started.replace("T", " ")[:16]


def _heads(it: Comparison, wide: int) -> str:
    apart = f"{'B − A':>11}" if len(it.lifts) == 2 else ""
    return f"{'the whole lift':<{wide}}{''.join(f'{letter:>11}' for letter in it.letters)}{apart}  better"


def _line(it: Comparison, row: Compared, wide: int) -> str:
    values = "".join(f"{row.told(at, it.units):>11}" for at in range(len(it.lifts)))
    apart = f"{row.apart(it.units):>11}" if len(it.lifts) == 2 else ""
    return f"{row.kind.name:<{wide}}{values}{apart}  {', '.join(it.letters[at] for at in sorted(row.best))}".rstrip()


def _things(it: Comparison) -> Iterator[tuple[str, Sequence[Compared]]]:
    """Each step, shore, ... and its figures."""
    for (family, about), rows in groupby(it.each, key=lambda row: (row.kind.family, row.about)):
        words = f" {it.steps[int(about)]}" if family == "step" else ""
        yield f"{_HEADS[family]} {about}{words}", list(rows)


def page(it: Comparison) -> str:
    """The whole page as HTML."""
    names = " and ".join(dict.fromkeys(lift.rig.rig.name for lift in it.lifts))
    title, many = f"{len(it.lifts)} lifts side by side: {names}", "many" if len(it.lifts) > _FEW else ""
    return "\n".join(
        [
            "<!DOCTYPE html>",
            '<html lang="en"><head><meta charset="utf-8">',
            f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">',
            '<meta name="viewport" content="width=device-width, initial-scale=1">',
            f"<title>{escape(title)}</title><style>{_STYLE}{many and '@page { size: landscape }'}</style></head>",
            f'<body class="{many}">',
            f"<h1>{escape(title)}</h1>",
            f'<p class="caution">{escape(CAUTION)}</p>',
            _who(it),
            *(f"<p>{escape(note)}</p>" for note in it.notes),
            *_charts(it),
            "<h2>The whole lift</h2>",
            _table(it, it.whole),
            *(f"<h3>{escape(head)}</h3>{_table(it, rows)}" for head, rows in _things(it)),
            "</body></html>",
            "",
        ]
    )


def _who(it: Comparison) -> str:
    rows = "".join(
        f"<tr><th>{letter}</th><td>{escape(lift.path.name)}</td><td>{escape(lift.rig.rig.name)}</td>"
        f'<td>{escape(_began(lift.started))}</td><td class="value">{it.wins(at)}</td></tr>'
        for at, (letter, lift) in enumerate(zip(it.letters, it.lifts, strict=True))
    )
    heads = '<th></th><th>recording</th><th>rig</th><th>began</th><th class="value">alone best in</th>'
    return f"<table><thead><tr>{heads}</tr></thead><tbody>{rows}</tbody></table>"


def _charts(it: Comparison) -> Iterator[str]:
    steps = [
        Step(number, words, tuple(lift.traces.get(number) for lift in it.lifts)) for number, words in it.steps.items()
    ]
    allowed = {shore.gap_allowed for lift in it.lifts for shore in lift.rig.shore}
    limit = allowed.pop() if len(allowed) == 1 else None
    rise = overlay("Rise at a stack's head, step by step", steps, it.letters, lambda point: point.rise_m, it.units)
    gap = overlay("Greatest gap between load and shore", steps, it.letters, lambda point: point.gap_m, it.units, limit)
    how = "Each step begins at its line for all lifts; it is as wide as its longest, which stands below."
    for drawn, says in ((rise, f"Rise at a stack's head. {how}"), (gap, f"Greatest gap between load and shore. {how}")):
        if drawn:
            yield f"<figure>{drawn}<figcaption>{escape(says)}</figcaption></figure>"


def _table(it: Comparison, rows: Sequence[Compared]) -> str:
    two = len(it.lifts) == 2
    heads = "".join(f'<th class="value">{letter}</th>' for letter in it.letters)
    apart = '<th class="value">B − A</th>' if two else ""
    body = "".join(_row(it, row, two) for row in rows)
    return f"<table><thead><tr><th>figure</th>{heads}{apart}</tr></thead><tbody>{body}</tbody></table>"


def _row(it: Comparison, row: Compared, two: bool) -> str:
    values = "".join(
        f'<td class="value{" best" if at in row.best else ""}">{escape(row.told(at, it.units))}</td>'
        for at in range(len(it.lifts))
    )
    apart = f'<td class="value">{escape(row.apart(it.units))}</td>' if two else ""
    return f"<tr><td>{escape(row.kind.means)}</td>{values}{apart}</tr>"
