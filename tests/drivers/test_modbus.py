"""Modbus RTU over pseudo-terminals: against a server of another make, and against stations that fall silent, lie and garble."""

from __future__ import annotations

import os
import socket
import threading
import time
from collections.abc import Iterator

import pytest
import serial

from drivers.config import Channel
from drivers.kinds.modbus import ModbusPort
from drivers.ports import RunningPort, open_port
from drivers.reading import LinkState, Quality

from ..screen import Shown
from .conformance import Conformance, Heard
from .modbus_far import Bus, Server, ServerFar, framed

pytestmark = pytest.mark.wires


@pytest.fixture(scope="module")
def server() -> Iterator[Server]:
    it = Server()
    yield it
    it.close()


class TestModbus(Conformance):
    @pytest.fixture
    def far(self, server):
        it = ServerFar(server)
        yield it
        it.close()


def channel(name: str, station: int, register: int, kind: str = "uint16", **more) -> Channel:
    source = {"port": "it", "station": station, "holding": register, "type": kind, "unit": "bar", "scale": 0.01} | more
    return Channel(name=name, quantity="pressure", source=source)


class Line:
    """A bus and a port on it that runs."""

    def __init__(self, tables, channels, **config) -> None:
        self.bus = Bus(tables)
        self.heard, self.channels = Heard(), channels
        settings = {"parity": "none", "every": 0.02, "timeout": 0.1} | config
        self.table = ModbusPort(name="it", driver="modbus", url=self.bus.name, **settings)
        self.port: RunningPort = open_port(self.table, channels, self.heard, time.monotonic_ns)

    def shown(self, fault: Shown, since_ns: int, channel: int = 0) -> None:
        """The board has the details of that channel."""
        them = [self.channels[channel], *self.channels[:channel], *self.channels[channel + 1 :]]
        counts, strangers = self.port.counters(), self.port.strangers()
        fault.shown(self.heard.all, self.table, them, since_ns, counters=counts, strangers=strangers)

    def __enter__(self):
        self.port.start()
        return self

    def __exit__(self, *_):
        self.port.stop()
        self.bus.close()


HOLD = 3


def test_neighbours_come_in_one_request_and_in_their_units(wait_until):
    tables = {17: {(HOLD, 107): 812, (HOLD, 108): 0xFF38, (HOLD, 200): 5}}
    channels = [channel("P1", 17, 107), channel("P2", 17, 108, "int16"), channel("P3", 17, 200, offset=1.0)]
    with Line(tables, channels) as it:
        wait_until(lambda: {"P1", "P2", "P3"} <= {reading.channel for reading in it.heard.readings})
    assert it.heard.values("P1")[0] == pytest.approx(812_000.0, rel=1e-12)
    assert it.heard.values("P2")[0] == pytest.approx(-200_000.0, rel=1e-12)
    assert it.heard.values("P3")[0] == pytest.approx(105_000.0, rel=1e-12)
    assert set(it.bus.requests) == {bytes.fromhex("1103006B0002"), bytes.fromhex("110300C80001")}


def test_a_silent_station_costs_the_others_a_twentieth(wait_until):
    """Counted by the stations themselves: what one was asked beside three that are silent against what it was asked
    alone, over the same time. A try of 100 ms would be due to each silent one in every turn of 20 ms otherwise."""
    counts = []
    for silent in ((), (2, 3, 4)):
        channels = [channel(f"P{station}", station, 0) for station in (1, *silent)]
        with Line({1: {(HOLD, 0): 1}}, channels) as it:
            wait_until(lambda line=it: line.bus.asked[1] > 5)
            for station in silent:
                wait_until(lambda line=it, one=station: line.bus.asked[one] >= 1)
            before, begun = it.bus.asked.copy(), time.monotonic()
            wait_until(lambda line=it, was=before: line.bus.asked[1] - was[1] >= 100, 30.0)
            took = time.monotonic() - begun
            counts.append((it.bus.asked[1] - before[1]) / took)
            tries = sum(it.bus.asked[station] - before[station] for station in silent)
            assert tries <= 2 + took / 2.0, "one try of 100 ms every two seconds in all"
            assert it.heard.links == [True], "the bus lives"
            assert {reading.channel for reading in it.heard.readings} == {"P1"}
            for station in silent:
                said = it.port.counters().get(f"no answer from station {station}", 0)
                assert it.bus.asked[station] - said in (0, 1), "the last try may still be waited for"
    alone, beside = counts
    assert beside > 0.7 * alone, "test_rounds.py has the exact share; here the machine may be busy with others"


