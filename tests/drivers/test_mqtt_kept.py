"""What a real broker put aside while we were away never passes as live; and what several filters take comes once a channel."""

from __future__ import annotations

import itertools
import socket
import threading
import time

import pytest
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.publish import single

from drivers import senml
from drivers.config import Channel
from drivers.kinds.mqtt import MqttPort
from drivers.ports import open_port
from drivers.reading import NodeState, Quality

from .conformance import Heard


def channel(topic="yard/t", name="t", **source):
    source = {"format": "number", "unit": "deg"} | source
    source = {key: value for key, value in source.items() if value is not None}
    return Channel(name=name, quantity="angle", source={"port": "net", "topic": topic} | source)


@pytest.fixture
def publish(broker):
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    up = threading.Event()
    client.on_connect = lambda *_: up.set()
    client.connect(broker.host, broker.port)
    client.loop_start()
    assert up.wait(10.0)
    yield lambda topic, payload, qos=1, **more: client.publish(topic, payload, qos, **more).wait_for_publish(10.0)
    client.disconnect()
    client.loop_stop()


@pytest.fixture
def running(broker, wait_until):
    made = []

    def run(channels, up=True, **config):
        heard = Heard()
        it = MqttPort.model_validate(
            {"name": "net", "driver": "mqtt", "host": broker.host, "port": broker.port} | config
        )
        port = open_port(it, channels, heard, time.monotonic_ns)
        made.append(port)
        port.start()
        if up:
            wait_until(lambda: heard.links[:1] == [True])
        return port, heard

    yield run
    for port in made:
        port.stop()


AWAY = {"session": "1 h", "client_id": "yard-1"}


def qualities(heard):
    return [(it.value, it.quality) for it in heard.readings]


def test_what_was_sent_while_we_were_away_is_had_and_is_old(running, publish, wait_until):
    plain = channel(unit="rad")
    port, heard = running([plain], **AWAY)
    publish("yard/t", "1")
    wait_until(lambda: qualities(heard) == [(1.0, Quality.GOOD)])
    port.stop()
    for value in range(2, 60):  # more than a broker sends at once without an answer (mosquitto: 20)
        publish("yard/t", str(value))
    publish("yard/t", "0", qos=0)
    port, heard = running([plain], **AWAY)
    wait_until(lambda: len(heard.readings) >= 58)
    publish("yard/t", "60")
    publish("yard/t", "61", qos=0)
    wait_until(lambda: len(heard.readings) >= 60)
    assert qualities(heard) == [(float(v), Quality.OLD) for v in range(2, 60)] + [
        (60.0, Quality.GOOD),
        (61.0, Quality.GOOD),
    ], "QoS 0 is not put aside (MQTT 5 section 4.4 asks it of QoS 1 and 2 only; mosquitto's queue_qos0_messages is off)"
    assert (port.counters()["old"], port.counters()["good"]) == (58, 2)


def test_a_stream_that_never_rests_is_live_again_at_once(running, publish, broker, wait_until):
    """Readings go on while we come back: none that was sent before the new subscription is live, every later one is."""
    plain = channel(unit="rad")
    port, heard = running([plain], **AWAY)
    port.stop()
    stop, sent = threading.Event(), []

    def stream():
        for value in itertools.count(1):
            begun_ns = time.monotonic_ns()
            publish("yard/t", str(value))
            sent.append((value, begun_ns, time.monotonic_ns()))
            if stop.wait(0.002):
                return

    streaming = threading.Thread(target=stream)
    streaming.start()
    try:
        wait_until(lambda: len(sent) > 100)
        begun_ns = time.monotonic_ns()
        port, heard = running([plain], **AWAY)
        up_ns = time.monotonic_ns()
        wait_until(lambda: sum(it.quality is Quality.GOOD for it in heard.readings) > 100)
    finally:
        stop.set()
        streaming.join()
    values = [it.value for it in heard.readings]
    assert values == sorted(values)
    found = {it.value: it.quality for it in heard.readings}
    before = [value for value, _, done_ns in sent if done_ns < begun_ns]
    after = [value for value, at_ns, _ in sent if at_ns > up_ns and value in found]
    assert len(before) > 90
    assert len(after) > 90
    assert {found[value] for value in before} == {Quality.OLD}
    assert {found[value] for value in after} == {Quality.GOOD}


