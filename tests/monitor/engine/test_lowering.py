"""What holds the load, how it is let down, and whether anybody moves it: each rule sounds, and nearly does."""

from __future__ import annotations

import pytest

from monitor.engine.rules import RULES, line
from monitor.rig.schema import Rig

P_ATM = 101_325.0


def heard(lift, *rules):
    return {it for it in lift.raised() if it[0] in rules}


def shares(script, since, seconds, lost):
    """The script until `since`; then it stays where it is and the bags lose a share of their pressure over some seconds."""

    def slack(t):
        it = script(min(t, since))
        gone = lost * min(1.0, max(0.0, (t - since) / seconds))
        it.lower, it.upper = it.lower * (1.0 - gone), it.upper * (1.0 - gone)
        it.gap_n1 = it.gap_n2 = 0.0 if t > since - 5.0 else 0.001
        return it

    return slack


def by_itself(script, since, by, *, air=False, **more):
    """The script until `since`; then the load goes up by so much in two seconds: air is let in, or what there is expands."""

    def moves(t):
        it = script(min(t, since))
        up = by * min(1.0, max(0.0, (t - since) / 2.0))
        swells = 0.0 if air else up / (it.rise + 0.04)  # two open bags, each with the dead space of 20 mm
        it.lower, it.upper = ((p + P_ATM) / (1.0 + swells) - P_ATM for p in (it.lower, it.upper))
        it.rise += up
        for key, value in more.items():
            setattr(it, key, value if t > since else getattr(it, key))
        return it

    return moves


@pytest.mark.parametrize(("lost", "expected"), [(0.5, {("hung-on-shores", "load", "danger")}), (0.15, set())])
def test_hung_on_shores_sounds_when_the_bags_go_slack_and_the_load_stays(lift, clean_script, lost, expected):
    lift.play(shares(clean_script, 58.0, 6.0, lost), 66.0)
    assert heard(lift, "hung-on-shores") == expected


def test_a_load_that_comes_down_with_its_bags_hangs_on_nothing(lift, clean_script):
    lift.play(clean_script, 100.0)
    assert heard(lift, "hung-on-shores", "lower-not-freed", "shore-drop", "moved-alone") == set()


def test_on_packed_cribbing_bags_may_be_let_out(lift, clean_script):
    lift.play(shares(clean_script, 58.0, 6.0, 0.5), 57.0)
    assert lift.act("cribbed", at="S1").answer.ok
    lift.play(shares(clean_script, 58.0, 6.0, 0.5), 66.0)
    assert heard(lift, "hung-on-shores", "lower-not-freed") == set()


@pytest.mark.parametrize(("lost", "sounds"), [(0.12, True), (0.03, False)])
def test_lower_not_freed_sounds_once_the_shores_begin_to_carry(lift, clean_script, lost, sounds):
    lift.play(shares(clean_script, 63.0, 2.0, lost), 67.0)
    names = {"N1", "N2"} if sounds else set()
    assert heard(lift, "lower-not-freed") == {("lower-not-freed", name, "warning") for name in names}


def shorter(script, since, by):
    def drops(t):
        it = script(t)
        it.offset = {"N1-ext": -by * min(1.0, (t - since) / 0.3)} if t > since else {}
        return it

    return drops


@pytest.mark.parametrize(("by", "expected"), [(0.005, {("shore-drop", "N1", "danger")}), (0.0012, set())])
def test_shore_drop_sounds_beyond_seating(lift, clean_script, by, expected):
    lift.play(shorter(clean_script, 45.0, by), 49.0)
    assert heard(lift, "shore-drop", "moved-alone") == expected


def test_a_shore_that_was_released_may_shorten(lift, clean_script):
    lift.play(clean_script, 45.0)
    lift.act("release", shore="N1")
    lift.play(shorter(clean_script, 45.1, 0.005), 49.0)
    assert heard(lift, "shore-drop") == set()
    assert lift.pictures[-1].shores[0].told_released


def test_a_spike_in_a_length_is_no_drop(lift, clean_script):
    def spiked(t):
        it = clean_script(t)
        it.offset = {"N1-ext": 0.02} if 45.0 <= t < 45.04 else {}
        return it

    lift.play(spiked, 49.0)
    assert heard(lift, "shore-drop") == set()


