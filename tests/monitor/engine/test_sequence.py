"""The plan: steps, their stops, the zero, and what a person may say."""

import math
from dataclasses import fields, is_dataclass

import pytest

from drivers.reading import Quality
from monitor.debrief.verdict import Verdict
from monitor.engine.engine import Engine
from monitor.engine.picture import AlarmState
from monitor.live.typed import VERBS
from monitor.rig.schema import Rig
from replay.entries import Action, Tick


def test_the_plan_goes_as_it_should(lift, clean_script):
    lift.play(clean_script, 100.0)
    steps = lift.pictures[-1].steps
    assert [step.do for step in steps] == ["fill", "capture", "fill", "capture", "hold", "lower"]
    assert all(step.ok for step in steps)
    assert steps[0].started_ns == pytest.approx(2e9, abs=2e8)  # still for two seconds, then the zero
    assert steps[0].ended_ns == pytest.approx(16e9, abs=5e8)  # 60 mm at 6 mm/s from 6 s on
    assert steps[4].ended_ns - steps[4].started_ns == pytest.approx(20e9, abs=1e8)
    assert [step.stop for step in steps] == [
        "rise 60 mm at S1",
        "every shore follows",
        "rise 150 mm at S1",
        "every shore follows",
        "for 20 s",
        "rise 0 mm at S1",
    ]


def test_progress_grows_and_says_what_is_left(lift, clean_script):
    lift.play(clean_script, 11.0)
    now = lift.pictures[-1].step
    assert now.number == 1
    assert now.progress == pytest.approx(0.5, abs=0.05)
    assert now.left.endswith("mm to go")
    assert not now.done


def test_a_person_ends_steps_where_no_hand_does(new_lift, clean_script):
    lift = new_lift(hand=False)
    lift.play(clean_script, 2.5)
    assert lift.act("zero").answer.ok
    lift.play(clean_script, 18.0)
    assert lift.pictures[-1].step.number == 1
    assert lift.pictures[-1].step.done
    assert lift.act("next").step.number == 2
    assert lift.act("back").step.number == 1
    lift.act("next")
    lift.act("next")
    assert lift.act("next").steps[2].ok is False, "ended before its stop"


def test_a_hold_ends_by_itself_and_work_never(document, new_lift, moment):
    document["step"] = [{"do": "hold", "for": "3 s"}, {"do": "work"}, {"do": "check"}, {"do": "vent"}]
    lift = new_lift(rig=Rig.model_validate(document))
    lift.play(lambda t: moment(), 4.0)
    assert lift.pictures[-1].step.number == 1
    lift.play(lambda t: moment(), 30.0)
    assert lift.pictures[-1].step.number == 2
    for number in (3, 4):
        assert lift.act("next").step.number == number
    assert lift.act("next").step is None
    refused = lift.act("next").answer
    assert not refused.ok
    assert "at its end" in refused.text
    assert lift.act("back").step.number == 4


def test_a_pressure_stop(document, new_lift, moment):
    document["step"] = [{"do": "fill", "bag": "S1-upper", "until": {"pressure": "1.5 bar"}}]
    lift = new_lift(rig=Rig.model_validate(document))
    lift.play(lambda t: moment(upper=min(1.4e5, max(0.0, (t - 3) * 1e5))), 8.0)
    assert not lift.pictures[-1].step.done
    assert lift.pictures[-1].step.left in ("0.09 bar to go", "0.10 bar to go", "0.11 bar to go")
    lift.play(lambda t: moment(upper=1.5e5), 10.0)
    assert lift.pictures[-1].step is None