@pytest.mark.fault("delivered-twice")
def test_what_was_had_and_never_acknowledged_comes_again_and_is_old(running, publish, broker, wait_until, fault):
    # MQTT 5 section 4.4: on a session taken up again the broker sends it anew, DUP set.
    got = []
    one = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="yard-1", protocol=mqtt.MQTTv5, manual_ack=True)
    one.on_subscribe = lambda *_: got.append("subscribed")
    one.on_message = lambda _c, _d, it: got.append(it.payload)
    kept = Properties(PacketTypes.CONNECT)
    kept.SessionExpiryInterval = 3600
    one.connect(broker.host, broker.port, clean_start=False, properties=kept)
    one.subscribe("yard/t", 1)
    wait_until(lambda: one.loop(0.01) is not None and got == ["subscribed"])
    publish("yard/t", "1")
    wait_until(lambda: one.loop(0.01) is not None and got[1:] == [b"1"])
    one.socket().close()
    port, heard = running([channel(unit="rad")], **AWAY)
    publish("yard/t", "2")
    wait_until(lambda: len(heard.readings) == 2)
    assert qualities(heard) == [(1.0, Quality.OLD), (2.0, Quality.GOOD)]
    fault.shown(heard.all, port._config, [channel(unit="rad")], heard.begun_ns)
    fault.lost([1.0, 2.0], [2.0], befell=[1.0], old=[it.value for it in heard.readings if it.quality is Quality.OLD])


@pytest.mark.wires
@pytest.mark.fault("broker-stalls")
@pytest.mark.fault("node-clock-off")
@pytest.mark.parametrize("days_off", [-3, 400])
def test_what_a_stall_hands_over_late_is_old_whatever_the_node_s_clock(running, broker, wait_until, days_off, faults):
    """The broker stands still for a second and then hands all over at once; 0.3 s is what the channel may be silent."""
    it = channel(format="senml", n="tilt", unit=None).model_copy(update={"stale_after": 0.3})
    port, heard = running([it], qos=0)
    node = mqtt.Client(CallbackAPIVersion.VERSION2)
    up, sent, pace = threading.Event(), [], threading.Event()
    node.on_connect = lambda *_: up.set()
    node.connect(broker.host, broker.port)
    node.loop_start()
    assert up.wait(10.0)

    def say(seconds):
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            sent.append(time.monotonic_ns())
            stamp = time.time() + days_off * 86_400.0
            node.publish("yard/t", senml.pack([("tilt", "rad", len(sent) - 1.0)], time_s=stamp))
            pace.wait(0.02)

    try:
        say(0.5)
        wait_until(lambda: len(heard.readings) == len(sent))
        faults["node-clock-off"].shown(heard.all, port._config, [it], sent[0])
        faults["node-clock-off"].lost([float(k) for k in range(len(sent))], heard.values("t"))
        stalled_ns = time.monotonic_ns()
        broker.stall(True)
        say(1.0)
        broker.stall(False)
        say(0.5)
        wait_until(lambda: len(heard.readings) == len(sent))
    finally:
        node.disconnect()
        node.loop_stop()
    waited = [((it.time_ns - sent[round(it.value)]) * 1e-9, it.quality) for it in heard.readings]
    assert [it.value for it in heard.readings] == [float(k) for k in range(len(sent))]
    assert {quality for seconds, quality in waited if seconds <= 0.3} == {Quality.GOOD}
    late = [quality for seconds, quality in waited if seconds > 0.4]
    assert len(late) > 10
    assert set(late) == {Quality.OLD}
    assert heard.links == [True], "the wire itself was never lost"
    faults["broker-stalls"].shown(heard.all, port._config, [it], stalled_ns)
    live, old = ([it.value for it in heard.readings if (it.quality is Quality.GOOD) is kind] for kind in (True, False))
    faults["broker-stalls"].lost([float(k) for k in range(len(sent))], live, befell=old, old=old)


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_all_of_a_node_is_one_filter_and_its_presence_is_no_value(running, publish, wait_until, protocol):
    presence = {"topic": "sensors/node-7/presence", "gone": "offline"}
    both = [
        channel("sensors/node-7/#", "x", format="senml", n="x", unit=None, presence=presence),
        channel("sensors/node-7/#", "y", format="senml", n="y", unit=None, presence=presence),
    ]
    port, heard = running(both, protocol=protocol)
    publish("sensors/node-7/presence", "online", retain=True)
    publish("sensors/node-7/one", senml.pack([("x", "rad", 1.0)]))
    publish("sensors/node-7/deep/er", senml.pack([("y", "rad", 2.0)]))
    publish("sensors/node-8/one", senml.pack([("x", "rad", 9.0)]))
    publish("sensors/node-7/presence", "offline", retain=True)
    wait_until(lambda: [it.channel for it in heard.all if isinstance(it, NodeState) and not it.here] == ["x", "y"])
    assert [(it.channel, it.value, it.quality) for it in heard.readings] == [
        ("x", 1.0, Quality.GOOD),
        ("y", 2.0, Quality.GOOD),
    ]
    assert port.counters()["malformed"] == 0


