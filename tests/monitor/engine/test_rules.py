"""The rule table: sound as a table, and each rule sounds when it should and stays quiet when it nearly should."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import pytest

from monitor.engine import conditions as see
from monitor.engine.conditions import Measured
from monitor.engine.engine import Engine
from monitor.engine.picture import Priority
from monitor.engine.rules import RULES, WIDTH, line
from monitor.engine.watch import Watch
from monitor.rig.schema import Rig
from replay.entries import Notice

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
    "sensor-range",
    "sensor-disagrees",
    "sensor-frozen",
    "sensor-noisy",
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


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: f"{rule.name}-{rule.priority.word}")
def test_every_row_is_whole(rule):
    assert rule.clear_at < rule.set_at
    assert rule.do
    assert rule.do[0].islower()
    assert 0.0 <= rule.on_s <= 2.0  # process industries' 15 to 60 s (ISA-18.2) are unfit for a lift
    for what in ("9" * 200, "9 " * 100, "seen " * 40):
        longest = line(rule, "X" * 24, what)
        assert len(longest) <= WIDTH
        assert longest.endswith(f" - {rule.do}")
        assert longest.startswith(rule.priority.name)


def test_the_line_reads_as_it_should():
    rule = next(r for r in RULES if r.name == "lean" and r.priority is Priority.DANGER)
    assert line(rule, "S1", "251 mm of 250 mm ring, growing 4.0 mm/s") == (
        "DANGER  lean S1: 251 mm of 250 mm ring, growing 4.0 mm/s - stop filling, hold"
    )


@pytest.mark.parametrize(
    ("rule", "about", "what"),
    [
        # Ordinary worst values of the example rig: nothing is cut.
        ("uncaptured", "load", "152 mm, 25 mm allowed"),
        ("shore-behind", "N1", "152 mm gap, 6 mm allowed"),
        ("bag-pressure", "S1-upper", "8.05 bar of 8.00 bar working"),
        ("rise-rate", "load", "112.0 mm/s down, 12.0 mm/s allowed"),
        ("shore-air-low", "N1", "0.45 bar, needs 1.80 bar to follow"),
        ("bag-order", "S1-lower", "filling, the step names S1-upper"),
        ("bag-early", "S1-lower", "filling, S1-upper short of its stop"),
        ("lean", "S1", "151 mm of 150 mm ring, growing 24.4 mm/s"),
        ("sensor-lost", "S1-head-x", "silent 13 s, blinds lean S1"),
        ("tilt", "load", "12.14°, 12.00° allowed"),
        ("slip", "S1", "152 mm in a second on the load"),
        ("hinge-shift", "load", "walked 152 mm or sank 12 mm"),
        ("over-centre", "load", "29.14°, goes over at 31.00°"),
        ("overload", "load", "112.4 kN, 100.0 kN planned"),
        ("shore-drop", "N1", "152 mm shorter, locked"),
        ("shore-air-high", "load", "112% of what lifts it, 50% allowed"),
        ("shore-lifting", "N1", "load up 152 mm, no bag filling"),
        ("hung-on-shores", "load", "bags give 12%, on 12 shores"),
        ("not-held", "load", "work, 152 mm up on nothing known"),
        ("moved-alone", "load", "152 mm down, nobody fills or vents"),
        ("lower-not-freed", "N1", "raised 15.2 mm of 25.4 mm"),
        ("out-of-step", "S1-upper", "venting plan ended"),
        ("lean-ahead", "S1", "out at 152 mm of 180 mm planned"),
        ("reach", "S1", "lifts to 1.11 m, 1.15 m planned"),
        ("uneven", "load", "152 mm apart, 125 mm allowed"),
        ("no-lift", "S1-lower", "7.95 bar, not S1-upper, no rise"),
        ("sinking", "S1", "S1-lower loses 1.25 bar a minute"),
        ("air-short", "supply", "1,250 L left, 1,310 L needed"),
        ("crib-limit", "C1", "up to 112.4 kN, guides say 106.8 kN"),
        ("ground-limit", "S1", "12.51 bar on ground for 12.50 bar"),
    ],
)
def test_ordinary_lines_are_not_cut(rule, about, what):
    for row in (r for r in RULES if r.name == rule):
        assert what in line(row, about, what)


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


def with_gap(script, gap):
    def stuck(t):
        it = script(t)
        it.gap_n1 = min(gap, max(0.001, it.rise * 4.6 / 4.2 - 0.020))
        return it

    return stuck


@pytest.mark.parametrize(
    ("gap", "expected"),
    [
        (0.0050, []),
        (0.0095, [("shore-behind", "N1", "warning")]),
        (0.0150, [("shore-behind", "N1", "warning"), ("shore-behind", "N1", "danger")]),
    ],
)
def test_shore_behind_sounds_past_its_allowance_and_twice_it(lift, clean_script, gap, expected):
    lift.play(with_gap(clean_script, gap), 13.8)
    assert lift.raised() == expected


def test_uncaptured_follows_a_shore_that_stays_stuck(lift, clean_script):
    lift.play(with_gap(clean_script, 1.0), 36.0)
    rules = [(rule, priority) for rule, _, priority in lift.raised()]
    assert rules == [
        ("shore-behind", "warning"),
        ("shore-behind", "danger"),
        ("uncaptured", "warning"),
        ("out-of-step", "caution"),  # the plan waits at its capture, and a bag is filled on
        ("uncaptured", "danger"),
    ]


def test_with_shores_following_a_long_fill_is_captured_all_the_way(lift, clean_script):
    lift.play(clean_script, 40.0)
    assert max(p.uncaptured_m or 0.0 for p in lift.pictures) < 0.001


def test_cribbing_marked_as_packed_captures(document, new_lift, clean_script):
    document["shore"] = []
    document["step"] = [s for s in document["step"] if s["do"] != "capture"]
    lift = new_lift(rig=Rig.model_validate(document))
    lift.play(clean_script, 11.5)  # 33 mm and nothing holds it
    assert lift.raised() == [("uncaptured", "load", "warning")]
    assert lift.act("cribbed").answer.ok
    lift.play(clean_script, 14.0)
    assert lift.raised() == [("uncaptured", "load", "warning")]
    assert lift.pictures[-1].uncaptured_m < 0.02


@pytest.mark.parametrize(("air", "expected"), [(1.7e5, []), (1.2e5, [("shore-air-low", "N1", "warning")])])
def test_shore_air_low_sounds_while_lifting(lift, clean_script, air, expected):
    def low(t):
        it = clean_script(t)
        it.air_n1 = air if 8.0 < t < 12.0 else 1.8e5
        return it

    lift.play(low, 19.0)
    assert lift.raised() == expected


def test_shore_air_matters_only_while_lifting(lift, clean_script):
    def low_at_rest(t):
        it = clean_script(t)
        it.air_n1 = 0.5e5 if t < 2.9 or 45.0 < t < 55.0 else 1.8e5
        return it

    lift.play(low_at_rest, 56.0)
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


def silent(script, *channels, since=8.0, until=99.0):
    def without(t):
        it = script(t)
        it.silent = channels if since < t < until else ()
        return it

    return without


def test_a_lost_sensor_is_a_caution_while_the_rest_can_vouch(lift, clean_script):
    lift.play(silent(clean_script, "H1"), 11.0)
    assert lift.raised() == [("sensor-lost", "H1", "caution")]
    assert lift.when("sensor-lost", "caution") == pytest.approx(9.0, abs=0.15)  # stale after one second


@pytest.mark.parametrize(
    ("channel", "rule"), [("S1-mid-x", "lean S1"), ("N1-ext", "shore-behind"), ("S1-upper-p", "bag-pressure")]
)
def test_a_lost_sensor_is_a_warning_when_a_danger_rule_is_blind_and_says_which(lift, clean_script, channel, rule):
    picture = lift.play(silent(clean_script, channel), 11.0)
    assert lift.raised() == [("sensor-lost", channel, "warning")]
    assert f"{rule}" in picture.alarms[0].text
    assert "blinds" in picture.alarms[0].text
    assert any(rule.split()[0] == blind.rule for blind in picture.blind)


def test_a_sensor_that_comes_back_clears(lift, clean_script):
    picture = lift.play(silent(clean_script, "H1", until=11.0), 13.0)
    assert picture.alarms[0].cleared_ns is not None
    assert not picture.alarms[0].active


def test_a_value_out_of_range_is_named_and_not_used(lift, clean_script):
    def odd(t):
        it = clean_script(t)
        it.offset = {"H1": 5.0} if t > 8.0 else {}
        return it

    picture = lift.play(odd, 12.0)
    assert lift.raised() == [("sensor-range", "H1", "caution")]
    assert picture.load.rise_m == pytest.approx(clean_script(11.95).rise, abs=0.003)


def test_a_lost_link_is_said_and_its_sensors_are_not_said_besides(lift, clean_script):
    lift.play(clean_script, 8.0)
    lift.engine.note(Notice(lift.now_ns, "link", "yard-net", True, "connection lost"))
    picture = lift.play(
        silent(clean_script, "load-x", "load-y", "S1-head-x", "S1-head-y", "S1-mid-x", "S1-mid-y"), 12.0
    )
    assert lift.raised() == [("link-lost", "yard-net", "warning")]
    assert "lean" in {blind.rule for blind in picture.blind}
    lift.engine.note(Notice(lift.now_ns, "link", "yard-net", False, "connected"))
    picture = lift.play(clean_script, 14.0)
    assert not picture.alarms[0].active
    assert picture.blind == ()


def test_recorder_and_behind_time_are_said(lift, clean_script):
    lift.play(clean_script, 3.0)
    for kind in ("recorder", "behind-time"):
        lift.engine.note(Notice(lift.now_ns, kind, "", True, "the disk is full"))
    lift.play(clean_script, 4.0)
    assert sorted(rule for rule, _, _ in lift.raised()) == ["behind-time", "recorder"]
    for kind in ("recorder", "behind-time"):
        lift.engine.note(Notice(lift.now_ns, kind, "", False, ""))
    assert not any(alarm.active for alarm in lift.play(clean_script, 6.0).alarms)


def test_stop_is_a_danger_until_it_is_cleared(lift, moment):
    lift.play(lambda t: moment(), 3.0)
    picture = lift.act("stop", reason="somebody walked under it")
    assert lift.raised() == [("stop-called", "crew", "danger")]
    assert "somebody walked under it" in picture.alarms[0].text
    assert lift.act("clear-stop").stop_called is None
    assert not any(alarm.active for alarm in lift.tick().alarms)


@pytest.mark.parametrize("broken", range(len(RULES)), ids=lambda i: f"{RULES[i].name}-{RULES[i].priority.word}")
def test_a_rule_that_breaks_is_unknown_loudly_and_the_others_go_on(document, new_lift, moment, broken):
    document["crib"] = [{"name": "C1", "at": ["4.0 m", "0 m"], "width": "0.6 m"}]  # so that every rule has a place
    rig = Rig.model_validate(document)

    def breaks(scene, about):
        raise ZeroDivisionError("a fault put in")

    table = tuple(replace(rule, look=breaks) if i == broken else rule for i, rule in enumerate(RULES))
    lift = new_lift(engine=Engine(rig, Watch(table)))
    lift.play(lambda t: moment(), 3.0)
    lift.act("stop", reason="x")
    name = RULES[broken].name
    abouts = {about for rule, about, priority in lift.raised() if (rule, priority) == (name, "danger")}
    assert abouts
    assert any(blind.rule == name and "failed" in blind.because for blind in lift.pictures[-1].blind)
    assert any("rule failed: ZeroDivisionError" in alarm.text for alarm in lift.pictures[-1].alarms)
    if name != "stop-called":
        assert ("stop-called", "crew", "danger") in lift.raised()


def test_what_a_failed_rule_cannot_say_is_no_root_and_no_flood(rig, new_lift, moment):
    def breaks(scene, about):
        raise ZeroDivisionError("a fault put in")

    names = ("slip", "lean", "link-lost", "flood")
    table = tuple(replace(rule, look=breaks) if rule.name in names else rule for rule in RULES)
    lift = new_lift(engine=Engine(rig, Watch(table)))
    picture = lift.play(lambda t: moment(silent=("H1",)), 5.0)
    failed = [it for it in picture.alarms if "rule failed" in it.text]
    assert {it.rule for it in failed} == set(names)
    assert not picture.flood
    assert all(it.under is None for it in picture.alarms if it not in failed)
    assert not any(row.latch or row.root_of for row in lift.engine.watch.book._rules[: len(RULES)])


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


@pytest.mark.parametrize("value", [1e200, -1e200, 1e308, 5e3])
def test_an_incredible_value_is_out_of_range_also_where_the_rig_gives_none(document, new_lift, clean_script, value):
    for channel in document["channel"]:
        channel.pop("range")
    lift = new_lift(rig=Rig.model_validate(document))

    def wild(t):
        it = clean_script(t)
        it.offset = {"H1": value} if t > 8.0 else {}
        return it

    lift.play(wild, 11.0)
    assert lift.raised() == [("sensor-range", "H1", "caution")]