def test_without_a_plan_the_other_rules_still_hold(document, new_lift, clean_script):
    document["step"] = []
    lift = new_lift(rig=Rig.model_validate(document))
    lift.play(clean_script, 30.0)
    assert lift.pictures[-1].step is None
    assert lift.raised() == []
    assert "no plan" in lift.act("next").answer.text


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda it, t: setattr(it, "silent", ("H3",) if t > 1.0 else ()), "H3 is stale"),
        (lambda it, t: setattr(it, "silent", ("load-x",)), "load-x is never-seen"),
        (lambda it, t: setattr(it, "offset", {"H1": 9.0}), "H1 is out-of-range"),
        (lambda it, t: setattr(it, "offset", {"H2": 0.002 * t}), "H2 is moving"),
        (lambda it, t: setattr(it, "offset", {"S1-upper-p": 2e4 * t}), "S1-upper-p is moving"),
        (lambda it, t: setattr(it, "offset", {"N1-ext": 0.004 * math.sin(20 * t)}), "N1-ext is moving"),
        (lambda it, t: setattr(it, "quality", Quality.OLD), "S1-lower-p is never-seen"),
    ],
)
def test_a_zero_is_refused_with_its_reason(new_lift, moment, change, says):
    lift = new_lift(hand=False)

    def script(t):
        it = moment()
        change(it, t)
        return it

    lift.play(script, 4.0)
    answer = lift.act("zero").answer
    assert not answer.ok
    assert says in answer.text
    assert lift.pictures[-1].zero.taken_ns is None
    assert says in lift.pictures[-1].zero.why_not


def test_the_hand_waits_for_latecomers_and_then_goes_on_without_them(lift, moment):
    def script(t):
        it = moment()
        it.silent = ("load-x", "load-y")
        return it

    lift.play(script, 2.9)
    assert lift.pictures[-1].zero.taken_ns is None
    lift.play(script, 3.5)
    assert lift.pictures[-1].zero.taken_ns == pytest.approx(3e9, abs=1e8)


def test_too_early_is_too_early(new_lift, moment):
    lift = new_lift(hand=False)
    lift.play(lambda t: moment(), 1.0)
    assert "has not been live for 2 s" in lift.act("zero").answer.text


def test_cribbing_may_be_marked_by_the_name_of_a_crib(document, new_lift, moment):
    document["crib"] = [{"name": "C1", "at": [4.0, 0.5], "width": 0.6}]
    lift = new_lift(rig=Rig.model_validate(document))
    lift.play(lambda t: moment(), 3.0)
    assert "cribbing packed at 50 mm" in lift.act("cribbed", at="C1", height_m=0.05).answer.text


def test_a_new_zero_measures_anew(new_lift, moment):
    lift = new_lift(hand=False)
    lift.play(lambda t: moment(), 2.5)
    lift.act("zero")
    lift.play(lambda t: moment(rise=min(0.03, (t - 2.5) * 0.006)), 12.0)
    assert lift.pictures[-1].load.rise_m == pytest.approx(0.03, abs=0.001)
    lift.act("zero")
    assert lift.play(lambda t: moment(rise=0.03), 13.0).load.rise_m == pytest.approx(0.0, abs=0.001)


