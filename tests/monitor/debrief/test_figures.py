"""The figures of a session: a fixed vocabulary, and values that agree with what the verdicts beside real recordings say."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from monitor.debrief.figures import EACH, EACH_OF, KINDS, WHOLE, Figures, shown
from monitor.debrief.judge import Rerun
from monitor.debrief.measuring import Measuring
from monitor.rig.load import parse_rig
from replay.codec import AlarmLine
from replay.recording import read_recording

RECORDINGS = Path(__file__).resolve().parents[3] / "recordings"


def measured(path: Path) -> Figures:
    """The figures of a recording, by one pass."""
    recording = read_recording(path)
    rig = parse_rig(recording.header.rig)
    run, measuring = Rerun(rig), Measuring(rig)
    for line in recording.lines():
        if not isinstance(line, AlarmLine):
            measuring.entry(line)
        picture = run.take(line)
        if picture is not None:
            measuring.picture(picture)
    complete = recording.complete
    return measuring.done(complete=complete, same_as_live=run.same_as_live(complete), lost=0)


@pytest.fixture(scope="module")
def of():
    """Figures and verdict of each recording that the tests ask for."""
    return {
        name: (measured(RECORDINGS / f"{name}.jsonl"), json.loads((RECORDINGS / f"{name}.verdict.json").read_text()))
        for name in ("stuck-shore", "wrong-order")
    }


def test_the_vocabulary_is_of_one_piece():
    assert len(KINDS) == len(WHOLE) + len(EACH)
    assert {kind.unit for kind in KINDS.values()} <= {"s", "m", "m/s", "rad", "N", "Pa", "1", "count", "yes"}
    assert {kind.better for kind in KINDS.values()} == {"less", "more", ""}
    assert EACH_OF == ("step", "shore", "stack", "bag", "channel", "alarm")
    assert not {kind.family for kind in WHOLE} & set(EACH_OF)
    assert all(kind.means and "\n" not in kind.means for kind in KINDS.values())


@pytest.mark.parametrize("name", ["stuck-shore", "wrong-order"])
def test_a_recording_gives_every_figure_in_order(of, name):
    figures, _ = of[name]
    assert [it.name for it in figures if not it.about] == [kind.name for kind in WHOLE]
    families = [it.kind.family for it in figures if it.about]
    assert families == sorted(families, key=EACH_OF.index)
    for about in figures.abouts("step"):
        assert [it.name for it in figures if it.about == about and it.kind.family == "step"] == [
            kind.name for kind in EACH if kind.family == "step"
        ]
    assert all((it.value is None) == bool(it.because) for it in figures)
    assert all(0.0 <= it.known <= 1.0 for it in figures)
    assert len(figures.rows()) == len(figures)


@pytest.mark.parametrize("name", ["stuck-shore", "wrong-order"])
def test_figures_agree_with_the_verdict(of, name):
    """The verdict gathers its peaks by itself, and rounds them to a millionth."""
    figures, verdict = of[name]
    peaks = verdict["peaks"]
    assert figures.value("rise.greatest_m") == pytest.approx(peaks["rise_m"], abs=1e-6)
    assert figures.value("tilt.greatest_rad") == pytest.approx(peaks["tilt_rad"], abs=1e-6)
    assert figures.value("fall.greatest_m") == pytest.approx(peaks["fall_m"], abs=1e-6)
    assert figures.value("gap.greatest_m") == pytest.approx(max(peaks["gap_m"].values()), abs=1e-6)
    for shore, gap in peaks["gap_m"].items():
        assert figures.value("shore.gap_m", shore) == pytest.approx(gap, abs=1e-6)
    for stack, lean in peaks["lean"].items():
        assert figures.value("stack.lean_use", stack) == pytest.approx(lean, abs=1e-6)
    assert figures.value("load.weight_n") == pytest.approx(verdict["load"]["weight_n"], abs=1e-6)
    assert figures.value("recording.length_s") == verdict["seconds"]
    assert figures.value("recording.readings") == verdict["samples"]
    assert figures.value("recording.same_as_live") == 1.0
    for step in verdict["steps"]:
        about = str(step["step"])
        assert figures.value("step.started_s", about) == step["started"]
        assert figures.value("step.ended_s", about) == step["ended"]
        took = None if step["ended"] is None else pytest.approx(step["ended"] - step["started"], abs=1e-4)
        assert figures.value("step.took_s", about) == took
    for priority in ("danger", "warning", "caution", "notice"):
        rose = [it for it in verdict["alarms"] if it["priority"] == priority]
        assert figures.value(f"{priority}.count") == len(rose)
        stood = [it["cleared"] - it["raised"] for it in rose]
        assert figures.value(f"{priority}.longest_s") == (pytest.approx(max(stood), abs=1e-4) if stood else None)


def test_a_bag_filled_out_of_turn_is_a_fault_of_order(of):
    """From the verdict beside the recording: one danger, from 5.75 s to 11.0 s, never acknowledged, no STOP called."""
    figures, _ = of["wrong-order"]
    assert figures.value("order.faults") == 1
    assert figures.value("step.dangers", "1") == 1
    assert figures.value("danger.time_s") == figures.value("danger.longest_s") == 5.25
    assert figures.value("danger.unseen") == 1
    seen, after = figures.get("danger.seen_s"), figures.get("stop.after_danger_s")
    assert (seen.value, seen.nothing, seen.because) == (None, False, "1 never acknowledged")
    assert (after.value, after.nothing, after.because) == (None, False, "1 without a STOP")
    assert figures.value("alarm.first_s", "danger bag-order S1-lower") == 5.75
    assert figures.words["step", "1"].startswith("fill S1-upper")


def test_no_danger_is_nothing_to_measure_and_not_unknown(of):
    figures, _ = of["stuck-shore"]
    seen = figures.get("danger.seen_s")
    assert (seen.value, seen.nothing, seen.because) == (None, True, "no danger rose")
    assert figures.value("order.faults") == 0
    assert figures.value("gap.over_s") == figures.value("shore.over_s", "N1") > 4.0
    assert figures.value("shore.over_s", "N2") == 0.0
    took = figures.get("plan.took_s")
    assert (took.value, took.nothing) == (None, False)


def test_a_session_without_a_zero_knows_nothing_of_the_lift(of):
    """Of nothing at all every figure is there, and none is made up."""
    rig = parse_rig(read_recording(RECORDINGS / "stuck-shore.jsonl").header.rig)
    figures = Measuring(rig).done()
    assert [it.name for it in figures if not it.about] == [kind.name for kind in WHOLE]
    for name in ("rise.greatest_m", "gap.greatest_m", "gap.over_s", "fall.greatest_m", "sensors.bad", "order.faults"):
        it = figures.get(name)
        assert (it.value, it.because, it.nothing) == (None, "the zero was never taken", False)
    assert figures.get("danger.count").known == 0.0
    assert figures.value("shore.gap_m", "N1") is None


@pytest.mark.parametrize(
    ("value", "unit", "units", "says"),
    [
        (None, "m", "metric", "--"),
        (0.0103, "m", "metric", "10 mm"),
        (0.0103, "m", "us", "3/8 in"),
        (12.34, "s", "metric", "12.3 s"),
        (754.0, "s", "metric", "12.6 min"),
        (0.333, "1", "metric", "33 %"),
        (1.0, "yes", "metric", "yes"),
        (3.0, "count", "metric", "3"),
        (0.0061, "m/s", "metric", "6.1 mm/s"),
        (267000.0, "Pa", "metric", "2.67 bar"),
        (31700.0, "N", "metric", "31.7 kN"),
    ],
)
def test_a_value_as_a_person_reads_it(value, unit, units, says):
    assert shown(value, unit, units) == says