@pytest.mark.fault("bus-silent")
def test_the_link_is_down_only_when_no_station_answers_and_mends_itself(wait_until, fault):
    tables = {1: {(HOLD, 0): 1}, 2: {(HOLD, 0): 2}}
    with Line(tables, [channel("P1", 1, 0), channel("P2", 2, 0)]) as it:
        wait_until(lambda: it.heard.values("P2"))
        tables.pop(1)
        wait_until(lambda: it.port.counters().get("no answer from station 1", 0) >= 2)
        assert it.heard.links == [True]
        other, silent_ns = tables.pop(2), time.monotonic_ns()
        wait_until(lambda: it.heard.links == [True, False])
        it.shown(fault, silent_ns)
        text = next(one.text for one in it.heard.all if isinstance(one, LinkState) and not one.up)
        assert text.startswith("no station answers: 1, 2 (")
        tables.update({1: {(HOLD, 0): 3}, 2: other})  # the first measures 2 meanwhile, and nobody can ask it
        wait_until(lambda: it.heard.links == [True, False, True], 20.0)
        wait_until(lambda: 3e3 in it.heard.values("P1"))
        fault.lost([1e3, 2e3, 3e3], it.heard.values("P1"), befell=[2e3])


@pytest.mark.fault("station-silent")
def test_a_station_that_comes_back_is_heard_again(wait_until, fault):
    tables = {1: {(HOLD, 0): 1}, 2: {(HOLD, 0): 2}}
    with Line(tables, [channel("P1", 1, 0), channel("P2", 2, 0)]) as it:
        wait_until(lambda: it.heard.values("P2"))
        up_ns = time.monotonic_ns()
        wait_until(lambda: time.monotonic_ns() - up_ns > 2_000_000_000, what="a port that is not only just up")
        tables.pop(2)
        silent_ns = time.monotonic_ns()
        wait_until(lambda: it.port.counters().get("no answer from station 2", 0) >= 2)
        wait_until(lambda: time.monotonic_ns() - silent_ns > 1_200_000_000, what="a silence")
        it.shown(fault, silent_ns)
        tables[2] = {(HOLD, 0): 4}  # it measured 3 meanwhile
        wait_until(lambda: it.heard.values("P2").count(4e3) > 5)
        fault.lost([2e3, 3e3, 4e3], it.heard.values("P2"), befell=[3e3])
        assert set(it.heard.values("P1")) == {1e3}


@pytest.mark.fault("register-refused")
def test_a_refusal_is_named_and_costs_its_neighbour_nothing(wait_until, fault):
    with Line({1: {(HOLD, 10): 100}}, [channel("P1", 1, 10), channel("P2", 1, 11)]) as it:
        begun_ns = time.monotonic_ns()
        wait_until(lambda: len(it.heard.values("P1")) > 3)
        counts = it.port.counters()
        assert it.heard.links == [True]
        assert it.bus.requests[0] == bytes.fromhex("0103000A0002"), "both at once, at first"
        it.shown(fault, begun_ns)
    assert counts["illegal data address from station 1"] == counts["refused"] >= 2
    assert it.heard.values("P2") == []
    fault.lost([1e5], it.heard.values("P1"))


@pytest.mark.fault("answer-garbled")
@pytest.mark.fault("answer-foreign")
def test_garbled_late_and_foreign_answers_are_counted_and_are_no_readings(wait_until, faults):
    tables = {1: {(HOLD, 0): 1}, 2: {(HOLD, 0): 2}}
    with Line(tables, [channel("P1", 1, 0)]) as it:
        wait_until(lambda: it.heard.values("P1"))
        begun_ns = time.monotonic_ns()
        it.bus.instead = [bytes.fromhex("01030200010000"), framed("090302FFFF"), framed("0104020001"), None]
        wait_until(lambda: not it.bus.instead)
        count = len(it.heard.values("P1"))
        wait_until(lambda: len(it.heard.values("P1")) > count)
        counts = it.port.counters()
        for one in faults.values():
            it.shown(one, begun_ns)
            one.lost([1e3, "the answer"], it.heard.values("P1"), befell=["the answer"])
    assert counts["garbled answer from station 1"] == counts["bad_checksum"] == 1
    assert (counts["malformed"], counts["unknown_id"]) == (1, 1)
    assert it.port.strangers() == {"station 9": 1}
    assert set(it.heard.values("P1")) == {1000.0}


def test_an_answer_that_comes_late_is_not_taken_for_the_next(wait_until):
    """The answer to one register comes 22 ms after its time-out, when another register of the station could be asked for:
    but for the station's rest, nothing in RTU would tell the two apart."""
    with Line({1: {(HOLD, 0): 1, (HOLD, 50): 2}}, [channel("P1", 1, 0), channel("P2", 1, 50)]) as it:
        wait_until(lambda: it.heard.values("P1") and it.heard.values("P2"))
        late = [threading.Event() for _ in range(6)]
        it.bus.instead = [say for event in late for say in (it.bus.later(0.13, framed("0103027FFF"), event), None)]
        wait_until(lambda: all(event.is_set() for event in late))
        count = len(it.heard.values("P2"))
        wait_until(lambda: len(it.heard.values("P2")) > count + 3)
    assert max(reading.value for reading in it.heard.readings) == 2000.0


