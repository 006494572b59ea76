"""What the board says of each channel and port, through the real engine in simulated time."""

from __future__ import annotations

from itertools import accumulate
from math import sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.reading import Quality
from monitor.engine.picture import SensorStatus
from monitor.sensorboard.following import trembles_throughout, trembling
from monitor.sensorboard.picture import Wrong
from replay.entries import Notice


def names(board) -> list[str]:
    return [row.name for row in board.channels]


def test_a_rig_at_rest_is_well_and_in_the_order_of_its_file(bench):
    board = bench.go(6.0)
    assert names(board) == [channel.name for channel in bench.rig.channel]
    assert board.utc == pytest.approx(1_006.0)
    for row in board.channels:
        assert row.status is SensorStatus.OK
        assert row.rate_hz == pytest.approx(20.0, rel=1e-6)
        assert row.age_s == 0.0
        assert row.noise_times == pytest.approx(1.0, abs=0.3), "100 readings: 4 standard errors of 0.075"
        assert (row.fault, row.trouble) == (None, False)
    assert bench.row("H1").where == "height of the load"


def test_what_falls_silent_comes_on_top_and_what_was_wrong_stays_known(bench):
    bench.go(3.0)
    bench.wrong["H2"] = lambda _: None
    board = bench.go(2.0)
    top = board.channels[0]
    assert (top.name, top.status, top.fault.what, top.fault.until_utc) == ("H2", SensorStatus.STALE, Wrong.STALE, None)
    assert top.fault.since_utc == pytest.approx(1_004.05, abs=0.06), "a second after its last reading"
    assert top.rate_hz == 0.0
    assert names(board)[1:] == [c.name for c in bench.rig.channel if c.name != "H2"]
    del bench.wrong["H2"]
    board = bench.go(1.0)
    assert names(board)[0] == "H2", "so soon after it stays where it is"
    assert board.channels[0].fault.until_utc == pytest.approx(1_005.05, abs=0.06)
    board = bench.go(5.0)
    assert names(board) == [channel.name for channel in bench.rig.channel]
    assert bench.row("H2").fault.what is Wrong.STALE


def test_one_reading_out_of_range_between_two_ticks_is_not_missed(bench):
    bench.go(3.0)
    bench.say("H1", 3.2)
    bench.say("H1", 0.3)
    bench.go(1.0)
    fault = bench.row("H1").fault
    assert (fault.what, fault.more) == (Wrong.RANGE, "read 3.20 m")
    assert fault.until_utc - fault.since_utc == pytest.approx(0.05)


def test_a_frozen_channel_is_said_once_there_is_a_zero(bench):
    bench.go(3.0)
    bench.press("zero")
    bench.go(1.0)
    bench.wrong["H3"] = lambda _: 0.3
    board = bench.go(3.0)
    assert board.zeroed
    assert (board.channels[0].name, board.channels[0].fault.what) == ("H3", Wrong.FROZEN)
    assert board.channels[0].fault.more == "stuck at 300 mm"


def test_noise_is_said_without_a_zero_and_a_hand_that_moves_a_sensor_is_none(bench):
    bench.wrong["S1-mid-x"] = lambda it: 8.0 * it
    drawn = accumulate([0.0] * 60 + [0.005] * 40 + [0.0] * 200)  # two seconds at 100 mm/s: seven times the noise a step
    bench.wrong["H1"] = lambda it: it + next(drawn)
    for _ in range(10):
        board = bench.go(0.5)
        assert bench.row("H1").fault is None
    assert bench.row("H1").noise_times > 3.0, "shown, and yet not called a fault"
    assert (board.channels[0].name, board.channels[0].fault.what) == ("S1-mid-x", Wrong.NOISY)
    assert board.channels[0].status is SensorStatus.OK, "the engine knows of noise since the zero only"


def test_a_lost_port_is_what_is_wrong_with_its_channels(bench):
    bench.go(3.0)
    bench.link("yard-net", True, "connection lost (broker 127.0.0.1:1883)")
    away = [channel.name for channel in bench.rig.channel if channel.source.port == "yard-net"]
    bench.wrong |= dict.fromkeys(away, lambda _: None)
    board = bench.go(2.0)
    assert names(board)[: len(away)] == away
    assert {row.fault.what for row in board.channels[: len(away)]} == {Wrong.PORT}
    assert board.channels[0].fault.more == "connection lost (broker 127.0.0.1:1883)"
    assert [(port.name, port.up) for port in board.ports] == [("bench", True), ("yard-net", False)]


def test_what_a_channel_never_said_is_trouble_and_what_a_broker_kept_is_no_reading(bench):
    bench.wrong["load-x"] = lambda _: None
    bench.say("load-x", 0.1, Quality.OLD)
    bench.go(0.5)
    assert not bench.row("load-x").trouble
    assert bench.go(2.0).zero_waits == "load-x is never-seen"
    row = bench.board().channels[0]
    assert (row.name, row.status, row.value, row.stored, row.trouble) == (
        "load-x",
        SensorStatus.NEVER_SEEN,
        None,
        1,
        True,
    )
    assert row.fault is None