def test_without_a_session_nothing_is_put_aside(running, publish, wait_until):
    port, heard = running([channel()], client_id="yard-1")
    port.stop()
    publish("yard/t", "1")
    _, heard = running([channel()], client_id="yard-1")
    publish("yard/t", "2")
    wait_until(lambda: heard.readings)
    assert [it.quality for it in heard.readings] == [Quality.GOOD]
    assert len(heard.readings) == 1


@pytest.mark.fault("broker-gone")
def test_a_broker_that_forgot_the_session_gives_live_readings(running, publish, broker, wait_until, fault):
    port, heard = running([channel(unit="rad")], **AWAY)
    stopped_ns = time.monotonic_ns()
    broker.stop()
    wait_until(lambda: heard.links == [True, False])
    fault.shown(heard.all, port._config, [channel()], stopped_ns)
    with pytest.raises(OSError):
        single("yard/t", "0", 1, hostname=broker.host, port=broker.port)
    broker.start()  # without persistence: it has forgotten us
    wait_until(lambda: heard.links == [True, False, True], 20.0)
    publish_again = mqtt.Client(CallbackAPIVersion.VERSION2)
    publish_again.connect(broker.host, broker.port)
    publish_again.loop_start()
    try:
        publish_again.publish("yard/t", "1", 1).wait_for_publish(10.0)
        wait_until(lambda: heard.readings)
    finally:
        publish_again.disconnect()
        publish_again.loop_stop()
    assert heard.readings[0].quality is Quality.GOOD
    fault.lost([0.0, 1.0], heard.values("t"), befell=[0.0])


@pytest.mark.fault("name-taken")
@pytest.mark.parametrize("config", [AWAY, {"client_id": "yard-1", "protocol": "3.1.1"}], ids=["5", "3.1.1"])
def test_another_program_of_the_same_name_is_told(running, publish, broker, wait_until, fault, config):
    port, heard = running([channel(unit="rad")], **config)
    begun_ns = time.monotonic_ns()
    other = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="yard-1", protocol=mqtt.MQTTv5)
    other.connect(broker.host, broker.port)
    try:
        wait_until(lambda: other.loop(0.01) is not None and heard.links[:2] == [True, False])
        publish("yard/t", "1")
    finally:
        other.disconnect()
    assert "is another program called 'yard-1', too?" in heard.all[1].text
    fault.shown(heard.all, port._config, [channel()], begun_ns)
    wait_until(lambda: heard.links == [True, False, True])
    publish("yard/t", "2")
    wait_until(lambda: heard.values("t"))
    fault.lost([1.0, 2.0], heard.values("t"), befell=[1.0])


