"""4-20 mA against NAMUR NE 43: which current is a value, which is none, and what that makes of a reading behind every driver."""

from __future__ import annotations

import orjson
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers import nmea, senml
from drivers.config import Channel
from drivers.current_loop import LASTS_S, LoopWatch, current, failing, measuring, scaled
from drivers.kinds.modbus import ModbusPort
from drivers.kinds.mqtt import MqttPort
from drivers.kinds.nmea import NmeaPort
from drivers.ports import looped, open_port
from drivers.reading import Quality, Reading
from drivers.registers import Span

GOOD, OFF, DOUBT, FAILED = Quality.GOOD, Quality.OUT_OF_SPECIFICATION, Quality.CHECK, Quality.FAILURE
WINDOWS = [
    # (mA, what it says at once, what it says after 4 s). NAMUR NE 43: 3.8 to 20.5 mA measure, 3.6 mA and below and 21.0 mA
    # and above are failures; the 4 s are its too, by secondary sources.
    (0.0, DOUBT, FAILED),
    (3.59, DOUBT, FAILED),
    (3.60, DOUBT, FAILED),
    (3.61, OFF, OFF),
    (3.7, OFF, OFF),
    (3.79, OFF, OFF),
    (3.8, GOOD, GOOD),
    (4.0, GOOD, GOOD),
    (12.0, GOOD, GOOD),
    (20.0, GOOD, GOOD),
    (20.5, GOOD, GOOD),
    (20.51, OFF, OFF),
    (20.8, OFF, OFF),
    (20.99, OFF, OFF),
    (21.0, DOUBT, FAILED),
    (22.5, DOUBT, FAILED),
]


@pytest.mark.parametrize(("milliamperes", "at_once", "later"), WINDOWS)
@pytest.mark.parametrize("amperes", [lambda ma: ma * 1e-3, lambda ma: ma / 1000.0])
def test_each_window_of_ne_43(milliamperes, at_once, later, amperes):
    watch = LoopWatch()
    it = amperes(milliamperes)
    assert watch.judge(it, 0) is at_once
    assert watch.judge(it, round(LASTS_S * 1e9) - 1) is at_once
    assert watch.judge(it, round(LASTS_S * 1e9)) is later


@pytest.mark.parametrize(("milliamperes", "bar"), [(4, 0.0), (12, 5.0), (20, 10.0), (3.8, -0.125), (20.5, 10.3125)])
def test_two_points_make_a_line(milliamperes, bar):
    """0 to 10 bar, worked by hand: (mA - 4) / 16 * 10 bar."""
    assert scaled(milliamperes * 1e-3, 0.0, 10e5) == pytest.approx(bar * 1e5, rel=1e-12, abs=1e-6)
    assert current(bar * 1e5, 0.0, 10e5) == pytest.approx(milliamperes * 1e-3, rel=1e-12)


@given(st.floats(0.0, 0.03), st.floats(-1e7, 1e7), st.floats(1.0, 1e7), st.booleans())
def test_there_and_back(current_a, low, span, falling):
    high = low - span if falling else low + span
    assert current(scaled(current_a, low, high), low, high) == pytest.approx(current_a, abs=1e-8)
    assert not (failing(current_a) and measuring(current_a))


def test_a_failure_that_does_not_last_is_none_and_the_count_begins_anew():
    watch = LoopWatch(lasts_s=2.0)
    assert watch.judge(0.0, 0) is DOUBT
    assert watch.judge(0.0, 1_999_999_999) is DOUBT
    assert watch.judge(0.004, 1_999_999_999) is GOOD
    assert watch.judge(0.022, 2_000_000_000) is DOUBT
    assert watch.judge(0.0, 3_999_999_999) is DOUBT
    assert watch.judge(0.022, 4_000_000_000) is FAILED
    assert watch.judge(0.0037, 4_000_000_001) is OFF


def channel(source, **more):
    loop = {"low": "0 bar", "high": "10 bar"}
    return Channel.model_validate(
        {"name": "P", "quantity": "pressure", "loop": loop, "source": {"port": "it"} | source} | more
    )


class Now:
    """A clock that stands where it is put."""

    def __init__(self) -> None:
        self.ns = 0

    def __call__(self) -> int:
        return self.ns


LINE = NmeaPort(name="it", driver="nmea", url="loop://")


def by_nmea(sink, clock):
    port = open_port(LINE, [channel({"id": "P1"})], sink, clock)
    return lambda ma: port.take(nmea.sentence("II", [nmea.quadruple("P1", "current", ma * 1e-3)]), clock())


