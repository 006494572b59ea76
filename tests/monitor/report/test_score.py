"""Scores: one by hand, and for any figures never above full, never more for worse, never a point for what is not known."""

from __future__ import annotations

import json
from html.parser import HTMLParser

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.debrief.figures import KINDS, Figure, Figures
from monitor.report.form import parse_form
from monitor.report.marking import Mark
from monitor.report.score import as_json, score
from monitor.report.scored import in_words, score_section

FORM = """
version = 1
[form]
name = "Invented"
pass = "60 %"
known = "90 %"
[[criterion]]
name = "gap"
figure = "gap.greatest_m"
points = 20
full = "6 mm"
part = [["10 mm", 10], ["15 mm", 4]]
[[criterion]]
name = "order"
figure = "order.faults"
points = 10
weight = 2
full = 0
part = [[1, 3]]
must = "some"
[[criterion]]
name = "seen"
figure = "danger.seen_s"
points = 10
full = "5 s"
[[criterion]]
name = "steps"
figure = "step.took_s"
of = "worst"
points = 10
full = "45 s"
part = [["90 s", 5]]
[[criterion]]
name = "rise"
figure = "rise.greatest_m"
points = 10
between = ["58 mm", "66 mm"]
[[criterion]]
name = "orders"
points = 10
"""

ASKED = parse_form(FORM)


def figures(**given: Figure) -> Figures:
    """Invented figures: a gap of 8 mm, one fault of order, no danger, steps of 40 s and 70 s, a rise of 62 mm."""
    base = {
        "gap.greatest_m": Figure(KINDS["gap.greatest_m"], "", 0.008, 0.95),
        "order.faults": Figure(KINDS["order.faults"], "", 1.0),
        "danger.seen_s": Figure(KINDS["danger.seen_s"], "", None, 0.0, "no danger rose", nothing=True),
        "danger.count": Figure(KINDS["danger.count"], "", 0.0),
        "step.took_s 1": Figure(KINDS["step.took_s"], "1", 40.0),
        "step.took_s 2": Figure(KINDS["step.took_s"], "2", 70.0),
        "rise.greatest_m": Figure(KINDS["rise.greatest_m"], "", 0.062),
    }
    return Figures(list((base | given).values()))


def points(sheet) -> dict[str, tuple[float, float]]:
    return {row.name: (row.earned, row.possible) for row in sheet.rows}


def test_by_hand():
    """Invented. gap 8 mm: 10 of 20. Order, weighted twice: 3 * 2 of 20. Seen: no danger, left out. Steps: the worst took 70 s,
    5 of 10. Rise within: 10 of 10. Orders: 8 of 10. Together 39 of 70, which is 55.7 % and less than 60 %."""
    sheet = score(ASKED, figures(), [Mark("orders", 8.0, "invented")])
    assert points(sheet) == {
        "gap": (10.0, 20.0),
        "order": (6.0, 20.0),
        "seen": (0.0, 0.0),
        "steps": (5.0, 10.0),
        "rise": (10.0, 10.0),
        "orders": (8.0, 10.0),
    }
    assert (sheet.earned, sheet.possible) == (39.0, 70.0)
    assert (sheet.passed, sheet.because) == (False, ("55 % of the points, 60 % are asked",))
    steps = next(row for row in sheet.rows if row.name == "steps")
    assert (steps.found, steps.wanted) == ("70.0 s (step 2)", "at most 45.0 s; at most 90.0 s: 5 points")


def test_what_is_not_known_earns_nothing_and_is_said():
    gone = Figure(KINDS["gap.greatest_m"], "", None, 0.0, "not known")
    short = Figure(KINDS["rise.greatest_m"], "", 0.062, 0.5)
    sheet = score(ASKED, figures(**{"gap.greatest_m": gone, "rise.greatest_m": short}))
    assert points(sheet)["gap"] == (0.0, 20.0)
    assert points(sheet)["rise"] == (0.0, 10.0)
    assert points(sheet)["orders"] == (0.0, 10.0)
    assert "Not known or not marked, and so worth nothing: gap, rise, orders." in sheet.notes
    said = in_words(sheet)
    assert "known for 50 % of the lift, 90 % are asked" in said
    assert "not marked" in said


def test_a_must_that_is_missed_is_not_passed_whatever_the_points():
    faulty = Figure(KINDS["order.faults"], "", 2.0)
    fine = Figure(KINDS["gap.greatest_m"], "", 0.001)
    sheet = score(ASKED, figures(**{"order.faults": faulty, "gap.greatest_m": fine}), [Mark("orders", 10.0, "x")])
    assert not sheet.passed
    assert sheet.because[0] == "order: a must that was not met"


@pytest.mark.parametrize(("nothing", "earned", "possible"), [("left out", 0, 0), ("full", 10, 10), ("zero", 0, 10)])
def test_nothing_to_measure_earns_what_the_form_says(nothing, earned, possible):
    sheet = score(parse_form(FORM.replace('full = "5 s"', f'full = "5 s"\nnothing = "{nothing}"')), figures())
    assert points(sheet)["seen"] == (earned, possible)