@pytest.mark.parametrize(
    ("quality", "value", "status", "more"),
    [
        (Quality.FAILURE, 0.3, SensorStatus.FAILED, "says failed"),
        (Quality.CHECK, 0.3, SensorStatus.CHECK, "under check"),
        (Quality.OUT_OF_SPECIFICATION, 0.3, SensorStatus.OUT_OF_RANGE, "out of specification"),
        (Quality.MAINTENANCE, 0.3, SensorStatus.MAINTENANCE, "asks for maintenance"),
    ],
)
def test_what_a_device_says_of_itself_is_what_is_wrong_and_it_still_speaks(bench, quality, value, status, more):
    bench.go(3.0)
    bench.wrong["H1"] = lambda _: None
    for _ in range(40):
        bench.say("H1", value, quality)
        bench.go(0.05)
    row = bench.row("H1")
    assert (row.status, row.fault.what, row.fault.more) == (status, Wrong.DEVICE, more)
    assert row.stored == 0, "none of it has waited"
    assert row.rate_hz == pytest.approx(20.0, rel=0.1)


def test_a_loop_that_stands_for_failure_is_its_wire_and_not_frozen(bench_with):
    loop = 'loop = { low = "0 m", high = "2 m" }\nsource = { port = "bench", id = "H1" }'
    bench = bench_with(lambda text: text.replace('source = { port = "bench", id = "H1" }', loop, 1))
    bench.go(1.0)
    bench.wrong["H1"] = lambda _: None
    at = bench.rig.channel[[it.name for it in bench.rig.channel].index("H1")].loop.value(0.0034)
    for quality, status, more in (
        (Quality.CHECK, SensorStatus.CHECK, "a current of failure"),
        (Quality.FAILURE, SensorStatus.FAILED, "at 3.4 mA"),
    ):
        bench.say("H1", at, quality)
        bench.go(0.1)
        row = bench.row("H1")
        assert (row.status, row.value, row.fault.what, row.fault.more) == (status, None, Wrong.WIRE, more)


def test_a_will_is_why_a_channel_is_silent(bench):
    bench.go(1.0)
    bench.wrong["H1"] = lambda _: None
    bench.engine.feed(Notice(bench.now_ns, "node", "H1", True, "'offline' on yard/presence"))
    bench.go(0.1)
    assert (bench.row("H1").fault.what, bench.row("H1").fault.more) == (Wrong.STALE, "its sender is gone")


def test_a_calibrated_channel_is_held_against_its_range_and_exported_as_it_truly_is(bench_with):
    table = (
        '[[calibration]]\nchannel = "H1"\ndate = 2026-05-01\nwho = "A. Yard"\n'
        'points = [["0 m", "0 m"], ["2.1 m", "2 m"]]\nuncertainty = "0.1 mm"\n'
    )
    bench = bench_with(lambda text: f"{text}\n{table}")
    bench.wrong["H1"] = lambda _: 2.05  # truly 1.952 m, of 2 m at most
    bench.go(1.0)
    assert bench.row("H1").fault is None
    exported = next(readings for channel, readings in bench.following.recent() if channel.name == "H1")
    assert {round(value, 9) for _, value in exported} == {round(2.05 * 2.0 / 2.1, 9)}
    assert bench.row("H1").value == pytest.approx(exported[-1][1], rel=1e-12)


def test_counters_and_strangers_are_the_ports(bench):
    bench.counters = {"bench": {"good": 7, "bad_checksum": 2, "malformed": 0, "unknown_id": 3, "reconnects": 1}}
    bench.strangers = {"bench": {"T9": 3}}
    port = bench.go(0.5).ports[0]
    assert (port.good, port.spoilt, port.strangers) == (7, (("bad_checksum", 2),), (("T9", 3),))


def test_alarms_on_sensors_are_left_to_the_rows_and_stop_is_not(bench):
    bench.go(3.0)
    bench.wrong["H1"] = lambda _: None
    bench.press("stop", reason="a person under it")
    board = bench.go(3.0)
    assert [alarm.rule for alarm in board.alarms] == ["stop-called"]
    assert any(alarm.rule == "sensor-lost" for alarm in bench.picture.alarms)


def test_another_session_begins_its_clock_anew_and_forgets_no_fault(bench):
    bench.go(3.0)
    bench.wrong["H2"] = lambda _: None
    bench.go(2.0)
    other = type(bench)()
    other.following = bench.following
    other.following.begin(2_000.0)
    board = other.go(1.0)
    assert bench.following is other.following
    assert [row.rate_hz for row in board.channels] == pytest.approx([20.0] * len(board.channels))
    assert other.row("H2").fault.what is Wrong.STALE
    assert other.row("H2").fault.until_utc == pytest.approx(2_000.05)


def test_the_last_minute_is_kept_for_whoever_exports_it(bench):
    bench.go(70.0)
    for channel, readings in bench.following.recent():
        assert len(readings) == 1201, channel.name
        assert readings[-1][0] - readings[0][0] == pytest.approx(60.0)


def test_successive_differences_of_values_that_hop_by_one():
    """Differences are all 1, so that half their mean square is 1/2: worked by hand."""
    assert trembling([0.0, 1.0] * 10) == pytest.approx(sqrt(0.5))
    assert trembling([0.0] * 9) is None
    assert trembling([0.001 * i for i in range(100)]) == pytest.approx(0.001 / sqrt(2.0)), "a slow motion hardly counts"


@given(st.integers(0, 2**32 - 1), st.floats(1e-4, 1e4))
def test_white_noise_is_measured_for_what_it_is_and_is_not_called_noisy(seed, sd):
    values = np.random.default_rng(seed).normal(0.0, sd, 400).tolist()
    assert trembling(values) == pytest.approx(sd, rel=0.25), "five standard errors of sqrt(3 / 8 / 400) and more"
    assert not trembles_throughout(values, sd)
    assert trembles_throughout(values, sd / 5.0)
