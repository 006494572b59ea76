"""What is said of each channel and port after listening for a while. All readings are invented."""

from __future__ import annotations

import random

from hypothesis import given
from hypothesis import strategies as st

from drivers.config import Channel, Loop
from drivers.reading import Quality, Reading
from monitor.engine.picture import PortPicture
from monitor.prelift.listening import Listening, port
from monitor.prelift.results import Outcome

GAUGE = Channel.model_validate(
    {
        "name": "S1-upper-p",
        "quantity": "pressure",
        "range": ["-0.1 bar", "10 bar"],
        "noise": "0.01 bar",
        "source": {"port": "bench", "id": "P2"},
    }
)


def heard(values: list[float], period_ns: int = 50_000_000, quality: Quality = Quality.GOOD) -> Listening:
    it = Listening(GAUGE)
    for k, value in enumerate(values):
        it.take(Reading(GAUGE.name, k, k * period_ns, None, value, quality))
    return it


def trembling(times: float = 1.0, seed: int = 1, slope: float = 0.0) -> list[float]:
    rng = random.Random(seed)
    return [1e5 + slope * k + times * 1e3 * rng.gauss(0.0, 1.0) for k in range(100)]


def test_a_live_channel_is_told_with_its_rate_value_and_noise():
    result = heard(trembling()).judge(5_000_000_000)
    assert result.outcome is Outcome.OK
    assert result.text.startswith("20.0 readings/s, 1.0")
    assert result.text.endswith("of what the rig file says")
    figures = dict(result.figures)
    assert abs(figures["noise"] / 1e3 - 1.0) < 0.25, (
        "a hundred readings say it within a quarter (four of its own errors)"
    )
    assert figures["noise_said"] == 1e3


def test_the_devices_own_time_stands_beside_the_value():
    it = heard(trembling())
    assert dict(it.judge(5_000_000_000).figures)["device_utc"] is None, "a wire that brings no time"
    it.take(Reading(GAUGE.name, 100, 5_000_000_000, 1_700_000_000_250_000_000, 1e5))
    assert dict(it.judge(5_000_000_000).figures)["device_utc"] == 1_700_000_000.25


def test_a_silent_one():
    assert heard([]).judge(5_000_000_000).text.startswith("nothing heard: look at its plug")
    stored = heard([1e5], quality=Quality.OLD).judge(5_000_000_000)
    assert stored.outcome is Outcome.WRONG
    assert stored.text.startswith("nothing heard but what was kept from earlier: look at its plug")
    gone = heard(trembling()).judge(100 * 50_000_000 + 1_000_000_000)
    assert (gone.outcome, gone.text) == (Outcome.WRONG, "silent for 1.1 s")


def test_one_whose_loop_or_device_says_that_it_has_no_value():
    loop = GAUGE.model_copy(update={"loop": Loop(low=0.0, high=1e6)})
    for channel, quality, value, said in (
        (loop, Quality.CHECK, -2.5e5, "at 0.0 mA: look at its wire"),
        (loop, Quality.FAILURE, 11e5, "at 21.6 mA: look at its wire"),
        (GAUGE, Quality.FAILURE, 1e5, "says failed: look at its wire"),
        (GAUGE, Quality.OUT_OF_SPECIFICATION, 2e5, "out of specification, at 2.00 bar: look at its wire"),
    ):
        it = Listening(channel)
        for k, reading in enumerate(trembling()):
            it.take(Reading(GAUGE.name, k, k * 50_000_000, None, reading))
        it.take(Reading(GAUGE.name, 100, 5_000_000_000, None, value, quality))
        result = it.judge(5_000_000_000)
        assert result.outcome is Outcome.WRONG
        assert result.text.startswith(said)
    asks = heard(trembling(), quality=Quality.MAINTENANCE).judge(5_000_000_000)
    assert asks.outcome is Outcome.OK


def test_one_that_falls_silent_in_between():
    it = heard([1e5] * 20)
    for k in range(20):
        it.take(Reading(GAUGE.name, 20 + k, 3_000_000_000 + k * 50_000_000, None, 1e5))
    result = it.judge(4_000_000_000)
    assert (result.outcome, result.text) == (Outcome.WRONG, "went silent for 2.1 s: look for a loose plug")


def test_one_out_of_its_range_at_any_time():
    result = heard([*trembling(), 12e5, *trembling()]).judge(201 * 50_000_000)
    assert (result.outcome, result.text) == (Outcome.WRONG, "reads 12.00 bar, out of its range -0.10 bar to 10.00 bar")


def test_one_that_is_noisier_than_the_rig_file_says():
    result = heard(trembling(4.0)).judge(5_000_000_000)
    assert result.outcome is Outcome.WRONG
    assert "times as noisy as the rig file says" in result.text


@given(st.integers(0, 200), st.floats(-200.0, 200.0))
def test_one_that_moves_slowly_is_not_noisy(seed, slope):
    assert heard(trembling(1.0, seed, slope)).judge(5_000_000_000).outcome is Outcome.OK


def test_one_that_stands_to_the_bit_is_said_to():
    assert "the same to the bit" in heard([1e5] * 50).judge(2_500_000_000).text


def test_two_readings_say_nothing_of_the_noise():
    assert (
        heard([1e5, 1.1e5], 500_000_000).judge(600_000_000).text == "2.0 readings/s, 1.10 bar, too few to say how noisy"
    )


def test_a_port_that_is_not_there_says_why():
    lost = PortPicture("bench", False, "cannot open: No such file or directory (/dev/ttyUSB7)")
    assert port(lost, {}, {}).text == lost.text
    assert port(PortPicture("bench", None, ""), {}, {}).outcome is Outcome.WRONG
    unread = PortPicture("bench", True, "bytes come unreadable: speed 4800 right?")
    assert (port(unread, {}, {}).outcome, port(unread, {}, {}).text) == (Outcome.WRONG, unread.text)


def test_sources_that_nobody_named_are_told_and_are_no_fault():
    up = PortPicture("bench", True, "connected")
    result = port(up, {"good": 900, "unknown_id": 100}, {"E9": 90, "E8": 10})
    assert result.outcome is Outcome.OK
    assert result.text == "connected, 900 values; a source nobody named: E9 (90 times), E8 (10 times)"
    assert port(up, {"good": 1}, {f"X{k}": 1 for k in range(9)}).text.endswith("X5 (1 times) and 3 more")


def test_a_torn_first_sentence_is_no_fault_and_a_garbled_line_is():
    up = PortPicture("bench", True, "connected")
    assert port(up, {"good": 900, "malformed": 1, "bad_checksum": 1}, {}).outcome is Outcome.OK
    garbled = port(up, {"good": 900, "bad_checksum": 300}, {})
    assert (garbled.outcome, garbled.text) == (
        Outcome.WRONG,
        "900 values, 300 garbled: a poor cable, or a wrong baud rate",
    )
    swapped = port(up, {"good": 900, "mislabelled": 100}, {})
    assert "in another quantity than the rig file says" in swapped.text
