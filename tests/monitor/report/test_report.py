"""The report of a real recording: all of it on one page, nothing of it hidden, nobody's words taken for markup."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from html.parser import HTMLParser
from math import radians
from pathlib import Path

import orjson
import pytest

from monitor.debrief.figures import KINDS, Figure, Figures, shown
from monitor.debrief.marks import Kind
from monitor.encode import seconds
from monitor.engine.picture import BalancePicture, Priority
from monitor.report.alarms import alarms
from monitor.report.axes import Times
from monitor.report.course import course
from monitor.report.facts import Facts, gather
from monitor.report.page import page
from monitor.report.paragraph import paragraph
from monitor.report.risings import Raised
from monitor.report.series import Series
from monitor.report.tables import differs
from monitor.report.words import clock, count, evidence, share, span
from replay.codec import AlarmLine, Header
from replay.entries import Action, Entry
from replay.journal import JournalWriter
from replay.names import notes_path
from replay.recording import read_recording

STUCK = Path(__file__).resolve().parents[3] / "recordings" / "stuck-shore.jsonl"
HOSTILE = "</style><script>alert('x')</script>"
VOID = {"meta", "br", "rect", "line", "path", "circle", "polyline", "polygon"}
"""Elements of the page that have no end of their own."""


def test_a_span_is_said_as_the_figure_of_the_same_time_is() -> None:
    """Ticks of 50 ms make every other span a half of a tenth: of 46.15 s the page said 46.2 s here and 46.1 s there."""
    assert all(span(ns * 1e-9) == shown(seconds(ns), "s") for ns in range(0, 59_000_000_000, 50_000_000))


@pytest.fixture(scope="module")
def stuck() -> Facts:
    """Of the kept recording, in which one alarm rises and nobody acknowledges it."""
    return gather(STUCK)


def test_the_one_alarm_of_a_lift_is_not_one_of_them(stuck: Facts) -> None:
    assert "One alarm rose, one warning. It was never acknowledged. " in paragraph(stuck)


def test_a_step_begins_at_one_time_wherever_the_report_says_it() -> None:
    """A key is pressed between two pictures: "All that happened" dated the step by the later of them, a tenth further on."""
    facts = gather(STUCK.with_name("clean-lift.jsonl"))
    said = [it.time_ns for it in facts.marks if it.kind is Kind.STEP]
    assert said == [*(it.begun[-1] for it in facts.steps), facts.steps[-1].ended_ns]
    assert [it.time_ns for it in facts.marks] == sorted(it.time_ns for it in facts.marks)


def test_a_stop_is_told_as_what_people_did() -> None:
    facts = gather(STUCK.with_name("called-stop.jsonl"))
    assert "No alarm rose. STOP was called at 0:10.3." in paragraph(facts)
    assert "<div><dt>dangers</dt><dd>0</dd></div>" in page(facts)
    assert "stop-called" in page(facts), "it stands among the alarms, with who called it"


def answered(path: Path) -> None:
    """The kept recording, its load named in hostile words, with somebody who acknowledges its alarm 2 s after its rise, and a note.

    It is cut off while the alarm stands (invented)."""
    recording = read_recording(STUCK)
    header = recording.header
    rig = header.rig.replace('name = "precast wall panel"', f'name = "{HOSTILE}"')
    writer = JournalWriter(path, Header(rig, header.rig_name, header.software, header.started), pytest.fail)
    for entry in _with_actions(recording.lines()):
        writer.write(entry)
    writer.close()
    path.write_bytes(path.read_bytes()[:-9])


def _with_actions(lines: Iterator[Entry | AlarmLine]) -> Iterator[Entry]:
    pressed = [
        Action(15_960_000_000, "acknowledge", {"rule": "shore-behind", "about": "N1"}, HOSTILE),
        Action(16_010_000_000, "note", {"text": f"N1 hangs {HOSTILE}"}),
    ]
    for line in lines:
        if isinstance(line, AlarmLine):
            continue
        while pressed and pressed[0].time_ns < line.time_ns:
            yield pressed.pop(0)
        if line.time_ns > 17_500_000_000:
            return
        yield line


@pytest.fixture(scope="module")
def facts(tmp_path_factory) -> Facts:
    """What is known of that recording, and of the notes beside it; one pass for all tests."""
    path = tmp_path_factory.mktemp("report") / "yard.jsonl"
    answered(path)
    note = {"t": 14_000_000_000, "written": "2026-01-02T10:00:00+00:00", "who": HOSTILE, "text": f"look {HOSTILE}"}
    notes_path(path).write_bytes(orjson.dumps(note) + b"\nno note\n")
    return gather(path)


@pytest.fixture(scope="module")
def html(facts) -> str:
    return page(facts, score="<p>SCORED</p>")


class Reader(HTMLParser):
    """Reads a page: what stands in it as text, its tags, and whether each is closed."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.texts: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.texts.append(data)