def test_a_late_answer_of_another_station_is_counted(wait_until):
    tables = {1: {(HOLD, 0): 1}, 2: {(HOLD, 0): 2}}
    with Line(tables, [channel("P1", 1, 0), channel("P2", 2, 0)]) as it:
        wait_until(lambda: it.heard.values("P1") and it.heard.values("P2"))
        it.bus.instead = [framed("0103027FFF") + framed("0203027FFF")]
        wait_until(lambda: not it.bus.instead)
        count = len(it.heard.values("P1"))
        wait_until(lambda: len(it.heard.values("P1")) > count + 3)
    wild = [reading for reading in it.heard.readings if reading.value > 1e5]
    assert len(wild) == 1, "whoever was asked took its own of the two"


def test_clicks_before_a_frame_and_an_adapter_that_hears_itself_are_put_up_with(wait_until):
    with Line({1: {(HOLD, 0): 7}}, [channel("P1", 1, 0)]) as it:
        it.bus.noise = b"\x00\xff"
        wait_until(lambda: len(it.heard.values("P1")) > 3)
        assert it.port.counters()["bad_checksum"] == 0
    with Line({1: {(HOLD, 0): 7}}, [channel("P1", 1, 0)], echo=True) as it:
        it.bus.noise = framed("010300000001")
        wait_until(lambda: len(it.heard.values("P1")) > 3)
        assert it.port.counters()["malformed"] == 0


NE_107 = {"maintenance": 0x100, "out-of-specification": 0x108, "check": 0x10C, "failure": 0x10E, "good": 0}


@pytest.mark.fault("device-failure")
@pytest.mark.fault("device-check")
@pytest.mark.fault("device-out-of-specification")
@pytest.mark.fault("device-maintenance")
def test_the_device_says_of_itself_how_it_is(wait_until, faults):
    status = {"input": 9, "failure": [0, 1], "check": [2], "out_of_specification": [3], "maintenance": [8]}
    tables = {1: {(HOLD, 0): 100}}
    with Line(tables, [channel("P1", 1, 0, status=status)]) as it:
        wait_until(lambda: it.port.counters().get("illegal data address from station 1", 0) > 1)
        assert it.heard.readings == [], "a device whose status is not known gives no readings"
        for quality, word in NE_107.items():
            begun_ns = time.monotonic_ns()
            tables[1][4, 9] = word
            wait_until(
                lambda heard=it.heard, wanted=quality: heard.readings and heard.readings[-1].quality is Quality(wanted)
            )
            if (fault := faults.get(f"device-{quality}")) is None:
                continue
            wait_until(lambda since=begun_ns: time.monotonic_ns() - since > 500_000_000, what="an alarm's delay")
            it.shown(fault, begun_ns)
            said = [one.quality for one in it.heard.readings if one.quality is Quality(quality)]
            old = [] if Quality(quality).valid else said
            fault.lost(said, [] if old else said, befell=old, old=old)


@pytest.mark.fault("not-a-number")
def test_not_a_number_is_no_reading_and_infinity_is_none(wait_until, fault):
    tables = {1: {(HOLD, 0): 0x7FC0, (HOLD, 1): 0, (HOLD, 2): 0x7F80, (HOLD, 3): 0}}
    words = {"words": "high-first"}
    channels = [channel("P1", 1, 0, "float32", **words), channel("P2", 1, 2, "float32", **words)]
    with Line(tables, channels) as it:
        begun_ns = time.monotonic_ns()
        wait_until(lambda: it.port.counters()["malformed"] > 2)
        assert it.port.counters()["empty"] > 1
        assert it.heard.readings == []
        it.shown(fault, begun_ns)
        tables[1][HOLD, 2] = 0x3F80
        wait_until(lambda: it.heard.values("P2"))
        fault.lost([float("inf"), 1e3], it.heard.values("P2"), befell=[float("inf")])


@pytest.mark.fault("words-exchanged")
def test_two_words_in_the_wrong_order_are_out_of_range(wait_until, fault):
    """10.3 is 0x4124CCCD (IEEE 754 binary32); its words exchanged are -1.1e8."""
    asked = channel("P1", 1, 0, "float32", words="low-first").model_copy(update={"range": (-1e4, 1e6)})
    with Line({1: {(HOLD, 0): 0x4124, (HOLD, 1): 0xCCCD}}, [asked]) as it:
        begun_ns = time.monotonic_ns()
        wait_until(lambda: it.heard.readings and time.monotonic_ns() - it.heard.readings[0].time_ns > 500_000_000)
        it.shown(fault, begun_ns)
        values = set(it.heard.values("P1"))
        fault.lost(list(values), [], befell=list(values), old=list(values))


