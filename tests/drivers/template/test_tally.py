"""What every driver must do, done by this one over a real connection. The driver must be installed first:

pip install tests/drivers/template && python -m pytest tests/drivers/template
"""

from __future__ import annotations

import socket

import pytest
from hypothesis import given
from hypothesis import strategies as st
from inchwatch_tally import TallyPort, TallySource
from inchwatch_tally.decoder import TallyError, decode

from drivers.config import Channel

from ..conformance import Conformance, Far


class Box(Far):
    """The far end: a server that prints lines to whoever connects."""

    def __init__(self) -> None:
        self.server = socket.create_server(("127.0.0.1", 0))
        self.number = self.server.getsockname()[1]
        self.config = TallyPort(name="it", driver="tally", host="127.0.0.1", port=self.number)
        self.channels = [
            Channel(name="P", quantity="pressure", source=TallySource(port="it", id="P1")),
            Channel(name="H", quantity="length", source=TallySource(port="it", id="H1")),
        ]
        self.client: socket.socket | None = None

    def send(self, text):
        if self.client is None:
            self.server.settimeout(10.0)
            self.client = self.server.accept()[0]
        self.client.sendall(text.encode())

    def say(self, pressure, height):
        for name, value in (("P1", pressure), ("H1", height)):
            self.send(f"{name} {'-' if value is None else f'{value:.6f}'}\n")

    def junk(self):
        self.send("P1 1e5\nnothing of the kind\x00\n")

    def stranger(self):
        self.send("X9 1.0\n")

    def cut(self):
        if self.client is not None:
            self.client.close()
        self.server.close()
        self.client = None

    def mend(self):
        self.server = socket.create_server(("127.0.0.1", self.number))

    def close(self):
        self.cut()


class TestTally(Conformance):
    @pytest.fixture
    def far(self):
        it = Box()
        yield it
        it.close()


@given(st.binary(max_size=40) | st.from_regex(rb"[A-Z]{1,3} [-.\d]{0,6}", fullmatch=True))
def test_any_bytes_are_a_value_nothing_or_a_sentence(line):
    try:
        name, value = decode(line)
    except TallyError as error:
        assert "\n" not in str(error)
    else:
        assert name
        assert value is None or abs(value) < float("inf")
