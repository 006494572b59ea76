"""The rule table: sound as a table, and each rule sounds when it should and stays quiet when it nearly should."""

from __future__ import annotations

import itertools
import math

import pytest

from monitor.engine import conditions as see
from monitor.engine.conditions import Measured
from monitor.engine.picture import Priority
from monitor.engine.rules import RULES
from monitor.rig.schema import Rig

NAMES = {
    # The names other programs and recordings rely on.
    "bag-order",
    "bag-early",
    "uncaptured",
    "shore-behind",
    "shore-air-low",
    "lean",
    "bag-pressure",
    "rise-rate",
    "tilt",
    "cross-tilt",
    "sensor-lost",
    "sensor-wire",
    "sensor-range",
    "sensor-disagrees",
    "sensor-frozen",
    "sensor-noisy",
    "calibration-old",
    "link-lost",
    "recorder",
    "behind-time",
    "stop-called",
    "slip",
    "hinge-shift",
    "over-centre",
    "overload",
    "hung-on-shores",
    "lower-not-freed",
    "shore-drop",
    "shore-lifting",
    "shore-air-high",
    "not-held",
    "moved-alone",
    "unticked",
    "out-of-step",
    "lean-ahead",
    "reach",
    "uneven",
    "no-lift",
    "gauge-gone",
    "sinking",
    "air-short",
    "crib-limit",
    "ground-limit",
    "flood",
}


def test_the_table_holds_these_rules():
    assert {rule.name for rule in RULES} == NAMES


def test_no_two_rows_tie():
    assert len({(rule.name, rule.priority) for rule in RULES}) == len(RULES)
    assert [rule.priority for rule in RULES] == sorted((rule.priority for rule in RULES), reverse=True)


def test_what_has_happened_and_matters_when_it_is_over_is_latched():
    assert {rule.name for rule in RULES if rule.latch} == {"slip", "hinge-shift", "shore-drop", "moved-alone"}


def quiet(raised):
    return [alarm for alarm in raised if alarm[2] in ("warning", "danger")]


def test_a_clean_lift_sounds_nothing(lift, clean_script):
    lift.play(clean_script, 100.0)
    assert lift.raised() == []
    assert [step.ok for step in lift.pictures[-1].steps] == [True] * 6
    assert lift.pictures[-1].step is None


def swap(script):
    def swapped(t):
        it = script(t)
        it.lower, it.upper = it.upper, it.lower
        return it

    return swapped


def test_bag_order_sounds_for_the_wrong_bag(lift, clean_script):
    lift.play(swap(clean_script), 12.0)
    assert lift.raised() == [("bag-order", "S1-lower", "danger")]
    assert lift.when("bag-order", "danger") == pytest.approx(3.0, abs=1.0)  # it takes air from 3.0 s on


def early(script, begun):
    def both(t):
        it = script(t)
        if t > begun:
            it.lower = min(2.6e5, 1.2e5 * (t - begun))
            it.rise = script(begun).rise
        return it

    return both


def test_bag_early_sounds_for_the_next_bag_and_bag_order_does_not(lift, clean_script):
    lift.play(early(clean_script, 11.0), 14.0)
    assert lift.raised() == [("bag-early", "S1-lower", "warning")]


def test_the_next_bag_after_its_turn_sounds_nothing(lift, clean_script):
    lift.play(clean_script, 30.0)
    assert quiet(lift.raised()) == []


def test_a_bag_shut_a_little_late_sounds_nothing(lift, moment):
    def late(t):  # the upper bag goes on for three seconds after its stop, so that steps 2 and 3 begin meanwhile
        return moment(rise=min(0.078, max(0.0, (t - 6.0) * 0.006)), upper=min(2.667e5, max(0.0, (t - 3.0) * 0.9e5)))

    lift.play(late, 25.0)
    assert lift.raised() == []


def leaning(script, degrees, at=24.0):
    def rolled(t):
        it = script(t)
        it.roll = -math.radians(min(degrees, max(0.0, (t - at) * 1.0)))  # slowly: a quick one would be a slip
        it.offset = {"S1-head-x": it.roll / 2.0}  # the bags drag the top plate along
        return it

    return rolled


@pytest.mark.parametrize(
    ("degrees", "expected"),
    [(20.0, []), (30.0, [("lean", "S1", "caution")]), (36.0, [("lean", "S1", "caution"), ("lean", "S1", "danger")])],
)
def test_lean_sounds_at_seventy_and_a_hundred_percent_of_the_cone(lift, clean_script, degrees, expected):
    lift.play(leaning(clean_script, degrees), 61.0)
    assert [it for it in lift.raised() if it[0] != "lean-ahead"] == expected  # its trend would take it out each time
    peak = max(p.stacks[0].lean_use or 0.0 for p in lift.pictures)
    # Two bags of 195 mm, chords along the mean tilts of their plates, over a ring of 150 mm; the load itself is at 2.06 degrees.
    middle, head = math.radians(degrees - 1.03), math.radians(degrees / 2 - 2.06)
    assert peak == pytest.approx(1.3 * (math.tan(middle / 2) + math.tan((middle + head) / 2)), abs=0.02)


