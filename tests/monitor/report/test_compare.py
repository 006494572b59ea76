"""Lifts side by side: by hand from two real recordings, and traces that stay small without losing a peak."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.cli import main
from monitor.debrief.figures import KINDS, Figure, Figures
from monitor.report.compare import compare
from monitor.report.compared import in_words, page
from monitor.report.lifts import Lift
from monitor.report.overlay import Step, overlay
from monitor.report.traces import Point, Trace
from monitor.rig.load import parse_rig
from replay.recording import read_recording

RECORDINGS = Path(__file__).resolve().parents[3] / "recordings"
STUCK, WRONG = RECORDINGS / "stuck-shore.jsonl", RECORDINGS / "wrong-order.jsonl"


@pytest.fixture(scope="module")
def both(tmp_path_factory):
    """What `inchwatch compare` says of two recordings, as JSON and as a page; said once, since each is played through."""
    made = tmp_path_factory.mktemp("compare") / "page.html"
    said = tmp_path_factory.mktemp("compare") / "said.json"
    with pytest.MonkeyPatch.context() as patch, said.open("w") as out:
        patch.setattr("sys.stdout", out)
        assert main(["compare", str(STUCK), str(WRONG), "--json", "-o", str(made)]) == 0
    return json.loads(said.read_text()), made.read_text()


def test_two_recordings_by_their_verdicts(both):
    """The verdicts beside them: a gap of 10.6 mm at N1 and 4.7 s beyond what is allowed in the one; in the other a bag out of
    turn for 5.7 s. The first step ended at 22.5 s and 31.5 s, begun at 2.0 s in both."""
    told, _ = both
    of = {(it["figure"], it["about"]): it for it in told["figures"]}
    assert of["order.faults", ""]["values"] == [0.0, 1.0]
    assert of["order.faults", ""]["best"] == [0]
    assert of["danger.time_s", ""]["difference"] == 5.7
    assert of["gap.greatest_m", ""]["best"] == [1]
    assert of["gap.greatest_m", ""]["difference"] == pytest.approx(
        max(_verdict(WRONG)["gap_m"].values()) - max(_verdict(STUCK)["gap_m"].values()), abs=2e-6
    )
    assert of["step.took_s", "1"]["values"] == [20.45, 29.5]
    assert of["step.took_s", "1"]["best"] == [0]
    assert of["rise.greatest_m", ""]["best"] == []  # neither more nor less is better
    assert of["alarm.count", "danger bag-order S1-lower"]["values"] == [None, 1.0]
    assert list(told["steps"]) == ["1", "2", "3", "4", "5", "6"]
    assert told["notes"] == []


def _verdict(path: Path):
    return json.loads(path.with_suffix(".verdict.json").read_text())["peaks"]


def test_the_page_needs_nothing_else_and_lays_steps_beside_each_other(both):
    _, made = both
    assert made.count("<svg") == 2
    assert "http:" not in made
    assert "https:" not in made
    assert "src=" not in made
    assert "<script" not in made
    assert "Nobody goes under a load held by bags alone" in made
    assert len(made) < 200_000
    rise = made[made.index("<svg") : made.index("</svg>")]
    assert rise.count('class="line k0"') == rise.count('class="line k1"') == 3  # the steps that were begun
    starts = [piece.split(" ")[0] for piece in rise.split(' d="M')[1:]]
    assert starts[0] == starts[1]  # step 1 begins at the same place for both


RIG = parse_rig(read_recording(STUCK).header.rig)


def lift(name: str, *figures: Figure, **changed: object) -> Lift:
    given = {
        "path": Path(name),
        "started": "",
        "rig": RIG,
        "figures": Figures(list(figures)),
        "traces": {},
        "damage": "",
    }
    return Lift(**(given | changed))


def gap(value: float | None, known: float = 1.0) -> Figure:
    return Figure(KINDS["gap.greatest_m"], "", value, known, "" if value is not None else "not known")


@pytest.mark.parametrize(
    ("values", "best"),
    [
        ([gap(0.002), gap(0.008), gap(0.002)], {0, 2}),
        ([gap(0.002), gap(0.0021), gap(0.0023)], set()),  # no more apart than a tape tells
        ([gap(None), gap(0.008), gap(0.004)], {2}),
        ([gap(None), gap(None), gap(0.004)], set()),  # better than nothing known is not better
        ([gap(0.001, known=0.5), gap(0.008), gap(0.004)], {2}),  # known for half of its lift: cannot be best
    ],
)
def test_which_is_better(values, best):
    told = compare([lift(f"{i}.jsonl", it) for i, it in enumerate(values)])
    assert told.whole[0].best == best
    assert told.whole[0].difference is None  # of three there is none


def test_that_there_was_nothing_to_measure_is_no_worse_than_a_short_time():
    seen = KINDS["danger.seen_s"]
    none = Figure(seen, "", None, 0.0, "no danger rose", nothing=True)
    told = compare([lift("a", none), lift("b", Figure(seen, "", 2.0)), lift("c", Figure(seen, "", 9.0))])
    assert told.whole[0].best == set()


def test_lifts_that_went_less_far_are_said():
    ended = KINDS["plan.ended"]
    told = compare([lift("a", Figure(ended, "", 6.0)), lift("b", Figure(ended, "", 2.0))])
    assert told.notes == (
        "They did not go equally far (steps ended: A 6, B 2): less was risked in less; compare step by step.",
    )


def test_other_plans_other_rigs_and_damage_are_said():
    other = RIG.model_copy(
        update={"rig": RIG.rig.model_copy(update={"name": "other"}), "step": [RIG.step[0], *RIG.step[2:]]}
    )
    told = compare([lift("a.jsonl", gap(0.002)), lift("b.jsonl", gap(0.004), rig=other, damage="cut off")])
    assert told.notes[0] == "Not the same rig: yard-panel, other."
    assert told.notes[1].startswith("The plans agree in ")
    assert told.notes[-1] == "B: cut off"
    assert 1 in told.steps
    assert 2 not in told.steps
    tighter = RIG.model_copy(update={"limits": RIG.limits.model_copy(update={"capture_every": 0.01})})
    assert "other limits" in compare([lift("a", gap(0.1)), lift("b", gap(0.1), rig=tighter)]).notes[0]


def test_many_lifts_are_laid_across_a_page_that_lies_down():
    few = page(compare([lift(f"{i}", gap(0.002)) for i in range(4)]))
    many = page(compare([lift(f"{i}", gap(0.002)) for i in range(12)]))
    assert "landscape" in many
    assert "landscape" not in few
    assert many.count('<th class="value">') == 12 + 1


def test_names_from_a_file_are_text_on_the_page():
    evil = RIG.model_copy(update={"rig": RIG.rig.model_copy(update={"name": "<script>x</script>"})})
    told = compare([lift("<b>.jsonl", gap(0.002), rig=evil, started="<i>"), lift("b.jsonl", gap(0.004))])
    made = page(told)
    assert not any(it in made for it in ("<script", "<b>", "<i>"))
    assert "−" in in_words(told) or "+2 mm" in in_words(told)


def test_too_few_or_none_are_a_sentence(tmp_path, capsys):
    none = tmp_path / "none.jsonl"
    assert main(["compare", str(none)]) == 1
    assert capsys.readouterr().err == f"inchwatch compare: {none}: No such file or directory\n"
    assert main(["compare", str(tmp_path)]) == 1
    assert "holds no recording" in capsys.readouterr().err
    assert main(["compare", str(RECORDINGS / "called-stop.jsonl")]) == 2
    assert capsys.readouterr().err == "inchwatch compare: found 1 recording; allowed are 2 to 12, more are a season\n"
    kept = tmp_path / "kept.jsonl"
    assert main(["compare", "a", "b", "-o", str(kept)]) == 2
    assert capsys.readouterr().err == f"inchwatch compare: {kept}: a page ends in .html or .htm\n"
    assert not kept.exists()
    (tmp_path / "a.jsonl").write_text("{}")
    (tmp_path / "b.jsonl").write_text("x")
    assert main(["compare", str(tmp_path / "a.jsonl"), str(tmp_path / "b.jsonl")]) == 1
    said = capsys.readouterr().err
    assert said.startswith("inchwatch compare: ")
    assert len(said.splitlines()) == 1


def test_a_page_takes_the_place_of_an_older_one_at_once(tmp_path, capsys):
    """Whoever has the older one open still reads all of it: nothing is written into it."""
    lines = STUCK.read_bytes().splitlines(keepends=True)[:3]
    for name in ("a.jsonl", "b.jsonl"):
        (tmp_path / name).write_bytes(b"".join(lines))
    page = tmp_path / "both.html"
    page.write_text("older")
    with page.open() as older:
        assert main(["compare", str(tmp_path / "a.jsonl"), str(tmp_path / "b.jsonl"), "-o", str(page)]) == 0
        assert older.read() == "older"
    assert page.read_text().startswith("<!")
    assert capsys.readouterr().err == ""


HEIGHT = st.none() | st.floats(-0.01, 0.3)


@settings(max_examples=30)
@given(gaps=st.lists(HEIGHT, min_size=1, max_size=60), times=st.integers(1, 30))
def test_a_trace_stays_small_and_loses_no_peak(gaps, times):
    trace, every = Trace(0), gaps * times
    for number, it in enumerate(every):
        trace.take(Point(number * 0.05, it, it))
    assert len(trace.points) <= 241
    known = [it for it in every if it is not None]
    assert max((p.gap_m for p in trace.points if p.gap_m is not None), default=None) == max(known, default=None)
    assert trace.long_s == pytest.approx((len(every) - 1) * 0.05)
    assert [p.at_s for p in trace.points] == sorted(p.at_s for p in trace.points)
    step = Step(1, "fill", (trace, None))
    drawn = overlay("Gap", [step], "AB", lambda p: p.gap_m, "metric", 0.006)
    assert bool(drawn) == (bool(known) and trace.long_s > 0.0)
    assert "nan" not in drawn


@pytest.mark.parametrize("units", ["metric", "us"])
def test_a_chart_has_few_round_rungs(units):
    for top in (0.0011, 0.004, 0.0127, 0.06, 0.3, 1.9):
        trace = Trace(0, [Point(0.0, 0.0, 0.0), Point(1.0, top, top)], 1.0)
        drawn = overlay("Gap", [Step(1, "fill", (trace,))], "A", lambda p: p.gap_m, units)
        assert 2 <= drawn.count('class="grid"') <= 7


def test_letters_at_the_ends_do_not_cover_each_other():
    trace = Trace(0, [Point(0.0, 0.0, 0.0), Point(9.0, 0.06, 0.06)], 9.0)
    drawn = overlay(
        "Rise", [Step(1, "fill", (trace, replace(trace), replace(trace)))], "ABC", lambda p: p.rise_m, "metric"
    )
    at = {drawn.split(f">{letter}</text>")[0].rsplit("<text ", 1)[1] for letter in "ABC"}
    assert len(at) == 3