def by_senml(sink, clock):
    it = channel({"topic": "yard", "format": "senml", "n": "P"})
    port = open_port(MqttPort(name="it", driver="mqtt", host="localhost"), [it], sink, clock)
    return lambda ma: port.deliver("yard", senml.pack([("P", "A", ma * 1e-3)]), False, clock())


def by_json(sink, clock):
    it = channel({"topic": "yard", "format": "json", "pointer": "/p", "unit": "mA"})
    port = open_port(MqttPort(name="it", driver="mqtt", host="localhost"), [it], sink, clock)
    return lambda ma: port.deliver("yard", orjson.dumps({"p": ma}), False, clock())


def by_modbus(sink, clock):
    """A raw count: a converter that gives 0 to 27648 for 4 to 20 mA (invented)."""
    count = {"scale": 16 / 27648, "offset": 4.0, "unit": "mA"}
    it = channel({"station": 1, "input": 0, "type": "int16"} | count)
    port = open_port(ModbusPort(name="it", driver="modbus", url="loop://"), [it], sink, clock)
    return lambda ma: port.take(Span(1, "input", 0, 1, 0.1), [round((ma - 4.0) / 16 * 27648) & 0xFFFF], clock())


@pytest.mark.parametrize("by", [by_nmea, by_senml, by_json, by_modbus])
def test_a_loop_behind_any_driver(by):
    heard, clock = [], Now()
    say = by(heard.append, clock)
    for seconds, milliamperes in ((0, 12.0), (1, 3.7), (2, 0.5), (5, 0.5), (6, 0.5), (7, 12.0)):
        clock.ns = seconds * 1_000_000_000
        say(milliamperes)
    assert [it.quality for it in heard] == [GOOD, OFF, DOUBT, DOUBT, FAILED, GOOD]
    assert heard[0].value == pytest.approx(5e5, rel=1e-4)
    assert heard[1].value == pytest.approx(-0.1875e5, rel=1e-2)
    assert [it.sequence for it in heard] == list(range(6))


@pytest.mark.parametrize(
    "milliamperes",
    [
        pytest.param(0.0, marks=pytest.mark.fault("loop-broken")),
        pytest.param(3.6, marks=pytest.mark.fault("loop-low")),
        pytest.param(21.5, marks=pytest.mark.fault("loop-high")),
        pytest.param(0.5, marks=pytest.mark.fault("loop-touched")),
        pytest.param(20.8, marks=pytest.mark.fault("loop-beyond")),
    ],
)
def test_what_a_loop_that_measures_nothing_shows(milliamperes, fault):
    """Ten currents a second through the driver's own decoder, at the clock's own pace: no wire is waited for."""
    heard, clock, sent = [], Now(), []
    say = by_nmea(heard.append, clock)
    for tenth in range(1, 80):
        clock.ns = tenth * 100_000_000
        sent.append(tenth)
        say(12.0 if tenth < 20 else milliamperes)
    fault.shown(heard, LINE, [channel({"id": "P1"})], 2_000_000_000, until_ns=clock.ns)
    numbers = {kind: [it.sequence + 1 for it in heard if (it.quality is GOOD) is kind] for kind in (True, False)}
    fault.lost(sent, numbers[True], befell=sent[19:], old=numbers[False])


@pytest.mark.parametrize("said", [it for it in Quality if it is not Quality.OLD])
@pytest.mark.parametrize(("milliamperes", "of_the_loop"), [(12.0, GOOD), (3.7, OFF), (0.0, DOUBT)])
def test_the_graver_word_counts(said, milliamperes, of_the_loop):
    heard = []
    looped([channel({"id": "P1"})], heard.append)(Reading("P", 0, 0, None, milliamperes * 1e-3, said))
    order = [
        GOOD,
        Quality.MAINTENANCE,
        OFF,
        DOUBT,
        FAILED,
    ]  # the colours of NAMUR NE 107: green, blue, yellow, orange, red
    assert heard[0].quality is max(said, of_the_loop, key=order.index)


def test_what_was_kept_in_a_store_says_nothing_of_the_wire_of_now():
    heard = []
    sink = looped([channel({"id": "P1"})], heard.append)
    sink(Reading("P", 0, 0, None, 0.0, Quality.OLD))
    sink(Reading("P", 1, 5_000_000_000, None, 0.0))
    assert [it.quality for it in heard] == [Quality.OLD, DOUBT]


def test_a_current_that_stands_for_nothing_finite_is_no_reading():
    heard = []
    looped([channel({"id": "P1"})], heard.append)(Reading("P", 0, 0, None, 1e308))
    assert heard == []


def test_a_channel_without_a_loop_is_left_alone():
    assert looped([Channel(name="P", quantity="pressure", source={"port": "it", "id": "P1"})], print) is print