def test_it_needs_no_other_file_and_no_network_and_has_no_script(html):
    read = Reader(html)
    assert not read.open
    assert not {"script", "link", "img", "iframe", "object", "base"} & {tag for tag, _ in read.tags}
    for tag, attributes in read.tags:
        for name, value in attributes.items():
            assert not name.startswith("on")
            if name in ("href", "src", "xlink:href"):
                assert re.fullmatch(r"#[a-z]+", value or ""), (tag, name, value)
    assert "url(" not in html
    assert "@import" not in html
    assert "default-src 'none'" in html
    assert len(html.encode()) < 2_000_000


def test_hostile_words_are_words(html):
    assert "<script" not in html
    said = "".join(Reader(html).texts)
    assert said.count(HOSTILE) >= 5  # load, who acknowledged, a note of the lift, a note after it and who wrote that


def test_every_section_can_be_come_to(html):
    read = Reader(html)
    ids = [attributes["id"] for _, attributes in read.tags if "id" in attributes]
    assert len(ids) == len(set(ids))
    ways = [attributes["href"] for tag, attributes in read.tags if tag == "a"]
    assert [way[1:] for way in ways] == [it for it in ids if not it.endswith("-h")]
    assert ways[8:10] == ["#score", "#figures"]
    assert "<p>SCORED</p>" in html
    assert all(attributes.get("aria-label") for tag, attributes in read.tags if tag == "svg")


def test_without_a_score_sheet_there_is_no_place_for_it(facts):
    assert 'id="score"' not in page(facts)


def test_the_alarm_is_told_from_its_rise_to_its_end(facts, html):
    (it,) = facts.raised
    assert (it.rule, it.about, it.raised_ns) == ("shore-behind", "N1", 14_000_000_000)
    assert it.seen == [(15_960_000_000, HOSTILE)]
    assert it.seen_s == pytest.approx(1.96)
    assert it.cleared_ns is None
    said = "".join(Reader(html).texts)
    assert f"acknowledged by {HOSTILE} after 2.0 s and IT STANDS AT THE END" in said
    assert "Evidence: gap 11 mm; limit 6 mm." in said
    assert re.search(r"after [\d.]+ s: bag S1-upper: filling before, now holding", said)


def test_a_recording_that_was_cut_off_says_so_before_all_else(facts, html):
    assert facts.recording.complete is False
    said = "".join(Reader(html).texts)
    assert said.index("THE RECORDING IS NOT WHOLE") < said.index("The recording of the rig yard-panel")


def test_notes_stand_in_it_and_what_is_none_is_said(html):
    said = "".join(Reader(html).texts)
    assert f"look {HOSTILE}" in said
    assert f"N1 hangs {HOSTILE}" in said
    assert "line 2: is not JSON" in said


def test_the_step_says_where_it_was_left(facts):
    first = facts.steps[0]
    assert first.begun
    assert first.ended_ns is None
    assert first.rise_m == pytest.approx(facts.series["rise", "S1"].last)
    assert facts.steps[-1].begun == []
    (words, *_) = differs(first, facts, {})
    assert words.startswith("stands, not ended, at 39 mm")
    assert words.endswith("21 mm below its stop")
    assert "Of six planned steps one was begun, and none ended as planned." in paragraph(facts)


def test_what_was_drawn_has_the_peaks_that_were_measured(facts):
    assert facts.series["gap", "N1"].top[1] == facts.figures.value("shore.gap_m", "N1")
    assert facts.series["tilt whole", ""].top[1] == facts.figures.value("tilt.greatest_rad")
    assert facts.highest[1].rise_m == facts.figures.value("rise.greatest_m")
    assert facts.health[0].readings > 80
    assert all(it.rate_hz == pytest.approx(5.0, rel=0.1) or it.port == "yard-net" for it in facts.health)


def test_a_recording_without_a_picture_is_a_report_too(tmp_path):
    path = tmp_path / "nothing.jsonl"
    path.write_bytes(STUCK.read_bytes().splitlines(keepends=True)[0])
    facts = gather(path)
    assert facts.last is None
    said = "".join(Reader(page(facts)).texts)
    assert "It holds no picture" in said
    assert "No alarm rose." in said
    assert "None" not in said


