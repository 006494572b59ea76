"""The broker's configuration that comes with this program, on a real mosquitto: each role does what it may and nothing else.

The README beside it is followed to the letter: its shell lines make the certificates and the users, its lines of a rig file
connect. Changed are the broker's address and where it listens.
"""

from __future__ import annotations

import getpass
import re
import shutil
import subprocess
import threading
import time
import tomllib
from importlib.resources import files

import pytest
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from drivers import senml
from drivers.config import Channel
from drivers.kinds.mqtt import MqttPort
from drivers.ports import open_port
from drivers.reading import NodeState

from .conformance import Heard

HERE = files("drivers").joinpath("mosquitto")
README = HERE.joinpath("README.md").read_text(encoding="utf-8")
SECRETS = {name: f"invented for {name}" for name in ("operator", "screen", "officer", "node-7", "node-8")}
NOT_AUTHORIZED = 0x87

TOPICS = (
    "sensors/node-7/data",
    "sensors/node-7/presence",
    "sensors/node-8/data",
    "sensors/operator/data",
    "sensors/screen/data",
    "sensors/officer/data",
    "inchwatch/yard/rig",
    "inchwatch/yard/presence",
    "inchwatch/yard/picture",
    "inchwatch/yard/alarms",
    "inchwatch/yard/call",
    "inchwatch/yard/anything",
    "inchwatch/yard",
    "elsewhere",
)
SHOWN = {f"inchwatch/yard/{it}" for it in ("rig", "presence", "picture", "alarms")}
CALL = {"inchwatch/yard/call"}
NODE = {"sensors/node-7/data", "sensors/node-7/presence"}
WRITES = {"operator": SHOWN | CALL, "screen": set(), "officer": CALL, "node-7": NODE, "node-8": {"sensors/node-8/data"}}
READS = {
    "operator": NODE | {"sensors/node-8/data"} | CALL,
    "screen": SHOWN | CALL,
    "officer": SHOWN | CALL,
    "node-7": set(),
    "node-8": set(),
}


def blocks(kind):
    return re.findall(rf"```{kind}\n(.*?)```", README, re.DOTALL)


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """The folder that the README makes."""
    for tool in ("openssl", "mosquitto_passwd"):
        if shutil.which(tool) is None:
            pytest.skip(f"no {tool} on this machine: the broker's README is not followed")
    folder = tmp_path_factory.mktemp("made")
    certificates, users, start = blocks("sh")
    assert start == "mosquitto -c mosquitto.conf\n"
    users = users.replace(
        "mosquitto_passwd users node-7\n", "mosquitto_passwd users node-7\nmosquitto_passwd users node-8\n"
    )
    for line in (certificates.replace("192.0.2.5", "127.0.0.1") + users).splitlines():
        secret = SECRETS.get(line.split()[-1], "")
        subprocess.run(
            line, shell=True, cwd=folder, check=True, capture_output=True, input=f"{secret}\n{secret}\n".encode()
        )
    return folder


@pytest.fixture
def yard(made, broker, tmp_path):
    """A broker of that very configuration."""
    broker.stop()
    shutil.copytree(made, tmp_path, dirs_exist_ok=True)
    (tmp_path / "acl").write_bytes(HERE.joinpath("acl").read_bytes())
    (tmp_path / "acl").chmod(0o600)
    text = HERE.joinpath("mosquitto.conf").read_text(encoding="utf-8")
    assert text.count("listener 8883\n") == 1
    text = text.replace("listener 8883\n", f"listener {broker.port} {broker.host}\n")
    broker.write(f"user {getpass.getuser()}\n{text}")
    broker.start()
    return broker


class Client:
    """A client of the broker, by whatever name."""

    def __init__(self, broker, folder, user, secret=None, will=None):
        self.got, self.up, self.said = [], threading.Event(), None
        self._answered = {}
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        self.client.tls_set(str(folder / "ca.pem"))
        if user is not None:
            self.client.username_pw_set(user, secret)
        if will is not None:
            self.client.will_set(will, "offline", 1)
        self.client.on_connect = self._on_connect
        self.client.on_message = lambda _c, _d, it: self.got.append((it.topic, it.payload.decode()))
        self.client.on_publish = lambda _c, _d, mid, reason, _p: self._answered.setdefault(mid, reason)
        self.client.on_subscribe = lambda _c, _d, mid, reasons, _p: self._answered.setdefault(mid, reasons[0])
        self.client.connect(broker.host, broker.port)
        self.client.loop_start()
        assert self.up.wait(10.0)

    def _on_connect(self, _client, _data, _flags, reason, _properties):
        self.said = reason
        self.up.set()

    def answer(self, mid, wait_until):
        wait_until(lambda: mid in self._answered, what="the broker's answer")
        return self._answered[mid]

    def publish(self, topic, payload, wait_until):
        return self.answer(self.client.publish(topic, payload, 1).mid, wait_until)

    def subscribe(self, topic, wait_until):
        return self.answer(self.client.subscribe(topic, 1)[1], wait_until)

    def close(self):
        self.client.disconnect()
        self.client.loop_stop()


