"""What every driver must do, over the real thing: a pseudo-terminal, TCP, a broker."""

from __future__ import annotations

import os
import socket
import threading
import time
import tty
from abc import ABC, abstractmethod

import orjson
import pytest
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from drivers import nmea, senml
from drivers.config import Channel
from drivers.kinds.mqtt import MqttPort
from drivers.kinds.nmea import NmeaPort
from drivers.ports import open_port
from drivers.reading import LinkState, Quality, Reading


class Heard:
    """A sink that keeps what a port said."""

    def __init__(self) -> None:
        self.all: list[Reading | LinkState] = []

    def __call__(self, it: Reading | LinkState) -> None:
        self.all.append(it)

    @property
    def readings(self) -> list[Reading]:
        return [it for it in self.all if isinstance(it, Reading)]

    @property
    def links(self) -> list[bool]:
        return [it.up for it in self.all if isinstance(it, LinkState)]

    def values(self, channel: str) -> list[float]:
        return [it.value for it in self.readings if it.channel == channel]


class Far(ABC):
    """The far end of a wire: two channels, "P" (pressure) and "H" (length), SI in, bytes out."""

    config: NmeaPort | MqttPort
    channels: list[Channel]
    can_be_cut = True

    @abstractmethod
    def say(self, pressure: float | None, height: float | None) -> None: ...

    @abstractmethod
    def junk(self) -> None:
        """Say something that is none of the format."""

    @abstractmethod
    def stranger(self) -> None:
        """Say something good of an id nobody asked for."""

    @abstractmethod
    def cut(self) -> None: ...

    @abstractmethod
    def mend(self) -> None: ...

    @abstractmethod
    def close(self) -> None: ...

    def ready(self) -> bool:
        return True


def nmea_channels() -> list[Channel]:
    return [
        Channel(name="P", quantity="pressure", source={"port": "it", "id": "P1"}),
        Channel(name="H", quantity="length", source={"port": "it", "id": "H1"}),
    ]


class Sentences(Far):
    def say(self, pressure, height):
        words = [nmea.quadruple("P1", "pressure", pressure), nmea.quadruple("H1", "length", height)]
        self.send(nmea.sentence("II", words))

    def junk(self):
        self.send(b"\x00\xfe!!\r\n$IIXDR,P,1.0,B,P1*00\r\n")

    def stranger(self):
        self.send(nmea.sentence("II", [nmea.quadruple("X9", "length", 1.0)]))

    @abstractmethod
    def send(self, data: bytes) -> None: ...


class Tcp(Sentences):
    def __init__(self, _broker) -> None:
        self.server = socket.create_server(("127.0.0.1", 0))
        self.port = self.server.getsockname()[1]
        self.config = NmeaPort(name="it", driver="nmea", url=f"socket://127.0.0.1:{self.port}")
        self.channels = nmea_channels()
        self.client: socket.socket | None = None

    def _client(self) -> socket.socket:
        if self.client is None:
            self.server.settimeout(10.0)
            self.client = self.server.accept()[0]
        return self.client

    def send(self, data):
        self._client().sendall(data)

    def cut(self):
        if self.client is not None:
            self.client.close()
        self.server.close()
        self.client = None

    def mend(self):
        self.server = socket.create_server(("127.0.0.1", self.port))

    def close(self):
        if self.client is not None:
            self.client.close()
        self.server.close()


class Pty(Sentences):
    """A link in the file system that leads to a pseudo-terminal, as an adapter's name leads to its device."""

    def __init__(self, _broker) -> None:
        import tempfile

        self.folder = tempfile.TemporaryDirectory()
        self.name = os.path.join(self.folder.name, "ttyUSB0")
        self.config = NmeaPort(name="it", driver="nmea", url=self.name)
        self.channels = nmea_channels()
        self.mend()

    def mend(self):
        self.near, self.far = os.openpty()
        tty.setraw(self.far)
        os.symlink(os.ttyname(self.far), self.name)

    def send(self, data):
        os.write(self.near, data)

    def cut(self):
        os.unlink(self.name)
        os.close(self.near)
        os.close(self.far)

    def close(self):
        if os.path.islink(self.name):
            self.cut()
        self.folder.cleanup()


class Topic(Far):
    """A broker; `form` says what the payloads are."""

    form = "senml"
    protocol = "5"

    def __init__(self, broker) -> None:
        self.broker = broker
        self.config = MqttPort(name="it", driver="mqtt", host=broker.host, port=broker.port, protocol=self.protocol)
        self.channels = [self._channel("P", "pressure", "bar"), self._channel("H", "length", "mm")]
        self.subscribed = 0
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2)
        self.client.on_connect = lambda *_: self.up.set()
        self.up = threading.Event()
        self.client.connect(broker.host, broker.port)
        self.client.loop_start()
        assert self.up.wait(10.0)

    def _channel(self, name, quantity, unit):
        source = {"port": "it", "topic": f"yard/{name}" if self.form == "number" else "yard/all", "format": self.form}
        if self.form == "senml":
            source["n"] = name
        else:
            source["unit"] = unit
        if self.form == "json":
            source["pointer"] = f"/now/{0 if name == 'P' else 1}"
        return Channel(name=name, quantity=quantity, source=source)

    def publish(self, topic, payload, **more):
        self.client.publish(topic, payload, qos=1, **more).wait_for_publish(10.0)

    def say(self, pressure, height):
        if self.form == "senml":
            records = [(n, u, v) for n, u, v in (("P", "Pa", pressure), ("H", "m", height)) if v is not None]
            empty = [{"n": n, "vs": ""} for n, v in (("P", pressure), ("H", height)) if v is None]
            self.publish("yard/all", orjson.dumps(orjson.loads(senml.pack(records)) + empty))
        elif self.form == "json":
            bar, mm = (None if v is None else v / scale for v, scale in ((pressure, 1e5), (height, 1e-3)))
            self.publish("yard/all", orjson.dumps({"now": [bar, mm]}))
        else:
            self.publish("yard/P", b"" if pressure is None else repr(pressure / 1e5).encode())
            self.publish("yard/H", b"" if height is None else repr(height / 1e-3).encode())

    def junk(self):
        topic = "yard/P" if self.form == "number" else "yard/all"
        self.publish(topic, b"\xff\x00{{")
        self.publish(topic, b"one")

    def stranger(self):
        if self.form != "senml":
            pytest.skip("a topic nobody asked for is never delivered")
        self.publish("yard/all", senml.pack([("X9", "m", 1.0)]))

    def cut(self):
        self.broker.stop()

    def mend(self):
        self.up.clear()
        self.broker.start()
        assert self.up.wait(20.0)

    def close(self):
        self.client.disconnect()
        self.client.loop_stop()


