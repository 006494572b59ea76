"""A node's own Last Will, on a real broker: its channels are gone at once, and back when it is."""

from __future__ import annotations

import threading
import time
from importlib.resources import files

import pytest
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from drivers import senml
from drivers.config import Channel
from drivers.kinds.mqtt import MqttPort
from drivers.mqtt import MqttReader
from drivers.ports import open_port
from drivers.reading import NodeState
from monitor.live.session import Session
from monitor.rig.load import RigFaults, parse_rig
from replay.entries import Notice

from .conformance import Heard

PRESENCE = {"topic": "yard/node-7/presence", "gone": "offline"}


def channel(name, node=7, presence=PRESENCE):
    source = {"port": "net", "topic": f"yard/node-{node}/data", "format": "senml", "n": name, "presence": presence}
    return Channel(name=name, quantity="length", stale_after=60.0, source=source)


class Node:
    """A sensor with a will of its own, that may be cut off without a word."""

    def __init__(self, broker):
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2)
        self.client.will_set("yard/node-7/presence", "offline", 1, retain=True)
        up = threading.Event()
        self.client.on_connect = lambda *_: up.set()
        self.client.connect(broker.host, broker.port)
        self.client.loop_start()
        assert up.wait(10.0)

    def say(self, topic, payload, **more):
        self.client.publish(topic, payload, 1, **more).wait_for_publish(10.0)

    def cut(self):
        """The wire is pulled: the broker hears no DISCONNECT, and publishes the will."""
        self.client.loop_stop()
        self.client.socket().close()

    def leave(self):
        self.client.disconnect()
        self.client.loop_stop()


def nodes(heard):
    return [(it.channel, it.here) for it in heard.all if isinstance(it, NodeState)]


@pytest.mark.fault("node-gone")
@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_a_node_that_is_cut_off_takes_its_channels_with_it_at_once(broker, wait_until, protocol, fault):
    heard = Heard()
    config = MqttPort(name="net", driver="mqtt", host=broker.host, port=broker.port, protocol=protocol)
    other = channel("x", 8, {"topic": "yard/node-8/presence", "gone": "offline"})
    channels = [channel("h"), channel("k"), other]
    port = open_port(config, channels, heard, time.monotonic_ns)
    port.start()
    try:
        wait_until(lambda: heard.links == [True])
        node = Node(broker)
        node.say("yard/node-7/presence", "online", retain=True)
        node.say("yard/node-7/data", senml.pack([("h", "m", 0.1), ("k", "m", 0.2)]))
        wait_until(lambda: len(heard.readings) == 2)
        assert nodes(heard) == [], "that it is there is no news"
        begun_ns = time.monotonic_ns()
        node.cut()
        wait_until(lambda: len(nodes(heard)) == 2)
        assert time.monotonic_ns() - begun_ns < 2_000_000_000
        fault.shown(heard.all, config, channels, begun_ns)
        fault.lost([0.1, 0.2], [it.value for it in heard.readings])
        assert nodes(heard) == [("h", False), ("k", False)]
        assert heard.all[-1].text == "'offline' on yard/node-7/presence"
        node = Node(broker)
        node.say("yard/node-7/presence", "online", retain=True)
        wait_until(lambda: len(nodes(heard)) == 4)
        assert nodes(heard)[2:] == [("h", True), ("k", True)]
        node.leave()
        assert port.counters()["unknown_id"] == 0
    finally:
        port.stop()


def test_who_was_gone_before_we_came_is_gone(broker, wait_until):
    node = Node(broker)
    node.cut()
    heard = Heard()
    config = MqttPort(name="net", driver="mqtt", host=broker.host, port=broker.port)
    port = open_port(config, [channel("h")], heard, time.monotonic_ns)
    port.start()
    try:
        wait_until(lambda: nodes(heard) == [("h", False)])
        node = Node(broker)  # that comes back without a word of its own
        node.say("yard/node-7/data", senml.pack([("h", "m", 0.1)]))
        wait_until(lambda: heard.readings)
        assert nodes(heard) == [("h", False), ("h", True)]
        assert [type(it).__name__ for it in heard.all[-2:]] == ["NodeState", "Reading"], "back first, then the value"
        node.leave()
    finally:
        port.stop()


