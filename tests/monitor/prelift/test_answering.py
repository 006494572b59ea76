"""Who answers a breath or a move. All readings are invented."""

from __future__ import annotations

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.reading import Quality, Reading
from monitor.prelift.answering import ANSWERS, REST_NS, Answer, Watched, judge
from monitor.prelift.results import Outcome
from monitor.prelift.targets import Target, targets

PERIOD_NS = 50_000_000
UPPER = Target("S1-upper", "S1-upper-p", True, "give bag S1-upper a breath of air", "")
LOWER = Target("S1-lower", "S1-lower-p", True, "give bag S1-lower a breath of air", "")
H1 = Target("H1", "H1", False, "move sensor H1", "")
KINDS = {"S1-upper-p": "pressure", "S1-lower-p": "pressure", "N1-p": "pressure", "N1-ext": "length", "H1": "length"}
OWNERS = {"S1-upper-p": "S1-upper", "S1-lower-p": "S1-lower", "N1-p": "N1"}


def answer(target: Target, **changes: float) -> Answer:
    named = {name.replace("_", "-"): change for name, change in changes.items()}
    return Answer(target, dict.fromkeys(KINDS, 0.5) | named, KINDS)


def judged(it: Answer, *earlier: Answer) -> tuple[Outcome, str]:
    result = judge(it, earlier, OWNERS)
    assert (result.check, result.about) == (it.target.check, it.target.name)
    return result.outcome, result.text


def test_the_right_one_answers():
    assert judged(answer(UPPER, S1_upper_p=52.0)) == (Outcome.OK, "S1-upper-p answers (52 times its noise)")


def test_another_answers():
    assert judged(answer(UPPER, S1_lower_p=-52.0)) == (
        Outcome.WRONG,
        "S1-lower-p answers instead (52 times its noise): look for a crossed hose or swapped wire",
    )


def test_both_ways_round_is_crossed():
    first, second = answer(UPPER, S1_lower_p=52.0), answer(LOWER, S1_upper_p=31.0)
    assert judged(second, first) == (
        Outcome.WRONG,
        "S1-upper-p answers instead (31 times its noise): hoses or wires of S1-lower and S1-upper are crossed",
    )
    assert judged(first, second)[1].endswith("hoses or wires of S1-upper and S1-lower are crossed")
    assert "look for" in judged(second, answer(UPPER, N1_p=52.0))[1], "a ring of three is no crossed pair"


def test_nothing_answers_says_where_to_look_and_in_which_order():
    outcome, text = judged(answer(UPPER))
    assert outcome is Outcome.WRONG
    places = [text.index(it) for it in ("nothing answers", "unseated coupling", "shut valve", "crossed hoses")]
    assert places == sorted(places)
    assert judged(answer(H1))[1].startswith("nothing answers: look at its plug")


def test_two_that_answer_alike_are_both_named():
    assert judged(answer(UPPER, S1_upper_p=52.0, S1_lower_p=40.0)) == (
        Outcome.WRONG,
        "S1-upper-p and S1-lower-p answer alike: joined hoses or wires, or more than one was moved",
    )
    assert judged(answer(UPPER, S1_upper_p=52.0, S1_lower_p=20.0))[0] is Outcome.OK, (
        "a neighbour that is pressed a little"
    )


def test_air_that_moves_a_shore_is_judged_by_the_gauge_not_by_the_way_it_went():
    shore = Target("N1", "N1-p", True, "give shore N1 a breath of air", "")
    assert judged(answer(shore, N1_p=100.0, N1_ext=300.0))[0] is Outcome.OK
    assert judged(answer(shore, N1_ext=300.0))[1].startswith("N1-ext answers instead"), (
        "no gauge does, so what does is named"
    )


def test_one_that_does_not_rest_is_not_judged():
    assert judged(Answer(UPPER, {"S1-lower-p": 0.5}, KINDS)) == (
        Outcome.UNSURE,
        "S1-upper-p does not rest, so nothing can be said",
    )