@pytest.fixture
def roles(yard, made):
    everyone = {name: Client(yard, made, name, secret) for name, secret in SECRETS.items()}
    assert not any(it.said.is_failure for it in everyone.values())
    yield everyone
    for it in everyone.values():
        it.close()


def test_each_role_writes_what_it_may_and_what_it_may_not_never_arrives(roles, wait_until):
    for it in roles.values():
        for given in ("#", "sensors/#", "inchwatch/#", *TOPICS):
            it.subscribe(given, wait_until)  # whatever it may not read stays silent
    for name, it in roles.items():
        for topic in TOPICS:
            reason = it.publish(topic, name, wait_until)
            assert (reason.value == NOT_AUTHORIZED) is (topic not in WRITES[name]), (name, topic, str(reason))
    for it in roles.values():  # what was on its way to anyone is there by the broker's next answer to him
        it.publish("elsewhere", "last", wait_until)
    for reader, it in roles.items():
        assert set(it.got) == {
            (topic, writer) for writer in roles for topic in WRITES[writer] if topic in READS[reader]
        }, reader


@pytest.mark.parametrize(
    ("user", "secret"),
    [(None, None), ("screen", "not it"), ("screen", None), ("nobody", "invented"), ("operator", SECRETS["screen"])],
)
def test_nobody_comes_in_without_a_name_and_its_password(yard, made, user, secret):
    it = Client(yard, made, user, secret)
    assert it.said.is_failure
    it.close()


def test_a_will_is_heard_on_one_s_own_topic_only(yard, made, roles, wait_until):
    roles["officer"].subscribe("inchwatch/#", wait_until)
    roles["operator"].subscribe("sensors/#", wait_until)
    for topic in ("inchwatch/yard/call", "sensors/node-7/presence", "sensors/node-8/presence"):
        it = Client(yard, made, "node-8", SECRETS["node-8"], will=topic)
        it.client.loop_stop()
        it.client.socket().close()  # the wire is pulled
    own = ("sensors/node-8/presence", "offline")
    wait_until(lambda: own in roles["operator"].got)
    for name in ("officer", "operator"):
        roles[name].publish("elsewhere", "last", wait_until)
    assert (roles["officer"].got, roles["operator"].got) == ([], [own])


def test_clear_text_has_no_listener(yard, wait_until):
    it = mqtt.Client(CallbackAPIVersion.VERSION2)
    answered = []
    it.on_connect = lambda *_: answered.append("connected")
    it.on_disconnect = lambda *_: answered.append("ended")
    it.connect(yard.host, yard.port)
    wait_until(lambda: it.loop(0.01) is not None and answered)
    assert answered == ["ended"]


@pytest.mark.fault("writes-elsewhere")
def test_the_rig_file_s_lines_read_the_sensors_and_hear_their_wills(yard, made, roles, tmp_path, wait_until, fault):
    port, source = (tomllib.loads(it) for it in blocks("toml"))
    (tmp_path / "operator.password").write_text(SECRETS["operator"] + "\n")
    (tmp_path / "operator.password").chmod(0o600)
    given = port["port"][0] | {"host": yard.host, "port": yard.port}
    config = MqttPort.model_validate(given).beside(tmp_path)
    heard = Heard()
    channel = Channel(name="t", quantity="angle", **source)
    reader = open_port(config, [channel], heard, time.monotonic_ns)
    reader.start()
    try:
        wait_until(lambda: heard.links == [True])
        for node, value in (("node-8", 0.02), ("node-7", 0.01)):
            roles[node].publish("sensors/node-7/data", senml.pack([("tilt", "rad", value)]), wait_until)
        wait_until(lambda: heard.readings)
        fault.shown(heard.all, config, [channel], heard.begun_ns)
        roles["node-7"].publish("sensors/node-7/presence", "offline", wait_until)
        wait_until(lambda: any(isinstance(it, NodeState) for it in heard.all))
        assert heard.values("t") == [0.01]
        fault.lost([0.02, 0.01], heard.values("t"), befell=[0.02])
    finally:
        reader.stop()
