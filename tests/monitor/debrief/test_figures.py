"""The figures of a session: a fixed vocabulary, and values that agree with what the verdicts beside real recordings say."""

from __future__ import annotations

import json
from dataclasses import replace
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
        for name in ("stuck-shore", "wrong-order", "called-stop")
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
    """From the verdict beside the recording: one danger, from 5.8 s to 11.5 s, never acknowledged, no STOP called."""
    figures, _ = of["wrong-order"]
    assert figures.value("order.faults") == 1
    assert figures.value("step.dangers", "1") == 1
    assert figures.value("danger.time_s") == figures.value("danger.longest_s") == 5.7
    assert figures.value("danger.unseen") == 1
    seen, after = figures.get("danger.seen_s"), figures.get("stop.after_danger_s")
    assert (seen.value, seen.nothing, seen.because) == (None, False, "1 never acknowledged")
    assert (after.value, after.nothing, after.because) == (None, False, "1 without a STOP")
    assert figures.value("alarm.first_s", "danger bag-order S1-lower") == 5.8
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


def test_a_stop_is_what_people_did_and_no_danger_that_befell_them(of):
    """From the verdict beside the recording: `stop-called` is its one danger. It costs nobody points: nothing else rose."""
    figures, verdict = of["called-stop"]
    assert [it["rule"] for it in verdict["alarms"] if it["priority"] == "danger"] == ["stop-called"]
    for name in ("count", "unseen", "standing", "time_s"):
        assert figures.value(f"danger.{name}") == 0.0
    for name in ("danger.seen_s", "danger.longest_s", "stop.after_danger_s"):
        it = figures.get(name)
        assert (it.value, it.nothing, it.because) == (None, True, "no danger rose")
    assert figures.value("stop.calls") == 1
    assert figures.value("stop.stood_s") > 0.0


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


S = 1_000_000_000


@pytest.fixture(scope="module")
def zeroed():
    """A real picture of just after a zero."""
    recording = read_recording(RECORDINGS / "stuck-shore.jsonl")
    run = Rerun(parse_rig(recording.header.rig))
    for line in recording.lines():
        picture = run.take(line)
        if picture is not None and picture.zero.taken_ns is not None:
            return run.engine.rig, picture
    raise AssertionError("no zero in it")


def at(picture, time_s, step, runs, *, zero_s=2.0, abandoned=False):
    """The picture made another: its time, the step being worked, and (started, ended, ok) of the first steps."""
    times = [*runs, *[(None, None, None)] * (len(picture.steps) - len(runs))]
    steps = tuple(
        replace(it, started_ns=b and round(b * S), ended_ns=e and round(e * S), ok=ok)
        for it, (b, e, ok) in zip(picture.steps, times, strict=True)
    )
    return replace(
        picture,
        time_ns=round(time_s * S),
        zero=replace(picture.zero, taken_ns=round(zero_s * S)),
        step=step and replace(picture.step, number=step),
        steps=steps,
        abandoned=abandoned,
        transitions=(),
    )


def test_steps_gone_back_to_by_hand(zeroed):
    """Invented: step 1 from 2 s to 4 s, step 2 begun; back to step 1 at 5 s, ended at 6 s; step 2 again until the plan
    is given up at 7 s. A zero is taken anew at 8 s, and step 1 begun: that is no retry. No picture from 8.5 s to 10 s."""
    rig, picture = zeroed
    measuring = Measuring(rig)
    for args in (
        (2.0, 1, [(2.0, None, None)]),
        (3.0, 1, [(2.0, None, None)]),
        (4.0, 2, [(2.0, 4.0, True), (4.0, None, None)]),
        (5.0, 1, [(5.0, None, None)]),
        (6.0, 2, [(5.0, 6.0, True), (6.0, None, None)]),
        (7.0, 2, [(5.0, 6.0, True), (6.0, None, None)]),
    ):
        measuring.picture(at(picture, *args))
    given_up = [(5.0, 6.0, True), (6.0, 7.0, False)]
    measuring.picture(at(picture, 7.5, None, given_up, abandoned=True))
    measuring.picture(at(picture, 8.0, 1, [(8.0, None, None)], zero_s=8.0))
    measuring.picture(at(picture, 8.5, 1, [(8.0, None, None)], zero_s=8.0))
    measuring.picture(at(picture, 10.0, 1, [(8.0, None, None)], zero_s=8.0))
    figures = measuring.done()
    assert figures.value("plan.retries") == 2  # step 1 and step 2, each once more
    assert [figures.value("step.tries", about) for about in ("1", "2", "3")] == [3, 2, 0]
    assert figures.value("step.spent_s", "1") == 1.5
    assert figures.value("step.spent_s", "2") == 1.0
    assert figures.value("zero.times") == 2
    assert figures.value("zero.taken_s") == 8.0
    assert figures.value("recording.blind_s") == 1.5
    assert figures.get("step.took_s", "2").because == "never begun"
    assert figures.get("plan.took_s").value is None


