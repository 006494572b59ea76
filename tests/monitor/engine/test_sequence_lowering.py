"""Steps on the way down: their words, which bag is vented, and a plan that is given up."""

from __future__ import annotations

import itertools

import pytest

from monitor.rig.schema import Rig


def walked(script, touch_at=None):
    """The clean script, with a touch of rise of 3 mm before it comes down at 62 s."""

    def moves(t):
        it = script(min(t, 61.9)) if t < 70.0 else script(t - 8.0)
        if touch_at is not None and touch_at <= t < 70.0:
            it.rise += min(0.003, 0.003 * (t - touch_at))
        return it

    return moves


def words(lift, since):
    said = [p.step.left for p in lift.pictures if p.step is not None and p.step.number == 6 and p.time_ns > since * 1e9]
    return [word for word, _ in itertools.groupby(said)]


def test_a_lowering_leads_the_crew_through_it(lift, clean_script):
    lift.play(walked(clean_script, touch_at=64.0), 90.0)
    said = words(lift, 55.0)
    assert said[0] == "release shores, raise a touch: 1 mm"
    assert "locks free: hold release, vent, walk down" in said
    assert said[-1].endswith("mm to go")


def test_air_comes_first(lift, clean_script):
    def low(t):
        it = walked(clean_script)(t)
        it.air_n1 = 1.2e5 if t > 55.0 else 1.8e5
        return it

    lift.play(low, 66.0)
    assert lift.pictures[-1].step.left == "air to 1.80 bar in N1"


def test_without_shores_a_lowering_says_what_is_left(document, new_lift, clean_script):
    document["shore"] = []
    document["step"] = [step for step in document["step"] if step["do"] != "capture"]
    lift = new_lift(rig=Rig.model_validate(document))
    lift.play(clean_script, 70.0)
    assert lift.pictures[-1].step.left.endswith("mm to go")


VENTS = [
    {"do": "fill", "bag": "S1-upper", "until": {"rise": "60 mm"}},
    {"do": "fill", "bag": "S1-lower", "until": {"rise": "150 mm"}},
    {"do": "vent", "bag": "S1-lower", "until": {"rise": "61 mm"}},
    {"do": "vent", "bag": "S1-upper", "until": {"rise": "0 mm"}},
]


def down(script, first, second, at, until=99.0):
    """The clean script to 55 s; then one bag is let out to nothing until a moment, and the other."""

    def moves(t):
        it = script(min(t, 55.0))
        for bag, since in ((first, at), (second, until)):
            gone = min(1.0, max(0.0, (t - since) / 4.0))
            it.rise -= 0.02 * gone if bag == first else 0.01 * gone
            setattr(it, bag, getattr(it, bag) * (1.0 - 0.6 * gone))
        return it

    return moves


@pytest.mark.parametrize(("first", "expected"), [("lower", []), ("upper", [("bag-order", "S1-upper", "danger")])])
def test_bag_order_sounds_for_the_wrong_bag_on_the_way_down(document, new_lift, clean_script, first, expected):
    document["step"] = [*VENTS[:3], {"do": "hold", "for": "5 s"}, VENTS[3]]
    lift = new_lift(rig=Rig.model_validate(document))
    lift.play(down(clean_script, first, "lower" if first == "upper" else "upper", 58.0), 61.0)
    assert lift.pictures[-1].step.number == 3
    assert [it for it in lift.raised() if it[0] in ("bag-order", "bag-early")][:1] == expected


def test_a_bag_vented_to_a_stop_went_well_only_if_it_came_there(document, new_lift, clean_script):
    document["step"] = VENTS[2:]
    lift = new_lift(rig=Rig.model_validate(document))
    lift.play(clean_script, 30.0)
    assert lift.pictures[-1].step.progress is not None
    assert lift.act("next").steps[0].ok is False


def test_a_plan_that_is_abandoned_is_said_so_and_the_rest_is_watched(lift, clean_script):
    lift.play(clean_script, 12.0)
    picture = lift.act("abandon")
    assert picture.answer.ok
    assert "plan abandoned in step 1" in picture.answer.text
    assert picture.step is None
    assert picture.abandoned
    assert picture.steps[0].ok is False
    assert "abandoned" in lift.act("next").answer.text
    assert not lift.act("abandon").answer.ok

    def stuck(t):
        it = clean_script(t)
        it.gap_n1 = 0.009 if t > 14.0 else 0.001
        return it

    lift.play(stuck, 17.0)
    assert ("shore-behind", "N1", "warning") in lift.raised()
    picture = lift.act("back")
    assert (picture.step.number, picture.abandoned) == (1, False)


def test_a_zero_says_what_it_does_to_a_plan_that_was_begun(new_lift, moment):
    """Whoever gave the plan up and measures anew is watched by its steps again: "zero taken" alone did not say so."""
    lift = new_lift()
    lift.play(lambda t: moment(), 4.0)
    lift.act("abandon")
    picture = lift.act("zero")
    assert picture.answer.text == "zero taken: the plan that was given up is taken up again, from step 1"
    assert (picture.step.number, picture.abandoned) == (1, False)
    assert lift.act("zero").answer.text == "zero taken: the plan begins again, at step 1"


def test_the_first_zero_says_no_more_than_that(new_lift, moment):
    lift = new_lift(hand=False)
    lift.play(lambda t: moment(), 3.0)
    assert lift.act("zero").answer.text == "zero taken"


def test_a_zero_without_a_plan_says_no_more_than_that(document, new_lift, moment):
    document["step"] = []
    lift = new_lift(hand=False, rig=Rig.model_validate(document))
    lift.play(lambda t: moment(), 3.0)
    assert [lift.act("zero").answer.text for _ in range(2)] == ["zero taken"] * 2


def test_there_is_no_plan_to_abandon_before_the_zero(new_lift, moment):
    lift = new_lift(hand=False)
    lift.play(lambda t: moment(), 1.0)
    assert "take the zero first" in lift.act("abandon").answer.text


def test_a_shore_that_walks_down_holds_nothing_and_locks_again(lift, clean_script):
    lift.play(clean_script, 66.0)
    assert {shore.doing for shore in lift.pictures[-1].shores} == {"released"}
    assert lift.pictures[-1].held_by == ("bags",)
    lift.play(lambda t: clean_script(min(t, 66.0)), 69.0)
    assert {shore.doing for shore in lift.pictures[-1].shores} == {"locked"}
    assert lift.pictures[-1].held_by == ("bags", "shores")
