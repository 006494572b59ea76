"""The drivers that come with this program do what every driver must: over a pseudo-terminal, TCP, a real broker."""

from __future__ import annotations

import os
import socket
import threading
import tty
from abc import abstractmethod

import orjson
import pytest
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from drivers import nmea, senml
from drivers.config import Channel
from drivers.kinds.mqtt import MqttPort
from drivers.kinds.nmea import NmeaPort

from .conformance import Conformance, Far


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
    def __init__(self) -> None:
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

    def __init__(self) -> None:
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
        self.prepare(self.client)
        self.client.connect(broker.host, broker.port)
        self.client.loop_start()
        assert self.up.wait(10.0)

    def prepare(self, client):
        """What a client must have before it may come in."""

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


class TestNmea(Conformance):
    @pytest.fixture(params=[Tcp, Pty], ids=lambda kind: kind.__name__)
    def far(self, request):
        it = request.param()
        yield it
        it.close()


class TestMqtt(Conformance):
    @pytest.fixture(params=[Topic, Topic311, TopicJson, TopicNumber], ids=lambda kind: kind.__name__)
    def far(self, request, broker):
        it = request.param(broker)
        yield it
        it.close()