@pytest.mark.parametrize(("by", "air", "sounds"), [(0.010, False, True), (0.002, False, False), (0.010, True, False)])
def test_moved_alone_sounds_when_no_air_moves_the_load(lift, clean_script, by, air, sounds):
    lift.play(by_itself(clean_script, 50.0, by, air=air), 54.0)
    assert heard(lift, "moved-alone", "shore-lifting") == ({("moved-alone", "load", "danger")} if sounds else set())


def test_one_bad_sensor_is_no_load_that_moves(lift, clean_script):
    def bad(t):
        it = clean_script(t)
        it.offset = {"H1": min(0.03, 0.01 * (t - 45.0))} if t > 45.0 else {}
        return it

    lift.play(bad, 52.0)
    assert heard(lift, "moved-alone", "shore-drop", "shore-lifting") == set()


def test_shores_with_air_enough_are_said_to_lift(lift, clean_script):
    lift.play(by_itself(clean_script, 50.0, 0.010, air_n1=3.0e5), 54.0)
    assert heard(lift, "shore-lifting", "moved-alone") == {("shore-lifting", "N1", "danger")}


@pytest.mark.parametrize(
    ("area", "expected"), [("900 cm^2", {("shore-air-high", "load", "danger")}), ("350 cm^2", set())]
)
def test_shore_air_high_is_about_the_hinge_and_against_the_weight(document, new_lift, moment, area, expected):
    # 1.8 bar on two pistons at 4.6 m against 56 kN at 2.4 m: 149 and 58 of 134 kN m, half of which is allowed.
    for shore in document["shore"]:
        shore["piston_area"] = area
    lift = new_lift(rig=Rig.model_validate(document))
    lift.play(lambda t: moment(), 5.0)
    assert heard(lift, "shore-air-high") == expected


def test_without_any_weight_nobody_knows_whether_air_is_too_much(document, new_lift, moment):
    del document["load"]["weight"]
    lift = new_lift(rig=Rig.model_validate(document))
    picture = lift.play(lambda t: moment(), 5.0)
    assert [blind.because for blind in picture.blind if blind.rule == "shore-air-high"] == [
        "what would lift the load is not known: no weight is planned or measured"
    ]


@pytest.mark.parametrize(("gap", "expected"), [(0.009, {("not-held", "load", "danger")}), (0.004, set())])
def test_not_held_sounds_when_work_begins_on_bags_alone(document, new_lift, clean_script, gap, expected):
    document["step"] = [document["step"][0], {"do": "work"}]

    def stuck(t):
        it = clean_script(min(t, 16.5))
        it.gap_n1 = min(gap, max(0.001, it.rise * 4.6 / 4.2 - 0.020))
        return it

    lift = new_lift(rig=Rig.model_validate(document))
    lift.play(stuck, 19.0)
    assert lift.pictures[-1].step.number == 2
    assert heard(lift, "not-held") == expected
    if expected:
        assert lift.act("cribbed", at="S1").answer.ok
        lift.play(stuck, 22.0)
        assert not any(alarm.active for alarm in lift.pictures[-1].alarms if alarm.rule == "not-held")


def test_where_a_gap_is_not_known_nobody_knows_what_holds_the_work(document, new_lift, clean_script):
    document["step"] = [document["step"][0], {"do": "work"}]

    def silent(t):
        it = clean_script(min(t, 16.5))
        it.silent = ("N1-ext",) if t > 17.0 else ()
        return it

    lift = new_lift(rig=Rig.model_validate(document))
    picture = lift.play(silent, 20.0)
    assert heard(lift, "not-held") == set()
    assert ("not-held", "load") in {(blind.rule, blind.about) for blind in picture.blind}


@pytest.mark.parametrize(
    ("rule", "about", "what"),
    [
        ("hung-on-shores", "load", "bags give 45%, on 12 shores"),
        ("lower-not-freed", "N1", "raised 0.0 mm of 1.0 mm"),
        ("lower-not-freed", "N1", "stays up, load on it"),
        ("shore-drop", "N1", "152 mm shorter, locked"),
        ("shore-lifting", "N1", "load up 152 mm, no bag filling"),
        ("shore-air-high", "load", "112% of what lifts it, 50% allowed"),
        ("not-held", "load", "work, 152 mm up on nothing known"),
        ("moved-alone", "load", "152 mm down, nobody fills or vents"),
    ],
)
def test_lines_at_their_worst_are_not_cut(rule, about, what):
    for row in (r for r in RULES if r.name == rule):
        assert what in line(row, about, what)
