"""Ports beside the wire: waiting, finding elsewhere, and what MQTT promises."""

import random
import socket
import threading
import time
from math import degrees

import pytest
from paho.mqtt import client as mqtt
from paho.mqtt import publish
from paho.mqtt.enums import CallbackAPIVersion

from drivers.config import Channel
from drivers.kinds.mqtt import MqttPort
from drivers.kinds.nmea import NmeaPort
from drivers.mqtt import MqttReader
from drivers.ports import Backoff, PortError, RunningPort, beside, open_port, redirect
from drivers.reading import LinkState, Quality, Reading

CHANNEL = Channel(
    name="t", quantity="angle", source={"port": "net", "topic": "yard/t", "format": "number", "unit": "deg"}
)


def test_waits_double_to_their_cap_with_jitter_and_begin_anew():
    backoff = Backoff(rng=random.Random(3))
    waits = [backoff.wait_s() for _ in range(8)]
    for wait, middle in zip(waits, [0.25, 0.5, 1.0, 2.0, 2.0, 2.0, 2.0, 2.0], strict=True):
        assert 0.75 * middle <= wait <= 1.25 * middle
    assert len(set(waits)) == 8, "jitter keeps monitors out of step"
    backoff.reset()
    assert backoff.wait_s() <= 0.25 * 1.25


@pytest.mark.parametrize(
    ("url", "host", "port", "user"),
    [
        ("mqtt://10.0.0.5:1884", "10.0.0.5", 1884, None),
        ("tcp://h:1", "h", 1, None),
        ("h:7", "h", 7, None),
        ("mqtt://h", "h", 1883, None),
        ("mqtt://yard@h:9", "h", 9, "yard"),
        ("[::1]:1884", "::1", 1884, None),
    ],
)
def test_a_broker_found_elsewhere(url, host, port, user):
    it = redirect(MqttPort(name="net", driver="mqtt", host="x"), url)
    assert (it.host, it.port, it.user) == (host, port, user)


@pytest.mark.parametrize("url", ["http://h:1", "mqtt://", "mqtt://h:x", "mqtt://h:1/topic", ""])
def test_what_is_no_broker_is_a_sentence(url):
    with pytest.raises(PortError, match="net"):
        redirect(MqttPort(name="net", driver="mqtt", host="x"), url)


def test_a_driver_that_fails_on_finding_its_files_is_a_sentence(tmp_path):
    class Odd(NmeaPort):
        def beside(self, _folder):
            raise RuntimeError("no\n folder")

    with pytest.raises(PortError) as caught:
        beside(Odd(name="b", driver="nmea", url="x"), tmp_path)
    assert (
        str(caught.value) == "port 'b': found driver 'nmea', which fails on finding its files (RuntimeError: no folder)"
    )


def test_a_serial_line_found_elsewhere():
    assert redirect(NmeaPort(name="b", driver="nmea", url="COM3"), "/dev/ttyUSB1").url == "/dev/ttyUSB1"


def test_a_broker_whose_name_none_can_have_is_one_sentence(wait_until):
    said = []
    config = MqttPort(name="b", driver="mqtt", host="192.0.2..5")
    port = open_port(config, [], said.append, time.monotonic_ns)
    port.start()
    try:
        wait_until(lambda: said)
        assert said[0].text == "cannot connect: no host can be called that (broker 192.0.2..5:1883)"
    finally:
        port.stop()


@pytest.mark.parametrize("url", ["/no/such/device", "nonsense://x", "socket://a..b:4001"])
def test_a_serial_line_that_cannot_be_is_one_sentence_and_no_crash(url, wait_until):
    said = []
    port = open_port(NmeaPort(name="b", driver="nmea", url=url), [], said.append, time.monotonic_ns)
    port.start()
    try:
        wait_until(lambda: said)
        assert isinstance(said[0], LinkState)
        assert not said[0].up
        assert "\n" not in said[0].text
        assert not said[0].text.startswith("driver fault")
    finally:
        port.stop()


@pytest.mark.parametrize("raised", [SystemExit("gone"), BaseException("panic"), KeyError("no")])
def test_whatever_a_driver_raises_while_it_reads_is_said_and_it_is_tried_again(raised, wait_until):
    class Odd(RunningPort):
        tries = 0

        def serve(self, connected):
            self.tries += 1
            connected()
            raise raised

    said = []
    port = Odd("b", said.append, time.monotonic_ns)
    port.start()
    try:
        wait_until(lambda: port.tries == 2)
        assert [it.up for it in said[:2]] == [True, False]
        assert said[1].text == f"driver fault: {type(raised).__name__}: {raised}"
    finally:
        port.stop()