@given(
    st.sampled_from(list(OWNERS)),
    st.sampled_from(list(OWNERS)),
    st.floats(ANSWERS, 1e6),
    st.dictionaries(st.sampled_from(list(KINDS)), st.floats(-ANSWERS * 0.49, ANSWERS * 0.49)),
    st.booleans(),
)
def test_whoever_answers_alone_is_named_whatever_the_others_tremble(should, does, change, quiet, down):
    changes = dict.fromkeys(KINDS, 0.0) | quiet | {does: -change if down else change}
    result = judge(Answer(Target(OWNERS[should], should, True, "", ""), changes, KINDS), (), OWNERS)
    assert (result.outcome is Outcome.OK) is (should == does)
    assert result.text.startswith(does)


def watched(values: list[float], noise: float = 1.0) -> Watched:
    it = Watched(noise, 1_000_000_000)
    for k, value in enumerate(values):
        it.take(Reading("x", k, k * PERIOD_NS, None, value))
    return it


_RANDOM = random.Random(1)
RESTING = [_RANDOM.gauss(0.0, 1.0) for _ in range(41)]


def test_it_rests_after_two_seconds_of_standing_still():
    assert not watched(RESTING[:20]).rests(19 * PERIOD_NS)
    assert watched(RESTING).rests(40 * PERIOD_NS)
    assert not watched(RESTING).rests(40 * PERIOD_NS + 1_000_000_001), "silent, which is no rest"
    assert not watched([0.2 * k + value for k, value in enumerate(RESTING)]).rests(40 * PERIOD_NS), "it drifts"
    assert not watched([5.0 * value for value in RESTING]).rests(40 * PERIOD_NS), "it shakes"


def test_a_slow_sensor_rests_too():
    it = Watched(1.0, 5_000_000_000)
    for k in range(5):
        it.take(Reading("x", k, k * 1_000_000_000, None, float(k % 2)))
    assert it.rests(4_500_000_000)


def after_rest(values: list[float], quality: Quality = Quality.GOOD) -> Watched:
    it = watched(RESTING)
    it.begin()
    for k, value in enumerate(values):
        it.take(Reading("x", 41 + k, (41 + k) * PERIOD_NS, None, value, quality))
    return it


@given(st.lists(st.floats(-1.0, 1.0), min_size=5, max_size=30), st.integers(0, 29), st.floats(-1e6, 1e6))
def test_one_spoilt_reading_is_no_answer(values, at, spike):
    values[at % len(values)] = spike
    assert abs(after_rest(values).peak) < ANSWERS


@given(st.floats(15.0, 1e6), st.booleans())
def test_a_breath_is_an_answer_and_over_once_the_air_is_out(size, down):
    sign = -1.0 if down else 1.0
    it = after_rest([sign * size] * 4)
    assert sign * it.peak >= ANSWERS
    assert not it.returned
    for k in range(4):
        it.take(Reading("x", 50 + k, (50 + k) * PERIOD_NS, None, 0.0))
    assert it.returned
    assert sign * it.peak >= ANSWERS, "it has answered, also when it has come back"


def test_a_value_a_broker_kept_is_no_answer():
    assert after_rest([1e3] * 5, Quality.OLD).peak == 0.0


@given(st.floats(-1e5, 1e5), st.floats(1e-3, 1e3))
def test_unit_and_offset_do_not_matter(offset, scale):
    values = [*RESTING, *[20.0 + value for value in RESTING[:6]]]
    it = watched([offset + scale * value for value in RESTING], scale)
    it.begin()
    for k, value in enumerate(values[41:]):
        it.take(Reading("x", 41 + k, (41 + k) * PERIOD_NS, None, offset + scale * value))
    assert it.peak == pytest.approx(after_rest(values[41:]).peak, rel=1e-4)


def test_rest_is_as_long_as_the_zero():
    from monitor.engine.channels import ZERO_WINDOW_NS

    assert REST_NS == ZERO_WINDOW_NS


def test_every_channel_of_a_rig_is_a_target_once(yard):
    found = targets(yard)
    assert sorted(it.channel for it in found) == sorted(channel.name for channel in yard.channel)
    assert [it.name for it in found[:4]] == ["S1-lower", "S1-upper", "N1", "N2"]
    assert [it.ask for it in found if it.name in ("S1-upper", "N1", "H1", "S1-mid-y", "load-x")] == [
        "give bag S1-upper a breath of air",
        "give shore N1 a breath of air",
        "move sensor H1 (height of the load at x 4.7 m, y 1.2 m)",
        "move sensor load-x (tilt of the load along x)",
        "move sensor S1-mid-y (tilt of the plate above S1-lower, y)",
    ]
