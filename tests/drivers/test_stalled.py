"""Readers that are really stopped, over a real pseudo-terminal, TCP and a broker, and a store that really gives all at once.

Each sentence says its own number, and when it was sent is written down: so the age of every reading is known. Both processes
read one clock of the system."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
import tty

import pytest
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from drivers import nmea
from drivers.config import Channel
from drivers.kinds.nmea import NmeaPort
from drivers.ports import open_port
from drivers.reading import Quality

from .conformance import Heard

pytestmark = pytest.mark.wires
PERIOD_NS = 50_000_000
LATE_NS, SILENCE_NS, BREATH_NS, MORE = 500_000_000, 1_500_000_000, 200_000_000, 1.5  # as drivers/backlog.py states
READER = """
import sys, time, json
from drivers.config import Channel
from drivers.kinds.nmea import NmeaPort
from drivers.ports import open_port
from drivers.reading import Reading

def say(it):
    what = [round(it.value), it.time_ns, it.quality] if isinstance(it, Reading) else ["link", it.up, it.text]
    print(json.dumps(what), flush=True)

channel = Channel(name="H", quantity="length", source={"port": "b", "id": "H1"})
open_port(NmeaPort(name="b", driver="nmea", url=sys.argv[1]), [channel], say, time.monotonic_ns).start()
sys.stdin.read()
"""


class Pty:
    def __init__(self) -> None:
        self.near, self.far = os.openpty()
        tty.setraw(self.far)
        os.set_blocking(self.near, False)
        self.url = os.ttyname(self.far)

    def send(self, data: bytes) -> None:
        os.write(self.near, data)

    def close(self) -> None:
        os.close(self.near)
        os.close(self.far)


class Tcp:
    def __init__(self) -> None:
        self.server = socket.create_server(("127.0.0.1", 0))
        self.server.settimeout(20.0)
        self.url = f"socket://127.0.0.1:{self.server.getsockname()[1]}"
        self.client: socket.socket | None = None

    def send(self, data: bytes) -> None:
        if self.client is None:
            self.client = self.server.accept()[0]
        self.client.sendall(data)

    def close(self) -> None:
        if self.client is not None:
            self.client.close()
        self.server.close()


@pytest.fixture(params=[Pty, Tcp], ids=lambda kind: kind.__name__)
def wire(request):
    it = request.param()
    yield it
    it.close()


class Talker:
    """Sends its sentences at their times and keeps when it did; `kept` is a store in between that lets nothing out."""

    def __init__(self, wire) -> None:
        self.wire, self.sent_ns, self.kept = wire, [], None
        self._due_ns = time.monotonic_ns()

    def talk(self, seconds: float) -> None:
        for _ in range(round(seconds * 1e9 / PERIOD_NS)):
            threading.Event().wait(max(0.0, (self._due_ns - time.monotonic_ns()) * 1e-9))
            self._due_ns = max(self._due_ns + PERIOD_NS, time.monotonic_ns())
            said = nmea.sentence("II", [nmea.quadruple("H1", "length", float(len(self.sent_ns)))])
            if self.kept is None:
                self.wire.send(said)
            else:
                self.kept += said
            self.sent_ns.append(time.monotonic_ns())

    def let_go(self) -> None:
        self.wire.send(self.kept)
        self.kept = None


@pytest.fixture
def reader(wire):
    """Another process that reads the wire; gives it and the lines it says."""
    process = subprocess.Popen(
        [sys.executable, "-c", READER, wire.url], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    lines: list[str] = []
    follower = threading.Thread(target=_follow, args=(process.stdout, lines), daemon=True)
    follower.start()
    yield process, lines
    process.send_signal(signal.SIGCONT)
    process.kill()
    process.wait()
    follower.join()
    process.stdin.close()
    process.stdout.close()


def _follow(stream, lines: list[str]) -> None:
    for line in stream:
        lines += [line]


def test_what_came_while_the_reader_was_stopped_is_old(wire, reader, wait_until):
    process, lines = reader

    def readings() -> list[tuple[int, int, str]]:
        return [tuple(it) for it in map(json.loads, list(lines)) if it[0] != "link"]

    wait_until(lambda: lines, 30.0, "the reader")
    talker = Talker(wire)
    talker.talk(1.0)
    wait_until(lambda: len(readings()) == 20)
    process.send_signal(signal.SIGSTOP)
    assert os.WIFSTOPPED(os.waitpid(process.pid, os.WUNTRACED)[1])
    stopped_ns = time.monotonic_ns()
    talker.talk(2.5)
    resumed_ns = time.monotonic_ns()
    process.send_signal(signal.SIGCONT)
    talker.talk(1.5)
    wait_until(lambda: readings()[-1][0] == len(talker.sent_ns) - 1, 10.0, "the last sentence")
    heard = readings()
    assert [number for number, _, _ in heard] == list(range(len(talker.sent_ns))), "nothing is lost"
    ages = {quality: [at - talker.sent_ns[n] for n, at, q in heard if q == quality] for quality in ("good", "old")}
    assert max(ages["good"]) <= LATE_NS, "what is older than half a second is never called of now"
    stalled = [q for n, _, q in heard if stopped_ns < talker.sent_ns[n] < resumed_ns - LATE_NS]
    assert len(stalled) >= 30
    assert set(stalled) == {"old"}
    after = [q for n, _, q in heard if talker.sent_ns[n] > resumed_ns + 1_000_000_000]
    assert "good" in after, "a second later at most what comes is of now again"


@pytest.mark.fault("store-lets-go")
def test_what_a_store_beyond_the_wire_gives_at_once_is_old(wire, wait_until, fault):
    """A serial server whose network was gone for 2.5 s: our reader runs all the while, and nothing waits in this computer."""
    heard, channel = Heard(), Channel(name="H", quantity="length", source={"port": "b", "id": "H1"})
    config = NmeaPort(name="b", driver="nmea", url=wire.url)
    port = open_port(config, [channel], heard, time.monotonic_ns)
    port.start()
    try:
        wait_until(lambda: heard.links == [True])
        talker = Talker(wire)
        talker.talk(1.5)
        gone_ns, talker.kept = time.monotonic_ns(), b""
        talker.talk(2.5)
        back_ns = time.monotonic_ns()
        talker.let_go()
        talker.talk(1.5)
        wait_until(lambda: heard.readings[-1].value == len(talker.sent_ns) - 1, 10.0, "the last sentence")
    finally:
        port.stop()
    assert back_ns - gone_ns > SILENCE_NS
    assert [round(it.value) for it in heard.readings] == list(range(len(talker.sent_ns))), "nothing is lost"
    good = [it for it in heard.readings if it.quality is Quality.GOOD]
    bound = MORE * (BREATH_NS + PERIOD_NS) + BREATH_NS + 100_000_000
    assert max(it.time_ns - talker.sent_ns[round(it.value)] for it in good) <= bound
    kept = [it.quality for it in heard.readings if gone_ns < talker.sent_ns[round(it.value)] < back_ns - bound]
    assert len(kept) >= 25
    assert set(kept) == {Quality.OLD}
    after = [it.quality for it in heard.readings if talker.sent_ns[round(it.value)] > back_ns + 1_000_000_000]
    assert Quality.GOOD in after
    assert port.counters()["old"] == len(heard.readings) - len(good)
    fault.shown(heard.all, config, [channel], gone_ns)
    live, old = (
        {it.value for it in heard.readings if (it.quality is Quality.GOOD) is is_live} for is_live in (True, False)
    )
    fault.lost([float(n) for n in range(len(talker.sent_ns))], live, befell=old, old=old)


def test_a_line_that_began_before_is_as_old_as_its_beginning():
    from drivers.serial_line import SerialReader

    said = []
    channel = Channel(name="H", quantity="length", source={"port": "b", "id": "H1"})
    it = SerialReader(NmeaPort(name="b", driver="nmea", url="x"), [channel], said.append, lambda: 5)
    one, two, three = (nmea.sentence("II", [nmea.quadruple("H1", "length", v)]) for v in (1.0, 2.0, 3.0))
    it.take(one + two[:9], 5, Quality.OLD)
    it.take(two[9:12], 6)
    it.take(two[12:] + three + one[:5], 7)
    it.take(one[5:], 8, Quality.OLD)
    assert [(r.value, r.quality) for r in said] == [
        (1.0, Quality.OLD),
        (2.0, Quality.OLD),
        (3.0, Quality.GOOD),
        (1.0, Quality.OLD),
    ]


MQTT_READER = """
import sys, time
from drivers.config import Channel
from drivers.kinds.mqtt import MqttPort
from drivers.ports import open_port
from drivers.reading import Reading

