"""Messages that come late or twice, through the driver: what they may pass as, and that they harm nothing."""

from __future__ import annotations

from itertools import islice
from pathlib import Path

import orjson
import pytest

from drivers import senml
from drivers.config import Channel
from drivers.kinds.mqtt import MqttPort
from drivers.mqtt import MqttReader
from drivers.reading import Quality, Reading
from monitor.engine.engine import Engine
from monitor.rig.load import parse_rig
from replay.codec import AlarmLine
from replay.entries import Tick
from replay.journal import read_journal

MS, S = 10**6, 10**9
THEN = 1.7e9  # any time of a device's clock, in seconds since 1970


def channel(name="h", quantity="length"):
    return Channel(name=name, quantity=quantity, source={"port": "net", "topic": "yard", "format": "senml", "n": name})


@pytest.fixture
def said():
    return []


@pytest.fixture
def reader(said):
    config = MqttPort(name="net", driver="mqtt", host="h")
    return MqttReader(config, [channel(), channel("p", "pressure")], said.append, lambda: 0, lambda: THEN)


def pack(value, device_s):
    return senml.pack([("h", "m", value)], time_s=device_s)


def test_a_burst_after_a_stall_is_old_but_for_its_last_second(reader, said):
    for i in range(40):
        reader.deliver("yard", pack(0.1, THEN - 1e6 + 0.05 * i), False, i * 50 * MS)
    for i in range(40, 140):  # five seconds stand still, and come at once
        reader.deliver("yard", pack(0.2, THEN - 1e6 + 0.05 * i), False, 7 * S)
    assert [it.quality for it in said[:40]] == [Quality.GOOD] * 40
    assert [it.quality for it in said[40:118]] == [Quality.OLD] * 78
    assert [it.quality for it in said[121:]] == [Quality.GOOD] * 19
    live = sum(it.quality is Quality.GOOD for it in said)
    assert (reader.counters()["good"], reader.counters()["old"]) == (live, 140 - live)


def test_what_the_broker_kept_teaches_nothing_of_a_clock(reader, said):
    reader.deliver("yard", pack(0.1, THEN + 1e6), True, 0)
    for i in range(10):
        reader.deliver("yard", pack(0.1, THEN + 0.05 * i), False, i * 50 * MS)
    assert [it.quality for it in said] == [Quality.OLD] + [Quality.GOOD] * 10


def test_a_pack_with_a_past_is_read_in_order_and_only_its_end_is_live(reader, said):
    # RFC 8428 section 5.1.3: several times in one pack, here relative to now (section 4.5.3), the newest first.
    records = [{"n": "h", "u": "m", "v": 0.5 - 0.1 * k, "t": -k} for k in range(4)]
    reader.deliver("yard", orjson.dumps(records), False, 5 * S)
    assert [it.value for it in said] == pytest.approx([0.2, 0.3, 0.4, 0.5])
    assert [it.quality for it in said] == [Quality.OLD, Quality.OLD, Quality.GOOD, Quality.GOOD]
    assert [it.sequence for it in said] == [0, 1, 2, 3]
    assert [it.device_time_ns for it in said] == [round((THEN - k) * 1e9) for k in (3, 2, 1, 0)]


def test_records_without_a_time_are_of_now(reader, said):
    for i in range(3):
        reader.deliver("yard", senml.pack([("h", "m", 0.1), ("p", "Pa", 1e5)]), False, i * 10 * S)
    assert {it.quality for it in said} == {Quality.GOOD}


def played(times):
    """A recorded drill through the engine, each reading `times` times: what was raised, and the last picture."""
    journal = read_journal(Path(__file__).parents[2] / "recordings" / "format-1.jsonl")
    engine, raised, picture = Engine(parse_rig(journal.header.rig)), {}, None
    for entry in islice(journal.lines(), 5000):
        if isinstance(entry, AlarmLine):
            continue
        for _ in range(times if isinstance(entry, Reading) else 1):
            picture = engine.feed(entry) or picture
        if isinstance(entry, Tick):
            for it in picture.transitions:
                raised.setdefault((it.alarm.rule, it.alarm.about, it.alarm.priority), entry.time_ns)
    return raised, picture


def test_a_lift_whose_every_reading_comes_twice_is_the_same_lift(said, reader):
    """MQTT 5 section 4.3.2: QoS 1 is at least once. The same value with the same time of the device, twice."""
    for _ in range(2):
        reader.deliver("yard", pack(0.3, THEN), False, 0)
    assert [(it.value, it.device_time_ns, it.quality) for it in said] == [(0.3, round(THEN * 1e9), Quality.GOOD)] * 2
    once, picture = played(1)
    twice, doubled = played(2)
    assert set(once) == set(twice)
    assert once, "the drill sounds something"
    for key, time_ns in once.items():
        assert abs(twice[key] - time_ns) <= 500 * MS
    assert doubled.load.rise_m == pytest.approx(picture.load.rise_m, abs=0.5e-3)
    assert doubled.load.tilt_x_rad == pytest.approx(picture.load.tilt_x_rad, abs=1e-3)
