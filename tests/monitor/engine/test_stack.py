"""A stack of bags, from readings to its picture: force, heights, reach, lean, slip."""

import math

import pytest

from monitor.rig.schema import Rig


def test_force_height_and_reach_of_the_example(lift, clean_script):
    picture = lift.play(clean_script, 12.0)
    stack = picture.stacks[0]
    assert stack.force_n == pytest.approx(32_000, rel=0.01)
    assert stack.height_m == pytest.approx(0.24 + 0.036, abs=0.002)
    assert stack.reach_m == pytest.approx(1.04)
    lower, upper = stack.bags
    assert lower.height_m == pytest.approx(0.12)
    assert upper.height_m == pytest.approx(0.156, abs=0.002)
    assert upper.needed_pa == pytest.approx(upper.pressure_pa, rel=0.01)
    assert upper.use == pytest.approx(upper.pressure_pa / 8e5)


def test_two_open_bags_share_the_height(lift, clean_script):
    stack = lift.play(clean_script, 45.0).stacks[0]
    assert [bag.height_m for bag in stack.bags] == pytest.approx([0.21, 0.18], abs=0.015)
    assert sum(bag.height_m for bag in stack.bags) == pytest.approx(stack.height_m)


def test_before_it_lifts_the_force_is_not_known(lift, clean_script):
    assert lift.play(clean_script, 5.0).stacks[0].force_n is None


def silent(script, *channels):
    def it(t):
        moment = script(t)
        moment.silent = channels
        return moment

    return it


def test_a_lost_gauge_blinds_neither_the_lean_nor_the_force(lift, clean_script):
    lift.play(clean_script, 30.0)
    stack = lift.play(silent(clean_script, "S1-lower-p"), 33.0).stacks[0]
    assert stack.bags[0].pressure_pa is None
    assert stack.force_n == pytest.approx(32_000, rel=0.02)  # the other bag carries the same
    assert [bag.height_m for bag in stack.bags] == pytest.approx([0.186, 0.181], abs=0.01)
    assert stack.lean_m is not None
    assert stack.lean_sd_m > 0.0


def test_a_bag_shut_off_without_its_hose_keeps_its_height(lift, clean_script):
    lift.play(clean_script, 45.0)
    lift.act("isolate", bag="S1-lower")
    stack = lift.play(clean_script, 60.0).stacks[0]
    assert stack.bags[0].pressure_pa is None
    assert [bag.height_m for bag in stack.bags] == pytest.approx([0.21, 0.181], abs=0.015)
    assert stack.force_n == pytest.approx(32_000, rel=0.02)


def test_a_stack_that_no_gauge_sees_has_no_force(lift, clean_script):
    lift.play(clean_script, 45.0)
    stack = lift.play(silent(clean_script, "S1-lower-p", "S1-upper-p"), 48.0).stacks[0]
    assert (stack.force_n, stack.force_sd_n, stack.reach_m) == (None, None, None)


def test_a_clean_lift_leans_with_its_load_and_nothing_is_at_odds(lift, clean_script):
    # The slab turns about the edge 4.2 m away: its point over the stack goes 4.2 m * (1 - cos) toward the hinge.
    lift.play(clean_script, 60.0)
    for picture in lift.pictures:
        stack = picture.stacks[0]
        assert stack.disagree == ()
        if stack.rise_m is None:
            continue
        carried = math.sqrt(4.2**2 - stack.rise_m**2) - 4.2
        assert (stack.lean_x_m, stack.lean_y_m) == (pytest.approx(carried, abs=0.005), pytest.approx(0.0, abs=0.002))
        assert stack.slipping is not True
        assert stack.lean_bound_m == pytest.approx(3.0 * stack.lean_sd_m)
        assert stack.plates[-1][:2] == pytest.approx((stack.lean_x_m, stack.lean_y_m))


def test_gauges_that_contradict_each_other_are_both_named(lift, clean_script):
    def wrong(t):
        it = clean_script(t)
        it.offset = {"S1-upper-p": 60e3} if t > 45.0 else {}
        return it

    lift.play(wrong, 45.5)
    assert lift.pictures[-1].stacks[0].disagree == ()
    stack = lift.play(wrong, 48.0).stacks[0]
    assert stack.disagree == ("S1-lower", "S1-upper")
    assert stack.force_sd_n > 0.05 * stack.force_n


def rolling(script, degrees, at, seconds):
    def it(t):
        moment = script(t)
        moment.roll = math.radians(degrees) * min(1.0, max(0.0, (t - at) / seconds))
        return moment

    return it


def test_a_head_that_rolled_carries_the_load_where_it_stands_higher(lift, clean_script):
    # 30 degrees of roll (invented) put the head outward by the sine's way, where the slab has risen by its slope times that.
    script = rolling(clean_script, -30.0, 48.0, 8.0)
    stack = lift.play(script, 60.0).stacks[0]
    slope = stack.rise_m / 4.2
    carried = math.sqrt(4.2**2 - stack.rise_m**2) - 4.2
    assert stack.lean_x_m > 0.08
    assert stack.plates[-1][2] - stack.height_m == pytest.approx(slope * (stack.lean_x_m - carried), abs=5e-4)


