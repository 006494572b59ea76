"""The lines of the rule table: each fits its width, ends in what to do, and at ordinary worst values nothing is cut."""

from __future__ import annotations

import pytest

from monitor.engine.picture import Priority
from monitor.engine.rules import RULES, WIDTH, line


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: f"{rule.name}-{rule.priority.word}")
def test_every_row_is_whole(rule):
    assert rule.clear_at < rule.set_at
    assert rule.do
    assert rule.do[0].islower()
    assert 0.0 <= rule.on_s <= 2.0  # process industries' 15 to 60 s (ISA-18.2) are unfit for a lift
    for what in ("9" * 200, "9 " * 100, "seen " * 40):
        longest = line(rule, "X" * 24, what)
        assert len(longest) <= WIDTH
        assert longest.endswith(f" - {rule.do}")
        assert longest.startswith(rule.priority.name)


def test_the_line_reads_as_it_should():
    rule = next(r for r in RULES if r.name == "lean" and r.priority is Priority.DANGER)
    assert line(rule, "S1", "251 mm of 250 mm ring, growing 4.0 mm/s") == (
        "DANGER  lean S1: 251 mm of 250 mm ring, growing 4.0 mm/s - stop filling, hold"
    )


@pytest.mark.parametrize(
    ("rule", "about", "what"),
    [
        # Ordinary worst values of the example rig: nothing is cut.
        ("uncaptured", "load", "152 mm, 25 mm allowed"),
        ("shore-behind", "N1", "152 mm gap, 6 mm allowed"),
        ("bag-pressure", "S1-upper", "8.05 bar of 8.00 bar working"),
        ("rise-rate", "load", "112.0 mm/s down, 12.0 mm/s allowed"),
        ("shore-air-low", "N1", "0.45 bar, needs 1.80 bar to follow"),
        ("bag-order", "S1-lower", "filling, the step names S1-upper"),
        ("bag-early", "S1-lower", "filling, S1-upper short of its stop"),
        ("lean", "S1", "151 mm of 150 mm ring, growing 24.4 mm/s"),
        ("calibration-old", "S1-head-x", "was due 2026-01-01"),
        ("sensor-lost", "S1-head-x", "silent 13 s, blinds lean S1"),
        ("sensor-wire", "S1-upper-p", "at 21.6 mA, blinds shore-behind"),
        ("sensor-wire", "S1-upper-p", "says failed, blinds shore-behind"),
        ("tilt", "load", "12.14°, 12.00° allowed"),
        ("slip", "S1", "152 mm in a second on the load"),
        ("hinge-shift", "load", "walked 152 mm or sank 12 mm"),
        ("over-centre", "load", "29.14°, goes over at 31.00°"),
        ("overload", "load", "112.4 kN, 100.0 kN planned"),
        ("shore-drop", "N1", "152 mm shorter, locked"),
        ("shore-air-high", "load", "112% of what lifts it, 50% allowed"),
        ("shore-lifting", "N1", "load up 152 mm, no bag filling"),
        ("hung-on-shores", "load", "bags give 12%, on 12 shores"),
        ("not-held", "load", "work, 152 mm up on nothing known"),
        ("moved-alone", "load", "152 mm down, nobody fills or vents"),
        ("lower-not-freed", "N1", "raised 15.2 mm of 25.4 mm"),
        ("out-of-step", "S1-upper", "venting plan ended"),
        ("lean-ahead", "S1", "out at 152 mm of 180 mm planned"),
        ("reach", "S1", "lifts to 1.11 m, 1.15 m planned"),
        ("uneven", "load", "152 mm apart, 125 mm allowed"),
        ("no-lift", "S1-lower", "7.95 bar, not S1-upper, no rise"),
        ("sinking", "S1", "S1-lower loses 1.25 bar a minute"),
        ("air-short", "supply", "1,250 L left, 1,310 L needed"),
        ("crib-limit", "C1", "up to 112.4 kN, guides say 106.8 kN"),
        ("ground-limit", "S1", "12.51 bar on ground for 12.50 bar"),
    ],
)
def test_ordinary_lines_are_not_cut(rule, about, what):
    for row in (r for r in RULES if r.name == rule):
        assert what in line(row, about, what)