def test_a_plan_given_up_by_hand(zeroed):
    rig, picture = zeroed
    measuring = Measuring(rig)
    measuring.picture(at(picture, 2.0, 1, [(2.0, None, None)]))
    measuring.picture(at(picture, 3.0, None, [(2.0, 3.0, False)], abandoned=True))
    figures = measuring.done()
    assert figures.value("plan.abandoned") == 1.0
    assert (figures.value("plan.early"), figures.value("plan.ended"), figures.value("plan.as_planned")) == (1, 1, 0)
    assert figures.value("step.took_s", "1") == 1.0
    assert figures.value("step.as_planned", "1") == 0.0
    assert figures.value("plan.took_s") is None


def test_a_gap_that_is_not_known_half_of_the_time_says_so(zeroed):
    """Invented: N1 at 7 mm of 6 allowed for 2 s, then not known for 2 s; N2 at 1 mm all along."""
    rig, picture = zeroed

    def gaps(time_s, n1):
        it = at(picture, time_s, 1, [(2.0, None, None)])
        return replace(it, shores=(replace(it.shores[0], gap_m=n1), replace(it.shores[1], gap_m=0.001)))

    measuring = Measuring(rig)
    for time_s, n1 in ((2.0, 0.007), (3.0, 0.007), (4.0, 0.007), (5.0, None), (6.0, None)):
        measuring.picture(gaps(time_s, n1))
    figures = measuring.done()
    whole, n1, n2 = figures.get("gap.greatest_m"), figures.get("shore.gap_m", "N1"), figures.get("shore.gap_m", "N2")
    assert (whole.value, whole.known) == (0.007, 0.5)
    assert (n1.value, n1.known) == (0.007, 0.5)
    assert (n2.value, n2.known) == (0.001, 1.0)
    over = figures.get("gap.over_s")
    assert (over.value, over.known) == (2.0, 0.5)
    assert figures.get("step.gap_m", "1").known == 0.5


def test_what_bags_alone_hold_on_the_way_down_is_no_fault_of_the_lift(zeroed):
    """Invented: 3 mm while raised; 50 mm while lowered and when that has ended, for 2 s of 4; a new fill counts again."""
    rig, picture = zeroed

    def falls(time_s, step, do, fall):
        it = at(picture, time_s, step, [])
        return replace(
            it, fall_m=fall, steps=(replace(it.steps[0], do="fill"), replace(it.steps[1], do=do), *it.steps[2:])
        )

    measuring = Measuring(rig)
    for args in (
        (2.0, 1, "lower", 0.003),
        (3.0, 1, "lower", 0.002),
        (4.0, 2, "lower", 0.05),
        (5.0, None, "lower", 0.04),
    ):
        measuring.picture(falls(*args))
    figures = measuring.done()
    assert figures.value("fall.greatest_m") == 0.05
    assert (figures.value("fall.raising_m"), figures.get("fall.raising_m").known) == (0.003, 1.0)
    measuring.picture(falls(6.0, 1, "lower", 0.004))
    assert measuring.done().value("fall.raising_m") == 0.004