def test_why_a_wire_cannot_be_had_is_said_again_when_it_changes(tmp_path, wait_until):
    said, place = [], tmp_path / "ttyUSB0"
    port = open_port(NmeaPort(name="b", driver="nmea", url=str(place)), [], said.append, time.monotonic_ns)
    port.start()
    try:
        wait_until(lambda: said)
        place.write_text("no wire at all")
        wait_until(lambda: len(said) == 2)
        assert said[0].text == f"cannot open: No such file or directory ({place})"
        assert said[1].text == f"cannot open: found no serial port ({place})"
        place.unlink()
        wait_until(lambda: len(said) == 3)
        assert said[2].text == said[0].text
        assert not any(it.up for it in said)
    finally:
        port.stop()


@pytest.mark.wires
def test_a_wire_that_is_lost_as_soon_as_it_is_had_gets_the_longer_waits():
    """A server that shuts at once whatever it accepts: the gaps between two tries are 0.25, 0.5, 1 and 2 s, each with its
    jitter, and not a quarter of a second for ever."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(20.0)
        url = f"socket://127.0.0.1:{server.getsockname()[1]}"
        port = open_port(NmeaPort(name="b", driver="nmea", url=url), [], lambda _: None, time.monotonic_ns)
        port.start()
        try:
            tries = []
            for _ in range(5):
                client, _ = server.accept()
                tries.append(time.monotonic())
                client.close()
        finally:
            port.stop()
    assert tries[4] - tries[3] >= 0.75 * 2.0


@pytest.fixture
def publisher(broker):
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    up = threading.Event()
    client.on_connect = lambda *_: up.set()
    client.connect(broker.host, broker.port)
    client.loop_start()
    assert up.wait(10.0)
    yield lambda payload, **more: client.publish("yard/t", payload, qos=1, **more).wait_for_publish(10.0)
    client.disconnect()
    client.loop_stop()


@pytest.mark.fault("value-retained")
@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_what_the_broker_kept_is_old_and_what_comes_now_is_not(broker, publisher, protocol, wait_until, fault):
    # MQTT 5.0 section 3.3.1.3: RETAIN is set only on what a new subscription is given from the store.
    publisher("1.0", retain=True)
    said = []
    config = MqttPort(name="net", driver="mqtt", host=broker.host, port=broker.port, protocol=protocol)
    port = open_port(config, [CHANNEL], said.append, time.monotonic_ns)
    begun_ns = time.monotonic_ns()
    port.start()
    try:
        wait_until(lambda: len(said) == 2)
        fault.shown(said, config, [CHANNEL], begun_ns)
        publisher("2.0", retain=True)
        wait_until(lambda: len(said) == 3)
        assert [it.quality for it in said[1:]] == [Quality.OLD, Quality.GOOD]
        assert (port.counters()["old"], port.counters()["good"]) == (1, 1)
        fault.lost([1, 2], [round(degrees(said[2].value))], befell=[1], old=[round(degrees(said[1].value))])
    finally:
        port.stop()


def test_an_empty_message_deletes_what_was_kept_and_is_no_reading(broker, publisher, wait_until):
    # MQTT 5.0, MQTT-3.3.1-6 and -7: a zero-byte retained message removes the stored one.
    publisher("1.0", retain=True)
    publisher(b"", retain=True)
    said = []
    config = MqttPort(name="net", driver="mqtt", host=broker.host, port=broker.port)
    port = open_port(config, [CHANNEL], said.append, time.monotonic_ns)
    port.start()
    try:
        wait_until(lambda: said)
        publisher(b"")
        publisher("3.0")
        wait_until(lambda: len(said) == 2)
        assert said[1].quality is Quality.GOOD
        assert port.counters()["empty"] == 1
    finally:
        port.stop()


def test_a_message_delivered_twice_is_two_readings_of_one_value():
    # MQTT section 4.3: QoS 1 is at least once.
    said = []
    config = MqttPort(name="net", driver="mqtt", host="h")
    reader = MqttReader(config, [CHANNEL], said.append, lambda: 5, lambda: 0.0)
    for _ in range(2):
        reader.deliver("yard/t", b"1.5", False, 5)
    assert [it.sequence for it in said] == [0, 1]
    assert said[0].value == said[1].value


def test_a_broker_that_refuses_says_why(broker, tmp_path, wait_until):
    broker.stop()
    broker.configure("allow_anonymous false\n")
    broker.start()
    said = []
    config = MqttPort(name="net", driver="mqtt", host=broker.host, port=broker.port)
    port = open_port(config, [CHANNEL], said.append, time.monotonic_ns)
    port.start()
    try:
        wait_until(lambda: said)
        assert not said[0].up
        assert "not authorized" in said[0].text
    finally:
        port.stop()


@pytest.mark.parametrize(("unit", "payload"), [("bar", b"1e308"), ("psi", b"9e307")])
def test_a_number_too_large_for_its_unit_is_no_reading(unit, payload):
    source = {"port": "net", "topic": "yard/p", "format": "number", "unit": unit}
    said = []
    reader = MqttReader(
        MqttPort(name="net", driver="mqtt", host="h"),
        [Channel(name="p", quantity="pressure", source=source)],
        said.append,
        lambda: 5,
        lambda: 0.0,
    )
    reader.deliver("yard/p", payload, False, 5)
    assert said == []
    assert reader.counters()["malformed"] == 1


def test_a_line_of_digits_is_no_reading():
    from drivers.serial_line import SerialReader

    said = []
    channel = Channel(name="H", quantity="length", source={"port": "b", "id": "H1"})
    reader = SerialReader(
        NmeaPort(name="b", driver="nmea", url="x", checksum="optional"), [channel], said.append, lambda: 5
    )
    reader.take(b"$IIXDR,D," + b"9" * 400 + b",M,H1\r\n$IIXDR,D,1.5,M,H1\r\n", 5)
    assert [it.value for it in said] == [1.5]
    assert reader.counters()["malformed"] == 1


@pytest.mark.parametrize("time", ["1e300", "1e18", "-1e300", "1e308"])
def test_a_device_time_beyond_all_bounds_is_none(time):
    source = {"port": "net", "topic": "yard/t", "format": "senml", "n": "t"}
    said = []
    reader = MqttReader(
        MqttPort(name="net", driver="mqtt", host="h"),
        [Channel(name="t", quantity="angle", source=source)],
        said.append,
        lambda: 5,
        lambda: 0.0,
    )
    reader.deliver("yard/t", f'[{{"n":"t","u":"rad","v":0.5,"t":{time}}}]'.encode(), False, 5)
    assert [(it.value, it.device_time_ns) for it in said] == [(0.5, None)]


def test_a_password_that_is_not_there_is_said(broker, monkeypatch, wait_until):
    monkeypatch.delenv("YARD_PASSWORD", raising=False)
    said = []
    config = MqttPort(
        name="net", driver="mqtt", host=broker.host, port=broker.port, user="yard", password_env="YARD_PASSWORD"
    )
    port = open_port(config, [CHANNEL], said.append, time.monotonic_ns)
    port.start()
    try:
        wait_until(lambda: said)
        assert said[0].text.startswith("no password: the environment variable YARD_PASSWORD is not set")
        monkeypatch.setenv("YARD_PASSWORD", "x")
        wait_until(lambda: len(said) == 2)
        assert said[1].up
    finally:
        port.stop()


@pytest.mark.parametrize(
    ("source", "payload"),
    [
        pytest.param({"format": "number", "unit": "deg"}, b"1.5 deg", marks=pytest.mark.fault("payload-malformed")),
        pytest.param({"format": "senml", "n": "t"}, b'[{"n":"x9","v":1}]', marks=pytest.mark.fault("payload-stranger")),
        pytest.param(
            {"format": "senml", "n": "t"}, b'[{"n":"t","u":"m","v":1}]', marks=pytest.mark.fault("payload-mislabelled")
        ),
    ],
)
def test_a_message_that_is_none_of_ours_costs_itself(broker, publisher, source, payload, wait_until, fault):
    channel = Channel(name="t", quantity="angle", source={"port": "net", "topic": "yard/t"} | source)
    said = []
    config = MqttPort(name="net", driver="mqtt", host=broker.host, port=broker.port)
    port = open_port(config, [channel], said.append, time.monotonic_ns)
    port.start()
    try:
        wait_until(lambda: said)
        begun_ns = time.monotonic_ns()
        publisher(payload)
        publisher(b"2" if source["format"] == "number" else b'[{"n":"t","u":"rad","v":2}]')
        wait_until(lambda: len(said) == 2)
        counts, strangers = port.counters(), port.strangers()
        fault.shown(said, config, [channel], begun_ns, counters=counts, strangers=strangers)
        fault.lost(["it", "2"], ["2" for it in said if isinstance(it, Reading)], befell=["it"])
    finally:
        port.stop()


@pytest.mark.wires
@pytest.mark.fault("access-refused")
def test_a_topic_that_the_broker_s_access_list_keeps_from_us_is_never_heard(any_broker, tmp_path, wait_until, fault):
    """mosquitto grants the subscription and delivers nothing: only the silence tells."""
    (tmp_path / "acl").write_text("topic write yard/#\n")
    (tmp_path / "acl").chmod(0o600)
    broker = any_broker("allow_anonymous true\nacl_file acl\n")
    said = []
    config = MqttPort(name="net", driver="mqtt", host=broker.host, port=broker.port)
    port = open_port(config, [CHANNEL], said.append, time.monotonic_ns)
    port.start()
    try:
        wait_until(lambda: said)
        begun_ns = time.monotonic_ns()
        publish.single("yard/t", "1", 1, hostname=broker.host, port=broker.port)
        wait_until(lambda: time.monotonic_ns() - begun_ns > 3_100_000_000, what="a silence")
        fault.shown(said, config, [CHANNEL], begun_ns)
        fault.lost([1], [it.value for it in said if isinstance(it, Reading)], befell=[1])
    finally:
        port.stop()
