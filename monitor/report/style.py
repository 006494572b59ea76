"""How a report looks, on a screen and on paper: the lift plan sheet's ink, and what charts, tables and alarms need besides.

Colour only ever repeats what a word, a letter, a pattern or a dash says; printed in black and white nothing is lost.
"""

from monitor.rig.page import STYLE as SHEET

STYLE = (
    SHEET
    + """
@page { margin: 14mm 14mm 16mm; @bottom-left { content: "Lift report"; font: 8pt sans-serif; color: #444 }
 @bottom-right { content: counter(page) " / " counter(pages); font: 8pt sans-serif; color: #444 } }
body { font-variant-numeric: tabular-nums }
h1 { font-size: 19pt; letter-spacing: -0.01em; margin: 0 }
header p { margin: 0 0 2mm; color: #333 }
h2 { font-size: 13pt; margin: 7mm 0 2mm; padding-top: 1.5mm; border-top: 1.2pt solid #000; break-after: avoid }
h3 { font-size: 10.5pt; margin: 3mm 0 1mm; break-after: avoid }
p { margin: 0 0 2mm } p.lead { font-size: 11.5pt; line-height: 1.5; margin: 3mm 0 }
p.doubt { border: 1.5pt solid #000; background: #fff4d6; padding: 2mm 3mm; font-weight: bold }
p.told, .told { color: #333; font-size: 9pt }
nav ol { columns: 2; margin: 3mm 0 0; padding-left: 6mm } nav a { color: inherit }
dl.glance { display: grid; grid-template-columns: repeat(4, 1fr); gap: 2mm; margin: 3mm 0 }
dl.glance div { border: 0.6pt solid #888; border-radius: 1mm; padding: 1.5mm 2mm; break-inside: avoid;
 display: flex; flex-direction: column; justify-content: space-between }
dl.glance dt { font-size: 8pt; color: #333 } dl.glance dd { margin: 0; font-size: 12.5pt; font-weight: bold; white-space: nowrap }
table.rows thead th { width: auto; border-bottom: 0.8pt solid #000; font-size: 8.5pt; vertical-align: bottom }
table.rows th[scope=row] { width: auto; white-space: nowrap }
table.rows td, table.rows th { padding: 0.8mm 2.5mm 0.8mm 0 } table.rows tbody tr { border-bottom: 0.3pt solid #bbb }
table.times td:nth-child(n+3):nth-child(-n+5) { white-space: nowrap }
table.small { font-size: 8pt }
table.small td, table.small th { padding-top: 0.3mm; padding-bottom: 0.3mm } table.small td:last-child { overflow-wrap: normal }
table.small th[scope=row] { font-weight: normal; white-space: normal }
table.numbers { font-size: 8.5pt } table.numbers td:nth-child(6) { white-space: nowrap } thead { display: table-header-group }
article.alarm { border-left: 2.5mm solid #888; padding-left: 3mm; margin: 0 0 5mm }
article.alarm.danger { border-color: #b3001b } article.alarm.warning { border-color: #d06a00 }
article.alarm.caution { border-color: #b59a00 } article.alarm table { break-inside: avoid }
article .word { text-transform: uppercase; border: 1pt solid #000; padding: 0 1.5mm }
.danger .word { background: #b3001b; color: #fff } .warning .word { background: #ffb35c }
.caution .word { background: #ffe680 }
article ul { margin: 0; padding-left: 4mm } article p { margin: 0 0 0.5mm }
article .meaning { color: #333; font-size: 9pt; break-after: avoid }
figure { break-inside: avoid } figure h3 { margin: 2mm 0 0 }
.pair { display: flex; gap: 4mm } .pair svg { flex: 1; min-width: 0 }
svg .small, svg .letter, svg .number { font-size: 10.5px } svg .letter { font-weight: bold }
svg .small, svg .letter { paint-order: stroke; stroke: #fffc; stroke-width: 2.5px } svg .unit { font-weight: bold }
.axis, .zero { stroke: #000 } .axis { fill: none } .grid { stroke: #ddd } .step { stroke: #888; stroke-dasharray: 2 3 }
.level { stroke: #000; stroke-dasharray: 7 3 } .hole { fill: #666; opacity: 0.75 }
.line { fill: none; stroke-width: 1.6; stroke-linejoin: round } .band { stroke: none; opacity: 0.22 }
.l0 { stroke: #0b559f } .l1 { stroke: #b5440b; stroke-dasharray: 7 2 } .l2 { stroke: #1b7a43; stroke-dasharray: 2 2 }
.l3 { stroke: #7a2f8f; stroke-dasharray: 9 2 2 2 } .l4 { stroke: #000; stroke-dasharray: 4 4 }
.l5 { stroke: #8a6d00; stroke-dasharray: 12 4 }
.b0 { fill: #0b559f } .b1 { fill: #b5440b } .b2 { fill: #1b7a43 } .b3 { fill: #7a2f8f } .b4 { fill: #000 } .b5 { fill: #8a6d00 }
.field { opacity: 0.16 } .field.danger { fill: #b3001b } .field.warning { fill: #d06a00; opacity: 0.13 }
.bar { fill: #dfe6ee; stroke: #000; stroke-width: 0.8 } .bar.early { fill: #fff; stroke-dasharray: 3 2 }
.bar.danger { fill: #b3001b } .bar.warning { fill: #ffb35c } .bar.caution { fill: #ffe680 } .bar.notice { fill: #fff }
.trail { fill: none; stroke: #0b559f; stroke-width: 1.3 } .out { stroke: #b3001b; stroke-width: 1.5 } .head { fill: #b3001b }
.plate { stroke: #000; stroke-width: 3 } .bags { fill: none }
@media screen { body { padding: 6mm } }
@media print {
 body { max-width: none; padding: 0; -webkit-print-color-adjust: exact; print-color-adjust: exact } nav { display: none }
 h2 { break-after: avoid } section { break-inside: auto } p.lead { font-size: 10.5pt } .head { stroke: none }
}
"""
)
