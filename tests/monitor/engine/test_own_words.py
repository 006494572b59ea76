"""What a device or its loop says of itself (NAMUR NE 107): never a value where there is none, and an alarm that names it."""

from __future__ import annotations

import random

import pytest

from drivers.config import Channel
from drivers.reading import Quality, Reading
from monitor.engine.channels import ChannelState
from monitor.engine.picture import SensorStatus
from monitor.rig.schema import Rig
from replay.codec import entry_line, entry_of, parse

S = 1_000_000_000
WORDS = {
    # quality: (status, whether a value is shown, whether it is computed with)
    Quality.GOOD: (SensorStatus.OK, True, True),
    Quality.MAINTENANCE: (SensorStatus.MAINTENANCE, True, True),
    Quality.OUT_OF_SPECIFICATION: (SensorStatus.OUT_OF_RANGE, True, False),
    Quality.CHECK: (SensorStatus.CHECK, False, False),
    Quality.FAILURE: (SensorStatus.FAILED, False, False),
}


def state(loop=None) -> ChannelState:
    table = {"name": "P", "quantity": "pressure", "noise": 1000.0, "source": {"port": "it", "id": "P1"}}
    return ChannelState(Channel.model_validate(table | ({"loop": loop} if loop else {})))


@pytest.mark.parametrize("quality", WORDS)
def test_each_word_is_a_status_a_value_or_none_and_a_use_or_none(quality):
    it, (status, shown, used) = state(), WORDS[quality]
    assert it.take(Reading("P", 0, 0, None, 1e5, quality)) is used
    assert it.status(1) is status
    assert it.picture(1).value == (1e5 if shown else None)
    assert (it.value(1) is not None) is used
    assert it.heard(1) is used
    assert it.status(2 * S) is SensorStatus.STALE
    assert bool(it.why_not_zero(1))


def test_a_word_that_is_taken_back_makes_the_value_good_again():
    it = state()
    for k in range(100):
        it.take(Reading("P", k, k * S // 20, None, 1e5 + k % 2, Quality.FAILURE if 40 <= k < 50 else Quality.GOOD))
    assert it.picture(99 * S // 20).status is SensorStatus.OK
    assert it.value(99 * S // 20) == pytest.approx(1e5, abs=2.0)
    assert it.why_not_zero(99 * S // 20) == ""


@pytest.mark.parametrize(
    ("milliamperes", "quality", "says"),
    [
        (0.0, Quality.CHECK, ""),
        (0.0, Quality.FAILURE, "at 0.0 mA"),
        (21.6, Quality.FAILURE, "at 21.6 mA"),
        (12.0, Quality.FAILURE, "says failed"),
        (12.0, Quality.CHECK, "under check"),
        (3.7, Quality.OUT_OF_SPECIFICATION, "out of specification"),
        (12.0, Quality.GOOD, ""),
    ],
)
def test_a_loop_is_told_by_its_current_once_it_has_failed(milliamperes, quality, says):
    it = state({"low": "0 bar", "high": "10 bar"})
    it.take(Reading("P", 0, 0, None, it.channel.loop.value(milliamperes * 1e-3), quality))
    assert it.picture(0).says == says


def wrong(script, name, quality, since=8.0, until=99.0):
    def at(t):
        it = script(t)
        it.said = {name: quality} if since < t < until else {}
        return it

    return at


@pytest.mark.parametrize(("quality", "text"), [(Quality.FAILURE, "says failed"), (Quality.CHECK, "under check")])
def test_a_device_without_a_value_is_a_caution_and_is_not_computed_with(lift, clean_script, quality, text):
    picture = lift.play(wrong(clean_script, "H1", quality), 11.0)
    assert lift.raised() == [("sensor-wire", "H1", "caution")]
    assert text in picture.alarms[0].text
    assert next(it.value for it in picture.sensors if it.name == "H1") is None
    assert picture.load.rise_m == pytest.approx(clean_script(10.95).rise, abs=0.003)
    assert not lift.play(clean_script, 14.0).alarms[0].active


def test_it_is_a_warning_where_a_danger_rule_is_blind_and_says_which(lift, clean_script):
    picture = lift.play(wrong(clean_script, "S1-upper-p", Quality.FAILURE), 11.0)
    assert lift.raised() == [("sensor-wire", "S1-upper-p", "warning")]
    assert "blinds bag-pressure" in picture.alarms[0].text


def test_a_zero_is_taken_without_a_channel_that_has_failed_as_without_a_silent_one(lift, clean_script):
    def still(t):
        it = clean_script(0.0)
        it.said = {"H1": Quality.FAILURE}
        return it

    lift.hand = False
    lift.play(still, 3.0)
    assert lift.engine.why_not_zero(lift.now_ns, live_only=False) == "H1 is failed"
    assert lift.engine.why_not_zero(lift.now_ns, live_only=True) == ""


def test_out_of_specification_is_out_of_range_with_its_value_in_sight(lift, clean_script):
    picture = lift.play(wrong(clean_script, "H1", Quality.OUT_OF_SPECIFICATION), 11.0)
    assert lift.raised() == [("sensor-range", "H1", "caution")]
    assert next(it.value for it in picture.sensors if it.name == "H1") is not None


def test_one_that_asks_for_maintenance_is_used_and_no_alarm(lift, clean_script):
    picture = lift.play(wrong(clean_script, "H1", Quality.MAINTENANCE), 11.0)
    assert lift.raised() == []
    assert next(it.status for it in picture.sensors if it.name == "H1") is SensorStatus.MAINTENANCE


def test_a_loop_that_breaks_is_doubted_from_the_first_and_an_alarm_once_it_is_a_failure(
    document, new_lift, clean_script
):
    for channel in document["channel"]:
        if channel["name"] == "S1-upper-p":
            channel["loop"] = {"low": "0 bar", "high": "10 bar"}
    lift = new_lift(rig=Rig.model_validate(document))

    def cut(t):
        it = clean_script(t)
        it.offset = {"S1-upper-p": -5e5} if t > 8.0 else {}
        it.said = {"S1-upper-p": Quality.FAILURE if t > 12.0 else Quality.CHECK} if t > 8.0 else {}
        return it

    picture = lift.play(cut, 11.0)
    assert lift.raised() == []
    assert "bag-pressure" in {blind.rule for blind in picture.blind}, "nobody watches it, and that is said at once"
    assert next(it.value for it in picture.sensors if it.name == "S1-upper-p") is None
    lift.play(cut, 14.0)
    assert lift.raised() == [("sensor-wire", "S1-upper-p", "warning")]
    assert lift.when("sensor-wire", "warning") == pytest.approx(12.0, abs=0.15)


@pytest.mark.parametrize("quality", Quality)
def test_a_journal_keeps_the_word(quality):
    reading = Reading("P", 7, 5, None, -2.5e5, quality)
    assert entry_of(parse(entry_line(reading))) == reading


def test_random_words_never_make_the_engine_stumble(lift, clean_script):
    rng = random.Random(5)
    names = [channel.name for channel in lift.rig.channel]

    def script(t):
        it = clean_script(t)
        it.said = {name: rng.choice(list(Quality)) for name in names if rng.random() < 0.3}
        it.offset = {name: rng.choice([0.0, 1e300, -1e5]) for name, said in it.said.items() if said.void}
        return it

    picture = lift.play(script, 12.0)
    assert all(it.value is None or abs(it.value) < 1e9 for it in picture.sensors)