def test_what_is_kept_or_empty_brings_nobody_back():
    said = []
    reader = MqttReader(
        MqttPort(name="net", driver="mqtt", host="h"), [channel("h")], said.append, lambda: 0, lambda: 0
    )
    for payload in (b"offline", b"offline\n", b"", b"\xff"):
        reader.deliver("yard/node-7/presence", payload, True, 5)
    reader.deliver("yard/node-7/presence", b"offline", True, 6)
    reader.deliver("yard/node-7/data", senml.pack([("h", "m", 0.1)]), True, 7)
    assert [it.here for it in said if isinstance(it, NodeState)] == [False, True, False]
    assert reader.counters()["empty"] == 1


def test_white_space_at_the_ends_of_the_word_is_none_of_it():
    said = []
    config = MqttPort(name="net", driver="mqtt", host="h")
    one = channel("h", presence={"topic": "yard/node-7/presence", "gone": " offline\n"})
    reader = MqttReader(config, [one], said.append, lambda: 0, lambda: 0)
    for payload in (b" offline\n", b"online", b"offline"):
        reader.deliver("yard/node-7/presence", payload, True, 5)
    assert [it.here for it in said if isinstance(it, NodeState)] == [False, True, False]


def test_it_crosses_to_the_picture_and_the_journal(broker, wait_until):
    text = files("monitor.drill").joinpath("rigs/yard-panel.toml").read_text(encoding="utf-8")
    text = text.replace("port = 1883", f"port = {broker.port}")
    rig = parse_rig(text)
    first = next(it for it in rig.channel if it.source.port == "yard-net")
    told = first.source.model_copy(update={"presence": channel("h").source.presence})
    rig = rig.model_copy(
        update={"channel": [it if it is not first else first.model_copy(update={"source": told}) for it in rig.channel]}
    )
    kept = []

    class Keeper:
        write = staticmethod(kept.append)
        alarm = staticmethod(lambda it: None)
        close = staticmethod(lambda: None)

    session = Session(rig)
    session.start([it for it in rig.port if it.name == "yard-net"], Keeper())
    try:
        wait_until(lambda: session.latest() and any(port.up for port in session.latest().ports))
        Node(broker).cut()
        wait_until(lambda: any(it.gone for it in session.latest().sensors))
    finally:
        session.stop()
    assert [it.name for it in session.latest().sensors if it.gone] == [first.name]
    found = [it for it in kept if isinstance(it, Notice) and it.kind == "node"]
    assert [(it.about, it.active, it.text) for it in found] == [(first.name, True, "'offline' on yard/node-7/presence")]


HEAD = '[rig]\nname = "yard"\n[[port]]\nname = "net"\ndriver = "mqtt"\nhost = "h"\n'


@pytest.mark.parametrize(
    ("presences", "path", "allowed"),
    [
        (['{ topic = "a/+", gone = "x" }'], "presence.topic", "a topic without the wildcards"),
        (['{ topic = "a/b" }'], "presence.gone", "a value"),
        (['{ topic = "a/b", gone = "  " }'], "presence.gone", "a text with at least 1 character"),
        (['{ topic = "a", gone = "x" }', '{ topic = "a", gone = "y" }'], "presence.gone", "one word a topic: 'a'"),
        (['{ topic = "yard/0", gone = "x" }'], "topic", "no topic of a presence, which is 'yard/0'"),
        (['{ topic = "a", gone = "x" }', '{ topic = "a", gone = "x" }'], "", ""),
    ],
)
def test_a_rig_file_says_what_a_presence_takes(presences, path, allowed):
    text = HEAD
    for i, presence in enumerate(presences):
        text += f'[[channel]]\nname = "c{i}"\nquantity = "angle"\n[channel.source]\nport = "net"\ntopic = "yard/{i}"\n'
        text += f'format = "number"\nunit = "deg"\npresence = {presence}\n'
    with pytest.raises(RigFaults) as caught:
        parse_rig(text)
    mine = [it for it in caught.value.faults if it.path.startswith("channel[")]
    assert len(mine) == (1 if path else 0), mine
    for fault in mine:
        assert f".source.{path} (" in fault.path
        assert fault.allowed.startswith(allowed)