@pytest.mark.parametrize(
    ("do", "details", "ok", "says"),
    [
        ("dance", {}, False, "no action 'dance'"),
        ("cribbed", {"height_m": 0.05}, True, "50 mm"),
        ("cribbed", {"at": "N1", "height_m": 0.05}, True, "50 mm"),
        ("cribbed", {"at": "N9"}, False, "no place 'N9': one of S1, N1, N2"),
        ("cribbed", {"height_m": "high"}, False, "a number is needed"),
        ("cribbed", {"height_m": -5.0}, False, "height_m: found -5.0, allowed is zero or more"),
        ("acknowledge", {"rule": "lean"}, False, "waits to be acknowledged"),
        ("acknowledge", {}, False, "needs 'rule'"),
        (
            "reset",
            {"rule": "slip", "about": "S1"},
            False,
            "no alarm 'slip S1' to reset: latched ones are, once cleared",
        ),
        ("reset", {"rule": "slip"}, False, "no alarm 'slip' to reset"),
        ("shelve", {"rule": "lean", "for_s": 5.0}, False, "a danger never is"),
        ("shelve", {"rule": "sensor-disagrees", "for_s": 9999.0}, False, "at most 600 s"),
        ("out-of-service", {"rule": "sensor-noisy", "about": "H1"}, True, "sensor-noisy H1 out of service"),
        ("out-of-service", {"rule": "lean", "about": "S1"}, False, "lean is a danger and stays in service"),
        ("out-of-service", {"rule": "dance", "about": "S1"}, False, "no rule 'dance': one of stop-called, "),
        ("out-of-service", {"rule": "shore-air-low", "about": "N9"}, False, "does not watch 'N9': one of N1, N2"),
        ("out-of-service", {"rule": "shore-air-low"}, False, "needs 'about'"),
        ("in-service", {"rule": "sensor-noisy", "about": "H1"}, False, "sensor-noisy H1 is not out of service"),
        ("release", {"shore": "N1"}, True, "N1 released"),
        ("release", {"shore": "N7"}, False, "one of N1, N2"),
        ("isolate", {"bag": "S1-upper"}, True, "isolated"),
        ("isolate", {"bag": "S2"}, False, "one of S1-lower, S1-upper"),
        ("tick", {"item": "hoses"}, True, "hoses"),
        ("tick", {}, False, "needs 'item'"),
        ("note", {"text": "wind"}, True, "wind"),
        ("stop", {}, True, "STOP called"),
        ("clear-stop", {}, False, "no STOP stands"),
    ],
)
def test_what_a_person_may_say_and_what_is_answered(lift, moment, do, details, ok, says):
    lift.play(lambda t: moment(), 3.0)
    answer = lift.act(do, **details).answer
    assert (answer.do, answer.ok) == (do, ok)
    assert says in answer.text


def test_whatever_may_be_typed_is_understood(lift):
    said = lift.act("dance").answer.text
    assert said.removeprefix("no action 'dance': one of ").split(", ") == list(VERBS)


def test_before_the_zero_there_is_no_step_to_end(new_lift, moment):
    lift = new_lift(hand=False)
    lift.play(lambda t: moment(), 1.0)
    assert "take the zero first" in lift.act("next").answer.text
    assert "take the zero first" in lift.act("back").answer.text
    assert "rise not known" in lift.act("cribbed").answer.text


def test_acknowledging_is_kept_in_the_life_of_the_alarm(lift, moment):
    lift.play(lambda t: moment(), 3.0)
    lift.act("stop", reason="x")
    picture = lift.act("acknowledge", rule="stop-called", about="crew")
    assert picture.answer.ok
    assert picture.alarms[0].state is AlarmState.ACKNOWLEDGED
    assert [t.alarm.state for t in picture.transitions] == [AlarmState.ACKNOWLEDGED]


def test_out_of_service_stays_in_the_picture_until_it_is_put_back(lift, moment):
    lift.play(lambda t: moment(), 3.0)
    picture = lift.act("out-of-service", rule="sensor-lost", about="H1")
    # A warning where it blinds a danger rule, a caution where it does not: both rows.
    assert [(it.priority.word, it.state, it.raised_ns, it.text) for it in picture.alarms] == [
        ("warning", AlarmState.OUT_OF_SERVICE, None, "WARNING sensor-lost H1: out of service"),
        ("caution", AlarmState.OUT_OF_SERVICE, None, "CAUTION sensor-lost H1: out of service"),
    ]
    assert "already" in lift.act("out-of-service", rule="sensor-lost", about="H1").answer.text
    picture = lift.play(lambda t: moment(silent=("H1",)), 6.0)
    lost = [it for it in picture.alarms if it.active]
    assert [(it.rule, it.state) for it in lost] == [("sensor-lost", AlarmState.OUT_OF_SERVICE)]
    assert "silent" in lost[0].text
    assert lift.raised() == []
    picture = lift.act("in-service", rule="sensor-lost", about="H1")
    assert [(it.rule, it.state) for it in picture.alarms] == [("sensor-lost", AlarmState.UNACKNOWLEDGED)]
    verdict = Verdict()
    for picture in lift.pictures:
        verdict.take(picture)
    assert [(it["rule"], it["raised"] > 3.0) for it in verdict.alarms] == [("sensor-lost", True)], "once, when it rose"