def test_the_danger_of_lean_counts_the_bound():
    stack = next(s for s in RULES if s.name == "lean" and s.priority is Priority.DANGER)
    assert stack.look is see.lean_with_bound


@pytest.mark.parametrize(
    ("pressure", "expected"),
    [
        (7.5e5, []),
        (7.8e5, [("bag-pressure", "S1-upper", "caution")]),
        (8.2e5, [("bag-pressure", "S1-upper", "caution"), ("bag-pressure", "S1-upper", "danger")]),
    ],
)
def test_bag_pressure_sounds_near_and_above_the_working_pressure(lift, moment, pressure, expected):
    lift.play(lambda t: moment(upper=min(pressure, max(0.0, (t - 3.0) * 2e5))), 12.0)
    # So much air and no rise is told as well.
    assert sorted(it for it in lift.raised() if it[0] != "no-lift") == sorted(expected)


@pytest.mark.parametrize(("rate", "expected"), [(0.010, []), (0.015, [("rise-rate", "load", "warning")])])
def test_rise_rate_sounds_above_the_limit(lift, moment, rate, expected):
    lift.play(
        lambda t: moment(rise=min(0.059, max(0.0, (t - 5.0) * rate)), upper=min(2.667e5, max(0.0, (t - 3.0) * 1.4e5))),
        12.0,
    )
    assert lift.raised() == expected


@pytest.mark.parametrize(
    ("limit", "expected"),
    [
        ("3 deg", []),
        ("2.4 deg", [("tilt", "load", "caution")]),
        ("1.9 deg", [("tilt", "load", "caution"), ("tilt", "load", "danger")]),
    ],
)
def test_tilt_sounds_near_and_past_its_limit(document, new_lift, clean_script, limit, expected):
    document["limits"]["tilt"] = limit  # the lift ends at 2.06 degrees
    lift = new_lift(rig=Rig.model_validate(document))
    lift.play(clean_script, 45.0)
    assert lift.raised() == expected


def test_cross_tilt_is_along_the_hinge(lift, moment):
    lift.play(lambda t: moment(cross=math.radians(min(2.3, max(0.0, (t - 3) * 0.2)))), 17.0)
    # With pressures that stay as they were no air did it: that is said as well.
    assert [it for it in lift.raised() if it[0] not in ("shore-behind", "moved-alone")] == [
        ("cross-tilt", "load", "caution"),
        ("cross-tilt", "load", "danger"),
    ]


def test_stop_is_a_danger_until_it_is_cleared(lift, moment):
    lift.play(lambda t: moment(), 3.0)
    picture = lift.act("stop", reason="somebody walked under it")
    assert lift.raised() == [("stop-called", "crew", "danger")]
    assert "somebody walked under it" in picture.alarms[0].text
    assert lift.act("clear-stop").stop_called is None
    assert not any(alarm.active for alarm in lift.tick().alarms)


def test_conditions_read_and_never_write(lift, clean_script):
    lift.play(clean_script, 12.0)
    scene = lift.engine._scene(lift.pictures[-1], lift.engine.pose.estimate(lift.now_ns), lift.now_ns)
    for rule in RULES:
        for about in rule.about(scene):
            first, second = rule.look(scene, about), rule.look(scene, about)
            assert first == second
            if isinstance(first, Measured):
                assert math.isfinite(first.share)


def test_every_priority_has_its_word():
    assert [p.word for p in Priority] == ["notice", "caution", "warning", "danger"]
    assert next(iter(itertools.pairwise(Priority)))[0] < Priority.CAUTION


def test_a_flat_bag_squeezed_by_the_load_is_not_taken_for_filled(lift, clean_script):
    def squeezed(t):  # the lower bag's trapped air is pressed as the load comes on: its gauge follows the upper one's
        it = clean_script(t)
        it.lower = max(it.lower, it.upper * 0.97) if t < 19.0 else it.lower + 2.6e5
        return it

    lift.play(squeezed, 18.0)
    assert lift.raised() == []


def test_the_wrong_bag_is_found_though_the_right_one_is_squeezed(lift, clean_script):
    def squeezed(t):
        it = swap(clean_script)(t)
        it.upper = it.lower * 0.7
        return it

    lift.play(squeezed, 12.0)
    assert ("bag-order", "S1-lower", "danger") in lift.raised()