def say(it):
    if isinstance(it, Reading):
        print(round(it.value), it.time_ns, it.quality, flush=True)
    else:
        print("link", flush=True)

source = {"port": "net", "topic": "yard/t", "format": "number", "unit": "rad"}
config = MqttPort(name="net", driver="mqtt", host="127.0.0.1", port=int(sys.argv[1]), qos=0)
open_port(config, [Channel(name="t", quantity="angle", source=source)], say, time.monotonic_ns).start()
sys.stdin.read()
"""


def test_what_a_broker_sent_while_the_reader_was_stopped_is_old(broker, wait_until):
    """Bare numbers say no time: that the reader did not run is all there is to know it by. Both read one clock."""
    process = subprocess.Popen(
        [sys.executable, "-c", MQTT_READER, str(broker.port)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    node, lines, sent_ns = mqtt.Client(CallbackAPIVersion.VERSION2), [], []
    node.connect(broker.host, broker.port)
    node.loop_start()
    follower = threading.Thread(target=lambda: lines.extend(iter(process.stdout.readline, "")), daemon=True)
    follower.start()

    def talk(seconds):
        for _ in range(round(seconds / 0.02)):
            sent_ns.append(time.monotonic_ns())
            node.publish("yard/t", str(len(sent_ns) - 1)).wait_for_publish(10.0)
            threading.Event().wait(0.02)

    try:
        wait_until(lambda: lines, 30.0, "the reader")
        talk(0.5)
        wait_until(lambda: len(lines) == 1 + len(sent_ns))
        process.send_signal(signal.SIGSTOP)
        os.waitpid(process.pid, os.WUNTRACED)
        talk(2.0)
        resumed_ns = time.monotonic_ns()
        process.send_signal(signal.SIGCONT)
        talk(1.0)
        wait_until(lambda: len(lines) == 1 + len(sent_ns))
    finally:
        process.send_signal(signal.SIGCONT)
        process.kill()
        process.wait()
        follower.join()
        process.stdin.close()
        process.stdout.close()
        node.disconnect()
        node.loop_stop()
    heard = [(int(number), int(at), quality) for number, at, quality in map(str.split, lines[1:])]
    assert [number for number, _, _ in heard] == list(range(len(sent_ns))), "nothing is lost"
    assert max(at - sent_ns[number] for number, at, quality in heard if quality == "good") <= 600_000_000
    assert sum(quality == "old" for _, _, quality in heard) >= 50
    after = [quality for number, _, quality in heard if sent_ns[number] > resumed_ns + 500_000_000]
    assert "good" in after, "half a second later at most what comes is of now again"