def test_before_the_first_tick_nothing_is_known_to_be_watched(new_lift):
    lift = new_lift()
    assert (
        "does not watch 'H1': one of nothing here" in lift.act("in-service", rule="sensor-lost", about="H1").answer.text
    )


def test_an_isolated_bag_is_unknown_not_empty(lift, clean_script):
    lift.play(clean_script, 12.0)
    lift.act("isolate", bag="S1-upper")
    bag = lift.play(clean_script, 13.0).stacks[0].bags[1]
    assert (bag.pressure_pa, bag.use, bag.doing) == (None, None, "unknown")
    lift.act("isolate", bag="S1-upper")
    back = lift.play(clean_script, 15.4).stacks[0].bags[1]
    assert back.pressure_pa is None, "its gauge jumps when it is put back: not believed for 2.5 s"
    assert lift.play(clean_script, 15.8).stacks[0].bags[1].pressure_pa is not None


def test_the_doing_of_every_bag_is_seen(lift, clean_script):
    doing = {t: lift.play(clean_script, t).stacks[0].bags for t in (2.0, 5.0, 12.0, 18.5, 21.0, 30.0, 50.0, 70.0, 95.0)}
    assert [tuple(bag.doing for bag in bags) for bags in doing.values()] == [
        ("resting", "resting"),
        ("resting", "filling"),
        ("resting", "filling"),
        ("resting", "holding"),
        ("filling", "holding"),
        ("filling", "holding"),
        ("holding", "holding"),
        ("venting", "holding"),
        ("resting", "resting"),
    ]


def test_shores_follow_and_lock(lift, clean_script):
    assert {shore.doing for shore in lift.play(clean_script, 12.0).shores} == {"following"}
    assert {shore.doing for shore in lift.play(clean_script, 18.5).shores} == {"locked"}


def finite(value) -> bool:
    if isinstance(value, float):
        return math.isfinite(value)
    if is_dataclass(value):
        return all(finite(getattr(value, it.name)) for it in fields(value))
    if isinstance(value, tuple):
        return all(map(finite, value))
    return True


def test_no_picture_ever_holds_nan_or_infinity(new_lift, moment):
    lift = new_lift(seed=5)
    for _ in range(1200):
        t = lift.now_ns * 1e-9
        it = moment(
            rise=max(0.0, min(0.5, (t - 3) * 0.01)) if lift.random.random() > 0.02 else lift.random.uniform(-0.5, 3.0),
            upper=lift.random.choice([0.0, 2.7e5, -1e4]),
            lower=lift.random.choice([0.0, 2.7e5, 9e5]),
        )
        it.rise = min(it.rise, 4.0)
        it.silent = tuple(c.name for c in lift.rig.channel if lift.random.random() < 0.3)
        assert finite(lift.step(it))


def test_the_same_entries_give_the_same_pictures_to_the_bit(new_lift, clean_script):
    first, second = new_lift(seed=9), new_lift(seed=9)
    first.play(clean_script, 40.0)
    second.play(clean_script, 40.0)
    assert first.pictures == second.pictures


def test_silence_alone_is_data(rig):
    engine = Engine(rig)
    picture = engine.tick(Tick(10_000_000_000))
    assert {alarm.rule for alarm in picture.alarms} == {"link-lost"}
    engine.act(Action(10_000_000_000, "zero"))
    assert not engine.tick(Tick(10_050_000_000)).answer.ok


def test_a_sensor_that_wakes_after_the_zero_is_named_and_a_new_zero_takes_it_in(lift, moment):
    def late(t):
        it = moment()
        it.silent = ("load-x",) if t < 6.0 else ()
        return it

    lift.play(late, 8.0)
    status = {sensor.name: sensor.status.value for sensor in lift.pictures[-1].sensors}
    assert status["load-x"] == "check"
    assert "load-x: was silent at the zero" in lift.pictures[-1].alarms[0].text
    assert lift.act("zero").answer.ok
    picture = lift.play(late, 10.5)
    assert {sensor.status.value for sensor in picture.sensors} == {"ok"}
    assert not any(alarm.active for alarm in picture.alarms)
