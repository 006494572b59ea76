"""The lift plan sheet as one page to print: a file that needs no other, with drawings to scale. Its words are sheet.py's."""

from __future__ import annotations

from datetime import datetime
from html import escape

from monitor.rig.drawing import missing, plan_view, side_view
from monitor.rig.plan import Plan
from monitor.rig.propose import Proposal
from monitor.rig.schema import Rig
from monitor.rig.sheet import CAUTIONS, blocks

STYLE = """
@page { margin: 14mm }
body { font: 10pt/1.35 sans-serif; color: #000; background: #fff; max-width: 180mm; margin: 0 auto; padding: 4mm }
h1 { font-size: 15pt; margin: 0 0 2mm }
p.caution { border: 1.5pt solid #000; padding: 2mm 3mm; font-weight: bold; margin: 2mm 0 }
table { border-collapse: collapse; width: 100%; margin: 0 0 3mm; border-top: 0.5pt solid #000 }
th { text-align: left; vertical-align: top; width: 22mm; padding: 0.6mm 2mm 0.6mm 0; font-weight: bold }
td { vertical-align: top; padding: 0.6mm 0; overflow-wrap: anywhere }
tr, figure { break-inside: avoid }
figure { margin: 0 0 3mm } figcaption { font-size: 8.5pt }
svg { width: 100%; height: auto; display: block }
svg text { font: 12px sans-serif; paint-order: stroke; stroke: #fffc; stroke-width: 3px }
svg * { vector-effect: non-scaling-stroke }
.load { fill: #0001; stroke: #000 } .before { fill: none; stroke: #777; stroke-dasharray: 5 4 }
.stack { fill: #fff; stroke: #000; stroke-width: 2 } .cone { fill: #0002; stroke: #555 }
.bags { stroke: #000; stroke-width: 4 } .crib { fill: #ccc; stroke: #000 } .shore, .pin { fill: #000 }
.prop { stroke: #000; stroke-width: 2 } .hinge { stroke: #000; stroke-width: 4; stroke-dasharray: 10 3 2 3 }
.ground { stroke: #000; stroke-width: 2 } .mark { fill: none; stroke: #000 }
.signed td { height: 9mm; border-bottom: 0.5pt solid #000; width: 33% }
"""
"""How a page that is handed out looks: ink on paper, readable without colour."""


def page(rig: Rig, it: Plan, proposed: Proposal | None = None, now: datetime | None = None) -> str:
    """The whole page as HTML. `rig` has the proposed steps, where the file has none and some are proposed; `now` as in `sheet`."""
    name = escape(rig.rig.name)
    notes = "; ".join(missing(rig))
    return "\n".join(
        [
            "<!DOCTYPE html>",
            '<html lang="en"><head><meta charset="utf-8">',
            '<meta name="viewport" content="width=device-width, initial-scale=1">',
            f"<title>Lift plan sheet: {name}</title><style>{STYLE}</style></head><body>",
            f"<h1>Lift plan sheet: {name}</h1>",
            f'<p class="caution">{escape(" ".join(CAUTIONS))}</p>',
            (
                f"<figure>{plan_view(rig)}<figcaption>From above. Rings: where a stack's head must stay over its foot;"
                f" dots: shores; squares: cribs. {escape(notes)}</figcaption></figure>"
            ),
            (
                f"<figure>{side_view(rig)}<figcaption>From the side, on level ground: dashed at the zero, full at the top of"
                " the plan.</figcaption></figure>"
            ),
            *(_table(block) for block in blocks(rig, it, proposed, now)),
            '<table class="signed"><tr><td>planned by</td><td>checked by</td><td>date, time</td></tr></table>',
            "</body></html>",
            "",
        ]
    )


def _table(block: list[tuple[str, str]]) -> str:
    """A block of the sheet; rows without a head of their own stand under the one before."""
    rows = "".join(f"<tr><th>{escape(head.strip())}</th><td>{escape(text)}</td></tr>" for head, text in block)
    return f"<table>{rows}</table>"
