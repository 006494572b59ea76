"""The rules of what the monitor hears: silent and incredible sensors, lost links, the recorder, a monitor behind its time."""

from __future__ import annotations

import pytest

from monitor.rig.schema import Rig
from replay.entries import Notice


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


def test_a_sensor_whose_node_is_gone_is_lost_at_once_and_back_when_it_returns(lift, clean_script):
    lift.play(clean_script, 8.0)
    lift.engine.note(Notice(lift.now_ns, "node", "H1", True, "'offline' on yard/node-7"))
    picture = lift.play(silent(clean_script, "H1", since=7.9), 8.5)
    assert lift.raised() == [("sensor-lost", "H1", "caution")]
    assert lift.when("sensor-lost", "caution") == pytest.approx(8.0, abs=0.06), "not after a second of silence"
    assert "its node is gone" in picture.alarms[0].text
    lost = next(it for it in picture.sensors if it.name == "H1")
    assert (lost.status, lost.gone) == ("stale", True)
    lift.engine.note(Notice(lift.now_ns, "node", "H1", False, "a live value"))
    picture = lift.play(clean_script, 11.0)
    assert not picture.alarms[0].active
    assert {it.status.value for it in picture.sensors} == {"ok"}


def test_a_node_that_was_gone_before_its_port_came_up_is_said_to_be_at_once(lift, clean_script):
    """Others of the port may still be on their way."""
    lift.engine.note(Notice(0, "node", "H1", True, "'offline' on yard/node-7"))
    lift.play(silent(clean_script, "H1", "H2", since=-1.0), 2.0)
    assert lift.raised() == [("sensor-lost", "H1", "caution")]
    assert lift.when("sensor-lost", "caution") < 0.1


def test_nothing_is_computed_from_a_sensor_whose_node_is_gone(lift, clean_script):
    """Not even from what it said a moment before: without it the plates' lean is unknown at the very next picture."""
    lift.play(clean_script, 8.0)
    lift.engine.note(Notice(lift.now_ns, "node", "S1-mid-x", True, "gone"))
    picture = lift.play(silent(clean_script, "S1-mid-x", since=7.9), 8.2)
    assert "lean" in {blind.rule for blind in picture.blind}


def test_a_node_that_no_channel_has_is_passed_over(lift, clean_script):
    lift.play(clean_script, 3.0)
    lift.engine.note(Notice(lift.now_ns, "node", "elsewhere", True, "gone"))
    assert lift.play(clean_script, 4.0).alarms == ()


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


def test_a_port_that_says_something_while_it_is_up_is_up_since_it_came(lift, clean_script):
    """What it says is in the picture, and its silent sensors are not excused anew."""
    moves = silent(clean_script, "S1-mid-x")
    lift.play(moves, 8.5)
    lift.engine.note(Notice(lift.now_ns, "link", "yard-net", False, "bytes come unreadable: speed 4800 right?"))
    picture = lift.play(moves, 10.0)
    (port,) = (it for it in picture.ports if it.name == "yard-net")
    assert (port.up, port.since_ns, port.unwell) == (True, 0, "bytes come unreadable: speed 4800 right?")
    assert lift.raised() == [("sensor-lost", "S1-mid-x", "warning")]
    assert lift.when("sensor-lost", "warning") == pytest.approx(9.0, abs=0.15)
    lift.engine.note(Notice(lift.now_ns, "link", "yard-net", False, "connected"))
    assert [it.unwell for it in lift.play(clean_script, 11.0).ports] == ["", ""]


def test_sensors_that_are_not_taken_in_are_not_said_besides(lift, clean_script):
    lift.play(clean_script, 8.0)
    lift.engine.note(Notice(lift.now_ns, "behind-time", "", True, "did not run for 4 s"))
    moves = silent(clean_script, "H1", "S1-mid-x", until=20.0)
    picture = lift.play(moves, 11.0)
    assert lift.raised() == [("behind-time", "monitor", "warning")]
    assert "lean" in {blind.rule for blind in picture.blind}
    lift.engine.note(Notice(lift.now_ns, "behind-time", "", False, "caught up"))
    lift.play(moves, 12.0)
    assert {(rule, about) for rule, about, _ in lift.raised()} == {
        ("behind-time", "monitor"),
        ("sensor-lost", "H1"),
        ("sensor-lost", "S1-mid-x"),
    }


def test_recorder_and_behind_time_are_said(lift, clean_script):
    lift.play(clean_script, 3.0)
    for kind in ("recorder", "behind-time"):
        lift.engine.note(Notice(lift.now_ns, kind, "", True, "the disk is full"))
    lift.play(clean_script, 4.0)
    assert sorted(rule for rule, _, _ in lift.raised()) == ["behind-time", "recorder"]
    for kind in ("recorder", "behind-time"):
        lift.engine.note(Notice(lift.now_ns, kind, "", False, ""))
    assert not any(alarm.active for alarm in lift.play(clean_script, 6.0).alarms)


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