def test_a_broker_that_says_who_took_the_name_is_believed(wait_until):
    """The broker's side by hand, as the packets of MQTT 5 stand in its sections 3.2, 3.9 and 3.14: mosquitto 2.0.11 shuts
    the wire without a word."""

    def broker_by_hand():
        with server.accept()[0] as wire:
            wire.recv(1024)
            wire.sendall(bytes.fromhex("2003000000"))
            asked = wire.recv(1024)
            wire.sendall(bytes.fromhex("9004") + asked[2:4] + bytes.fromhex("0001"))
            wire.sendall(bytes.fromhex("e0028e00"))
            wire.recv(1024)

    with socket.create_server(("127.0.0.1", 0)) as server:
        thread = threading.Thread(target=broker_by_hand)
        thread.start()
        heard, where = Heard(), f"127.0.0.1:{server.getsockname()[1]}"
        it = MqttPort(name="net", driver="mqtt", host="127.0.0.1", port=server.getsockname()[1], client_id="yard-1")
        port = open_port(it, [channel()], heard, time.monotonic_ns)
        port.start()
        try:
            wait_until(lambda: heard.links == [True, False])
        finally:
            port.stop()
            thread.join(10.0)
    wanted = "another program is called 'yard-1', too; allowed is one program a client_id"
    assert heard.all[1].text == f"connection lost ({wanted}) (broker {where})"


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
@pytest.mark.parametrize("qos", [0, 1])
def test_filters_that_cover_each_other_give_each_channel_its_value_once(running, publish, wait_until, protocol, qos):
    channels = [
        channel("yard/+/tilt", "a", format="json", pointer="/x"),
        channel("yard/node-7/tilt", "b", format="json", pointer="/y"),
    ]
    _, heard = running(channels, protocol=protocol, qos=qos)
    for i in range(5):
        publish("yard/node-7/tilt", f'{{"x": {i}, "y": {i + 10}}}', qos=qos)
    publish("yard/node-7/tilt", '{"x": 99, "y": 99}', qos=1)
    wait_until(lambda: len(heard.readings) >= 12)
    for name in "ab":
        assert [it.sequence for it in heard.readings if it.channel == name] == list(range(6))


def test_filters_that_cross_give_each_channel_its_value_once(running, publish, wait_until):
    channels = [
        channel("+/node-7", "a", format="json", pointer="/x"),
        channel("gate/+", "b", format="json", pointer="/y"),
        channel("$share/crew/gate/node-7", "c", format="json", pointer="/z"),
    ]
    _, heard = running(channels)
    for i in range(5):
        publish("gate/node-7", f'{{"x": {i}, "y": {i}, "z": {i}}}')
    wait_until(lambda: len(heard.readings) >= 15)
    publish("gate/node-7", '{"x": 9, "y": 9, "z": 9}')
    wait_until(lambda: len(heard.readings) >= 18)
    for name in "abc":
        assert [it.sequence for it in heard.readings if it.channel == name] == list(range(6))


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_of_a_group_that_shares_each_gets_a_part(running, publish, wait_until, protocol):
    both = [running([channel("$share/crew/yard/+", unit="rad")], protocol=protocol)[1] for _ in range(2)]
    for i in range(10):
        publish("yard/t", str(i))
    wait_until(lambda: sum(len(it.readings) for it in both) == 10)
    assert sorted(it.value for heard in both for it in heard.readings) == list(range(10))
    assert all(heard.readings for heard in both), "mosquitto takes turns"


@pytest.mark.fault("two-gateways")
def test_a_filter_never_makes_one_sensor_of_two(running, publish, wait_until, fault):
    """Two gateways hand the same node on: the first that is heard keeps the channel; the other takes over when it is gone."""
    it = channel("+/node-7/tilt", unit="rad")
    port, heard = running([it.model_copy(update={"stale_after": 0.3})])
    for gateway, value in (("east", 1), ("west", 2), ("east", 3), ("west", 4)):
        publish(f"{gateway}/node-7/tilt", str(value))
    wait_until(lambda: len(heard.readings) + port.counters()["unknown_id"] == 4)
    assert [it.value for it in heard.readings] == [1.0, 3.0]
    assert port.strangers() == {"west/node-7/tilt": 2}
    fault.shown(heard.all, port._config, [it], heard.begun_ns, counters=port.counters(), strangers=port.strangers())
    fault.lost([1.0, 2.0, 3.0, 4.0], heard.values("t"), befell=[2.0, 4.0])
    silent_ns = heard.readings[-1].time_ns + 300_000_000
    wait_until(lambda: time.monotonic_ns() > silent_ns)
    publish("west/node-7/tilt", "5")
    publish("east/node-7/tilt", "6")
    wait_until(lambda: port.counters()["unknown_id"] == 3)
    assert [it.value for it in heard.readings] == [1.0, 3.0, 5.0]


def test_nodes_that_say_the_same_names_are_told_apart_by_their_topics(running, publish, wait_until):
    names = {"format": "senml", "n": "tilt", "unit": None}
    _, heard = running([channel("yard/node-7", "a", **names), channel("yard/node-8", "b", **names)])
    for node, value in ((7, 0.1), (8, 0.2)):
        publish(f"yard/node-{node}", senml.pack([("tilt", "rad", value)]))
    wait_until(lambda: len(heard.readings) == 2)
    assert {it.channel: it.value for it in heard.readings} == {"a": 0.1, "b": 0.2}