class Topic311(Topic):
    protocol = "3.1.1"


class TopicJson(Topic):
    form = "json"


class TopicNumber(Topic):
    form = "number"


@pytest.fixture(params=[Tcp, Pty, Topic, Topic311, TopicJson, TopicNumber], ids=lambda kind: kind.__name__)
def far(request):
    broker = request.getfixturevalue("broker") if issubclass(request.param, Topic) else None
    it = request.param(broker)
    yield it
    it.close()


@pytest.fixture
def heard():
    return Heard()


@pytest.fixture
def port(far, heard):
    started = time.monotonic_ns()
    it = open_port(far.config, far.channels, heard, lambda: time.monotonic_ns() - started)
    it.start()
    yield it
    it.stop()


class TestEveryDriver:
    def test_readings_arrive_in_si_in_order_and_numbered(self, far, heard, port, wait_until):
        wait_until(lambda: heard.links == [True])
        for i in range(20):
            far.say(2e5 + i * 1000, 0.1 + i * 0.001)
        wait_until(lambda: len(heard.readings) == 40)
        assert heard.values("P") == pytest.approx([2e5 + i * 1000 for i in range(20)])
        assert heard.values("H") == pytest.approx([0.1 + i * 0.001 for i in range(20)], abs=1e-6)
        for name in "PH":
            mine = [it for it in heard.readings if it.channel == name]
            assert [it.sequence for it in mine] == list(range(20))
            assert [it.time_ns for it in mine] == sorted(it.time_ns for it in mine)
            assert {it.quality for it in mine} == {Quality.GOOD}
        assert port.counters()["good"] == 40

    def test_junk_is_counted_and_stops_nothing(self, far, heard, port, wait_until):
        wait_until(lambda: heard.links == [True])
        far.junk()
        far.say(1e5, 0.5)
        wait_until(lambda: len(heard.readings) == 2)
        counts = port.counters()
        assert counts["malformed"] + counts["bad_checksum"] == 2

    def test_an_id_nobody_asked_for_is_counted_and_named(self, far, heard, port, wait_until):
        wait_until(lambda: heard.links == [True])
        far.stranger()
        far.say(1e5, 0.5)
        wait_until(lambda: len(heard.readings) == 2)
        assert port.counters()["unknown_id"] == 1
        assert list(port.strangers().values()) == [1]

    def test_an_empty_value_is_no_reading(self, far, heard, port, wait_until):
        wait_until(lambda: heard.links == [True])
        far.say(None, 0.5)
        far.say(1e5, None)
        far.say(1.5e5, 0.6)
        wait_until(lambda: len(heard.readings) == 4)
        assert heard.values("P") == pytest.approx([1e5, 1.5e5])
        assert heard.values("H") == pytest.approx([0.5, 0.6])
        assert port.counters()["empty"] == 2

    def test_loss_is_said_once_and_mends_itself(self, far, heard, port, wait_until):
        wait_until(lambda: heard.links == [True])
        far.say(1e5, 0.5)
        wait_until(lambda: len(heard.readings) == 2)
        cut_at = time.monotonic()
        far.cut()
        wait_until(lambda: heard.links == [True, False])
        assert time.monotonic() - cut_at < 2.0, "a loss is said within two seconds"
        text = next(it.text for it in heard.all if isinstance(it, LinkState) and not it.up)
        assert text
        assert "\n" not in text
        far.mend()
        wait_until(lambda: heard.links == [True, False, True], 20.0)
        far.say(2e5, 0.7)
        wait_until(lambda: len(heard.readings) == 4)
        assert heard.values("P") == pytest.approx([1e5, 2e5])
        assert [it.sequence for it in heard.readings if it.channel == "P"] == [0, 1]
        assert port.counters()["reconnects"] == 1

    def test_a_port_that_is_not_there_is_said_and_waited_for(self, far, heard, wait_until):
        far.cut()
        port = open_port(far.config, far.channels, heard, time.monotonic_ns)
        port.start()
        try:
            wait_until(lambda: heard.links == [False])
            far.mend()
            wait_until(lambda: heard.links == [False, True], 20.0)
            far.say(1e5, 0.5)
            wait_until(lambda: len(heard.readings) == 2)
        finally:
            port.stop()

    def test_stop_ends_the_thread_soon_and_twice_is_fine(self, far, heard, port, wait_until):
        wait_until(lambda: heard.links == [True])
        begun = time.monotonic()
        port.stop()
        port.stop()
        assert time.monotonic() - begun < 2.0
        assert not any(thread.name == "port:it" for thread in threading.enumerate())