def test_each_channel_has_its_own_rate(wait_until):
    with Line({1: {(HOLD, 0): 1, (HOLD, 50): 2}}, [channel("P1", 1, 0), channel("P2", 1, 50, every="200 ms")]) as it:
        wait_until(lambda: len(it.heard.values("P2")) >= 5)
        fast, slow = len(it.heard.values("P1")), len(it.heard.values("P2"))
    assert 5.0 < fast / slow < 12.0


def test_a_slow_station_has_a_time_out_of_its_own(wait_until):
    """Station 2 takes 0.25 s, more than the port's time-out; a station that is not there is given up after the port's."""
    channels = [channel("P1", 1, 0), channel("P2", 2, 0, timeout="600 ms", every="500 ms"), channel("P3", 3, 0)]
    with Line({1: {(HOLD, 0): 1}, 2: {(HOLD, 0): 2}}, channels) as it:
        it.bus.slow[2] = 0.25
        wait_until(lambda: len(it.heard.values("P2")) >= 3, 20.0)
        counts = it.port.counters()
        assert "no answer from station 2" not in counts
        assert counts["no answer from station 3"] >= 1
        assert len(it.heard.values("P1")) > len(it.heard.values("P2"))


def test_an_answer_that_waited_while_the_computer_slept_is_old(wait_until):
    """The session's clock goes on in a sleep, the one that time-outs are measured by does not: the first jumps by a minute
    here between a request and its answer, as no test can shut a lid."""
    slept_ns = 0
    with Line({1: {(HOLD, 0): 1}}, [channel("P1", 1, 0)]) as it:
        awake = it.port.clock
        it.port.clock = lambda: awake() + slept_ns
        wait_until(lambda: it.heard.values("P1"))

        def sleep_and_answer():
            nonlocal slept_ns
            slept_ns += 60_000_000_000
            os.write(it.bus.near, framed("010302001F"))

        it.bus.instead = [sleep_and_answer]
        wait_until(lambda: 31_000.0 in it.heard.values("P1"))
        count = len(it.heard.readings)
        wait_until(lambda: len(it.heard.readings) > count + 3)
    said = {(one.value, one.quality) for one in it.heard.readings}
    assert said == {(1000.0, Quality.GOOD), (31_000.0, Quality.OLD)}


@pytest.mark.fault("settings-refused")
def test_settings_that_the_port_does_not_take_are_said_in_a_sentence(wait_until, fault):
    begun_ns = time.monotonic_ns()
    line = Line({}, [channel("P1", 1, 0)], parity="even")
    serial.Serial(
        line.bus.name, 19200
    ).close()  # then parity is all that is left to set, which a pseudo-terminal has not
    with line as it:
        wait_until(lambda: it.heard.links == [False])
        assert it.heard.all[0].text == (
            f"cannot open: the port does not take 19200 bit/s, parity even, 1 stop bits ({it.bus.name})"
        )
        it.shown(fault, begun_ns)
        fault.lost([1e3], it.heard.values("P1"), befell=[1e3])


def test_a_serial_server_on_the_network_is_a_bus_too(wait_until):
    server = socket.create_server(("127.0.0.1", 0))

    def serve():
        with server, server.accept()[0] as client:
            while client.recv(8) == framed("010300000001"):
                client.sendall(framed("0103020007"))

    station = threading.Thread(target=serve)
    station.start()
    heard = Heard()
    url = f"socket://127.0.0.1:{server.getsockname()[1]}"
    port = open_port(
        ModbusPort(name="it", driver="modbus", url=url, every=0.02), [channel("P1", 1, 0)], heard, time.monotonic_ns
    )
    port.start()
    try:
        wait_until(lambda: len(heard.values("P1")) > 3)
        assert heard.links == [True]
    finally:
        port.stop()
        station.join(10.0)


@pytest.mark.fault("bus-of-two-monitors")
def test_two_monitors_do_not_talk_at_once_on_one_bus(wait_until, fault):
    with Line({1: {(HOLD, 0): 7}}, [channel("P1", 1, 0)]) as it:
        wait_until(lambda: it.heard.values("P1"))
        other = Heard()
        table = ModbusPort(name="it", driver="modbus", url=it.bus.name, parity="none")
        second = open_port(table, it.channels, other, time.monotonic_ns)
        begun_ns = time.monotonic_ns()
        second.start()
        try:
            wait_until(lambda: other.links == [False])
            assert other.all[0].text == f"cannot open: another program has it open ({it.bus.name})"
            fault.shown(other.all, table, it.channels, begun_ns)
            it.bus.tables[1][HOLD, 0] = 8
            wait_until(lambda: 8e3 in it.heard.values("P1"))
            fault.lost([7, 8], [round(value / 1e3) for value in it.heard.values("P1")])
        finally:
            second.stop()