def danger(rule: str, at_s: float, **changed: object) -> Raised:
    it = Raised(rule, "S1", Priority.DANGER, round(at_s * 1e9), f"DANGER  {rule} S1: {at_s:.0f} - shut it", (), None)
    return replace(it, cleared_ns=round(at_s * 1e9) + 1_000_000_000, **changed)


def test_each_kind_of_danger_is_named_before_one_of_them_twice(facts):
    """Invented: the bags out of order three times, then the load near its tip: that must not be the one left out."""
    dangers = [danger("bag-order", 3.0), danger("bag-order", 4.0), danger("bag-order", 5.0), danger("over-centre", 6.0)]
    said = paragraph(replace(facts, raised=dangers))
    assert re.findall(r"danger: (\S+)", said) == ["bag-order", "bag-order", "over-centre"]
    assert "One more danger is told below." in said
    assert "Two more dangers are told below." in paragraph(replace(facts, raised=[*dangers, danger("bag-order", 7.0)]))


def test_the_tilt_is_told_beside_where_it_goes_over(facts):
    tip = BalancePicture(tip_rad=radians(22.6), tip_sd_rad=radians(0.25), tip_least_rad=radians(21.9))
    assert "By its balance it goes over centre" not in paragraph(facts)
    said = paragraph(replace(facts, balance=tip))
    assert "allowed. By its balance it goes over centre at 22.6 ± 0.5°, at 21.90° at the least. Had" in said


def test_the_fall_on_the_way_down_is_told_apart(facts):
    """Invented: 52 mm while it is lowered, 2 mm before that; and a lift in which there was no difference."""
    fall = Series()
    fall.take(9_000_000_000, 0.052)
    series = {**facts.series, ("fall", ""): fall}
    both = [Figures([Figure(KINDS["fall.raising_m"], "", it)]) for it in (0.002, 0.052)]
    down, same = (paragraph(replace(facts, series=series, figures=it)) for it in both)
    assert (
        "fallen by 52 mm at the worst moment, 0:09.0, on the way down; until it was lowered, by 2 mm at most." in down
    )
    assert "fallen by 52 mm at the worst moment, 0:09.0. " in same


def test_an_alarm_that_came_and_went_says_so_before_it_was_gone(facts):
    page = alarms(replace(facts, raised=[danger("bag-order", 3.0, chattering=True)]))
    assert "never acknowledged, came and went and its cause was gone after 1.0 s" in page


def test_the_end_of_a_line_is_known_no_better_than_its_top(facts):
    """Invented: 8500 ± 400 N, then 8530 ± 400 N, which must not read as more than the greatest; and noise around nothing."""
    force, quiet = Series(), Series()
    for at, value in enumerate((8560.0, 8530.0)):
        force.take(at, value, 400.0)
        quiet.take(at, 20.0 * at - 10.0)
    kept = {("force", "S1"): force, ("pressure", "S1-upper"): quiet}
    drawn = {it.title: it for it in course(replace(facts, series=kept), Times(facts.end_ns, (), ()))}
    assert "S1 8.6 ± 0.4 kN (0:00.0), 8.5 ± 0.4 kN at the end." in drawn["What the stacks carry"].caption
    assert "S1-upper 0.00 bar (0:00.0), 0.00 bar at the end." in drawn["Pressure in the bags of S1"].caption


def test_times_and_shares_are_said_as_they_are():
    assert [clock(None), clock(0), clock(151_460_000_000), clock(4_351_000_000_000)] == [
        "--",
        "0:00.0",
        "2:31.4",
        "1:12:31",
    ]
    assert [span(it) for it in (None, 0.0, 59.96, 125.0, 3_725.0)] == [
        "--",
        "0.0 s",
        "1 min 00 s",
        "2 min 05 s",
        "1 h 02 min",
    ]
    assert [share(it) for it in (None, 0.0, 0.0001, 0.5, 0.99999, 1.0)] == [
        "--",
        "0 %",
        "<0.1 %",
        "50.0 %",
        "99.9 %",
        "100 %",
    ]
    assert [count(it, "alarm") for it in (0, 1, 3, 31)] == ["no alarms", "one alarm", "three alarms", "31 alarms"]


def test_evidence_is_said_in_the_units_of_the_rig():
    assert evidence("gap_m", 0.0254, "us") == "gap 1 in"
    assert evidence("limit_pa", 8e5, "metric") == "limit 8.00 bar"
    assert evidence("gap_m", None, "metric") == "gap --"
    assert evidence("between", "S1, S2", "metric") == "between S1, S2"