@pytest.mark.parametrize(
    ("figure", "of", "limit", "earned"),
    [
        ("alarm.count", "shore-behind", "full = 1", 0.0),  # twice at N1, once at N2: three
        ("alarm.count", "shore-behind N2", "full = 1", 9.0),
        ("alarm.count", "lean", "full = 0", 9.0),  # never rose, and was watched
        ("alarm.longest_s", "warning shore-behind", 'full = "5 s"', 0.0),  # N1 stood 7 s
        ("alarm.longest_s", "warning shore-behind N2", 'full = "5 s"', 9.0),
        ("shore.gap_m", "N9", 'full = "5 m"', 0.0),  # the rig has no such shore
        ("step.as_planned", "worst", "full = true", 0.0),
    ],
)
def test_a_criterion_may_be_of_one_thing_or_of_some_alarms(figure, of, limit, earned):
    its = [
        Figure(KINDS["danger.count"], "", 0.0),
        Figure(KINDS["warning.count"], "", 3.0),
        Figure(KINDS["caution.count"], "", 0.0),
        Figure(KINDS["notice.count"], "", 0.0),
        Figure(KINDS["step.as_planned"], "1", 1.0),
        Figure(KINDS["step.as_planned"], "2", None, 0.0, "not ended"),
        *(Figure(KINDS["alarm.count"], f"warning shore-behind {n}", times) for n, times in (("N1", 2.0), ("N2", 1.0))),
        *(Figure(KINDS["alarm.longest_s"], f"warning shore-behind {n}", s) for n, s in (("N1", 7.0), ("N2", 3.0))),
    ]
    form = parse_form(
        f'version = 1\n[form]\nname = "x"\n[[criterion]]\nname = "c"\npoints = 9\nfigure = "{figure}"\nof = "{of}"\n{limit}'
    )
    assert score(form, Figures(its)).earned == earned


VALUE = st.none() | st.floats(0.0, 0.1)


@given(
    gap=VALUE,
    known=st.floats(0.0, 1.0),
    faults=st.none() | st.integers(0, 5),
    rise=VALUE,
    mark=st.none() | st.floats(0, 10),
)
def test_a_score_lies_between_nothing_and_full(gap, known, faults, rise, mark):
    its = {
        "gap.greatest_m": Figure(KINDS["gap.greatest_m"], "", gap, known, "" if gap is not None else "not known"),
        "order.faults": Figure(KINDS["order.faults"], "", None if faults is None else float(faults), 1.0, "not known"),
        "rise.greatest_m": Figure(KINDS["rise.greatest_m"], "", rise, known, "not known"),
    }
    sheet = score(ASKED, figures(**its), [] if mark is None else [Mark("orders", mark, "x")])
    for row in sheet.rows:
        assert 0.0 <= row.earned <= row.possible <= row.asked.points
        assert row.known or row.earned == 0.0
    assert sheet.passed == (not sheet.because)
    if gap is None or known < 0.9:
        assert points(sheet)["gap"] == (0.0, 20.0)


@given(values=st.tuples(st.floats(0.0, 0.05), st.floats(0.0, 0.05)), known=st.floats(0.9, 1.0))
def test_a_better_figure_never_earns_less(values, known):
    better, worse = (
        score(ASKED, figures(**{"gap.greatest_m": Figure(KINDS["gap.greatest_m"], "", value, known)}))
        for value in sorted(values)
    )
    assert better.earned >= worse.earned


class _Closed(HTMLParser):
    """Holds that every tag that is opened is closed, in order."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.text = ""

    def handle_starttag(self, tag, attrs):
        self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.text += data


def test_the_section_is_whole_and_lets_nothing_out_of_its_text():
    evil = "<script>alert(1)</script>"
    form = parse_form(
        FORM.replace('name = "orders"', f'name = "{evil}"').replace('name = "Invented"', f'name = "{evil}"')
    )
    html = score_section(score(form, figures(), [Mark(evil, 3.0, evil, evil)]))
    page = _Closed()
    page.feed(html)
    assert page.open == []
    assert "<script" not in html
    assert page.text.count("alert(1)") == 4
    assert "NOT PASSED" in page.text


def test_a_sheet_as_json_is_json():
    told = json.loads(json.dumps(as_json(score(ASKED, figures()))))
    assert told["share"] == told["earned"] / told["possible"]
    assert [it["criterion"] for it in told["criteria"]] == ["gap", "order", "seen", "steps", "rise", "orders"]
    assert told["criteria"][0] == {
        "criterion": "gap",
        "figure": "gap.greatest_m",
        "of": "",
        "value": 0.008,
        "unit": "m",
        "known": True,
        "earned": 10.0,
        "possible": 20.0,
        "must": None,
        "missed": False,
        "because": "",
    }