def test_a_head_whose_tilt_nobody_measures_may_turn_with_the_roll_below(document, new_lift, clean_script):
    # A quarter of the roll, over half of the upper bag of 0.18 m, one standard deviation; what else is in the error stays.
    document["stack"][0]["head_tilt"] = None
    lift = new_lift(rig=Rig.model_validate(document))
    ten, twenty = (
        lift.play(rolling(clean_script, degrees, at, 4.0), at + 8.0).stacks[0].lean_sd_m
        for degrees, at in ((-10.0, 48.0), (-20.0, 52.0))
    )
    more = 0.25 * 0.18 / 2.0 * math.sqrt(math.radians(20.0) ** 2 - math.radians(10.0) ** 2)
    assert math.sqrt(twenty**2 - ten**2) == pytest.approx(more, rel=0.2)


def test_a_head_that_slides_is_called_and_its_load_no_longer_asked(lift, clean_script):
    # 4 degrees more of the plate between lean two bags of 0.21 and 0.18 m by 13.6 mm (computed), in half a second.
    script = rolling(clean_script, -4.0, 48.0, 0.5)
    assert lift.play(script, 47.9).stacks[0].slipping is False
    assert lift.play(script, 49.0).stacks[0].slipping is True
    assert lift.pictures[-1].stacks[0].slip_m == pytest.approx(0.0136, abs=0.002)
    stack = lift.play(script, 52.0).stacks[0]
    assert stack.slipping is False
    tilts = -0.21 * math.tan((stack.rise_m / 4.2 / 2.0 - math.radians(4.0)) / 2.0) - 0.18 * math.tan(
        (stack.rise_m / 4.2 * 1.5 - math.radians(4.0)) / 2.0
    )
    assert stack.lean_x_m == pytest.approx(tilts, abs=0.002)
    assert stack.lean_sd_m > 0.005  # what shear does to it, nobody knows any more


def test_bags_that_roll_slowly_lean_and_the_rise_that_ends_it_is_foretold(lift, clean_script):
    script = rolling(clean_script, 60.0, 22.0, 60.0)
    stack = lift.play(script, 35.0).stacks[0]
    assert stack.lean_x_m < -0.035
    assert stack.lean_use == pytest.approx(stack.lean_m / 0.15)
    assert stack.rise_m < stack.lean_at_rise_m < 0.8
    assert not any(picture.stacks[0].slipping for picture in lift.pictures)
    assert lift.play(script, 46.0).stacks[0].lean_at_rise_m is None  # it rises no more


def test_where_the_heads_ring_must_stay_inside_it_counts(document, new_lift, clean_script):
    document["stack"][0]["head_ring"] = "60 mm"
    stack = new_lift(rig=Rig.model_validate(document)).play(clean_script, 30.0).stacks[0]
    assert stack.lean_use == pytest.approx((stack.lean_m + 0.06) / 0.15)


def test_the_heads_own_travel_comes_before_everything(document, new_lift, clean_script):
    # Pure shear: plates parallel, the head 20 mm out. Tilts see nothing of it.
    document["stack"][0]["head_offset"] = ["S1-off-x", "S1-off-y"]
    for axis in "xy":
        document["channel"].append(
            {
                "name": f"S1-off-{axis}",
                "quantity": "length",
                "range": ["-1 m", "1 m"],
                "noise": "0.5 mm",
                "source": {"port": "bench", "id": f"O{axis}"},
            }
        )
    lift = new_lift(rig=Rig.model_validate(document))
    plain = lift.truth
    gone = {"S1-off-x": 0.0, "S1-off-y": 0.0}
    lift.truth = lambda moment: plain(moment) | gone
    lift.play(clean_script, 40.0)
    gone["S1-off-y"] = 0.02
    stack = lift.play(clean_script, 40.8).stacks[0]
    assert stack.slipping is True
    assert stack.slip_m == pytest.approx(0.02, abs=0.003)
    stack = lift.play(clean_script, 44.0).stacks[0]
    assert stack.lean_y_m == pytest.approx(0.02, abs=0.002)
    assert stack.lean_sd_m < 0.001


def test_over_one_bag_alone_tilts_see_no_slide(document, new_lift, moment):
    document["stack"][0]["bag"] = document["stack"][0]["bag"][:1]
    document["stack"][0]["bag"][0].pop("plate_tilt")
    document["stack"][0]["height_at_zero"] = "0.12 m"
    document["step"] = []
    stack = new_lift(rig=Rig.model_validate(document)).play(lambda t: moment(), 4.0).stacks[0]
    assert stack.lean_m is not None
    assert (stack.slipping, stack.slip_m) == (None, None)


def test_a_new_zero_begins_anew(lift, clean_script):
    script = rolling(clean_script, -6.0, 48.0, 0.3)
    lift.play(script, 52.0)
    assert lift.engine.stacks[0]._slipped
    lift.play(script, 55.0)
    lift.act("zero")
    lift.tick()
    assert not lift.engine.stacks[0]._slipped
