"""Wires that bring what cannot be read: a wrong speed, noise, a line without end, two talkers. Over a real pseudo-terminal,
which has no speed of its own: what a wrong one makes of a sentence is worked out bit by bit. All contents are invented."""

from __future__ import annotations

import os
import random
import re
import threading
import time
import tracemalloc
import tty
from functools import reduce
from operator import xor

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers import nmea
from drivers.config import Channel
from drivers.kinds.nmea import NmeaPort
from drivers.nmea import XdrDecoder
from drivers.ports import open_port
from drivers.reading import LinkState

from ..screen import Shown
from .conformance import Heard

CHANNEL = Channel(name="H", quantity="length", source={"port": "b", "id": "H1"})


def sentence(name: str, value: float) -> bytes:
    return nmea.sentence("II", [nmea.quadruple(name, "length", value)])


def misread(data: bytes, sent_baud: int, read_baud: int) -> bytes:
    """What a UART at one speed makes of bytes sent at another (8 data bits, no parity, 1 stop bit; a frame without its stop
    bit is read as 0, as a terminal gives it where nothing else is asked for)."""
    bits = [1] * 20
    for byte in data:
        bits += [0, *(byte >> k & 1 for k in range(8)), 1]
    bits += [1] * 40
    step, at, out = sent_baud / read_baud, 0.0, bytearray()
    while True:
        k = int(at)
        while k < len(bits) and bits[k]:  # wait for a start bit
            k += 1
        if k + 10.0 * step >= len(bits):
            return bytes(out)
        begin = max(at, float(k))
        got = [bits[int(begin + (n + 0.5) * step)] for n in range(10)]
        out.append(sum(bit << n for n, bit in enumerate(got[1:9])) if got[9] else 0)
        at = begin + 9.5 * step


def test_the_worked_out_uart_reads_what_was_sent_at_its_own_speed():
    assert misread(b"$IIXDR,\r\n\xff\x00", 9600, 9600) == b"$IIXDR,\r\n\xff\x00"


class Wire:
    """A pseudo-terminal with a port that reads it."""

    def __init__(self, **port) -> None:
        self.near, self.far = os.openpty()
        tty.setraw(self.far)
        self.config = NmeaPort(name="b", driver="nmea", url=os.ttyname(self.far), **port)
        self.heard = Heard()
        self.port = open_port(self.config, [CHANNEL], self.heard, time.monotonic_ns)
        self.port.start()

    def send(self, data: bytes | memoryview) -> None:
        sent = 0
        while sent < len(data):  # a terminal takes some kilobytes at a time
            sent += os.write(self.near, data[sent:])

    def shown(self, fault: Shown, since_ns: int) -> None:
        counts, strangers = self.port.counters(), self.port.strangers()
        fault.shown(self.heard.all, self.config, [CHANNEL], since_ns, counters=counts, strangers=strangers)

    def texts(self) -> list[str]:
        return [it.text for it in self.heard.all if isinstance(it, LinkState)]

    def close(self) -> None:
        self.port.stop()
        os.close(self.near)
        os.close(self.far)


@pytest.fixture
def wire(wait_until):
    made: list[Wire] = []

    def make(**port) -> Wire:
        made.append(Wire(**port))
        wait_until(lambda: made[-1].heard.links == [True])
        return made[-1]

    yield make
    for it in made:
        it.close()


def until_said(it: Wire, bring, count: int) -> None:
    """Bring bytes ten times a second until the port has said so much of its link."""
    deadline = time.monotonic() + 30.0
    while len(it.texts()) < count:
        assert time.monotonic() < deadline, it.texts()
        it.send(bring())
        threading.Event().wait(0.1)


@pytest.mark.wires
@pytest.mark.fault("wrong-speed")
@pytest.mark.parametrize(("sent", "read"), [(38400, 4800), (9600, 4800), (4800, 9600), (4800, 38400)])
def test_a_wrong_speed_is_said_while_the_link_stays_up_and_forgotten_when_it_is_right(
    wire, sent, read, wait_until, fault
):
    it, rng, values = wire(baud=read), random.Random(1), []
    began = time.monotonic()

    def said() -> bytes:
        values.extend(round(rng.random(), 5) for _ in range(4))
        return misread(b"".join(sentence("H1", value) for value in values[-4:]), sent, read)

    until_said(it, said, 2)
    assert time.monotonic() - began >= 5.0
    assert it.texts()[1:] == [f"bytes come unreadable: speed {read} right?"]
    assert it.heard.links == [True, True]
    assert not it.heard.readings
    it.send(b"\r\n" + sentence("H1", 1.5))
    wait_until(lambda: it.heard.values("H") == [1.5])
    wait_until(lambda: it.texts()[2:] == ["connected"])
    it.shown(fault, round(began * 1e9))
    fault.lost([*values, 1.5], it.heard.values("H"), befell=values)


@pytest.mark.wires
@pytest.mark.fault("no-checksum")
def test_sentences_without_a_checksum_are_told_apart_from_noise(wire, fault):
    it, begun_ns = wire(), time.monotonic_ns()
    until_said(it, lambda: b"$IIXDR,D,0.5,M,H1\r\n" * 3, 2)
    it.shown(fault, begun_ns)
    fault.lost([0.5], it.heard.values("H"), befell=[0.5])
    assert it.texts()[1:] == ['sentences come without checksum: checksum = "optional"?']


@pytest.mark.wires
@pytest.mark.fault("two-talkers")
def test_two_talkers_on_one_wire_are_said(wire, fault):
    it, rng, values = wire(), random.Random(2), []
    begun_ns = time.monotonic_ns()

    def said() -> bytes:
        values.extend(round(rng.random(), 5) for _ in range(8))
        others = [sentence("H2", rng.random()) for _ in range(8)]
        return woven([[sentence("H1", value) for value in values[-8:]], others], rng, 16)

    until_said(it, said, 2)
    it.shown(fault, begun_ns)
    fault.lost(values, it.heard.values("H"), befell=values)
    assert it.texts()[1:] == ["most lines come spoilt: two talkers, or a bad cable?"]


@pytest.mark.fault("noise")
def test_noise_is_counted_and_the_next_sentence_read(wire, wait_until, fault):
    it, begun_ns = wire(), time.monotonic_ns()
    it.send(random.Random(3).randbytes(200_000) + b"\n" + sentence("H1", 1.5))
    wait_until(lambda: it.heard.values("H") == [1.5])
    counts = it.port.counters()
    assert counts["malformed"] > 500
    assert counts["good"] == 1
    it.shown(fault, begun_ns)
    fault.lost([1.5], it.heard.values("H"))


@pytest.mark.fault("bit-flipped")
def test_a_line_with_one_wrong_bit_is_counted_and_not_read(wire, wait_until, fault):
    it, begun_ns = wire(), time.monotonic_ns()
    spoilt = bytearray(sentence("H1", 1.0))
    spoilt[spoilt.index(b"1.")] ^= 0x02  # 1 becomes 3
    it.send(bytes(spoilt) + sentence("H1", 2.0))
    wait_until(lambda: it.heard.readings)
    it.shown(fault, begun_ns)
    fault.lost([1.0, 2.0], it.heard.values("H"), befell=[1.0])


@pytest.mark.fault("two-readers")
def test_a_second_reader_is_refused_and_takes_nothing_from_the_first(wire, wait_until, fault):
    it, heard = wire(), Heard()
    second = open_port(it.config, [CHANNEL], heard, time.monotonic_ns)
    second.start()
    try:
        wait_until(lambda: heard.links == [False])
        fault.shown(heard.all, it.config, [CHANNEL], heard.begun_ns)
        values = [round(0.5 + n * 0.01, 2) for n in range(50)]
        it.send(b"".join(sentence("H1", value) for value in values))
        wait_until(lambda: len(it.heard.readings) == len(values))
        assert heard.readings == []
        fault.lost(values, it.heard.values("H"))
    finally:
        second.stop()


@pytest.mark.fault("endless-line")
def test_a_line_of_a_megabyte_takes_no_memory(wire, wait_until, fault):
    it = wire()
    it.send(sentence("H1", 1.0))
    wait_until(lambda: it.heard.values("H") == [1.0])
    line = memoryview(b"$IIXDR," + b"9" * 1_000_000 + b"\r\n" + sentence("H1", 2.0))
    begun_ns = time.monotonic_ns()
    tracemalloc.start()
    try:
        it.send(line)
        wait_until(lambda: it.heard.values("H") == [1.0, 2.0])
        _, most = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert most < 100_000, "18 kB when this was written"
    assert it.port.counters()["malformed"] == 1
    it.shown(fault, begun_ns)
    fault.lost([1.0, "the megabyte", 2.0], it.heard.values("H"), befell=["the megabyte"])


@pytest.mark.fault("half-line")
def test_half_a_line_before_the_wire_was_cut_is_no_part_of_the_next(wait_until, tmp_path, fault):
    name, heard = tmp_path / "ttyUSB0", Heard()
    ends = os.openpty()
    tty.setraw(ends[1])
    name.symlink_to(os.ttyname(ends[1]))
    config = NmeaPort(name="b", driver="nmea", url=str(name))
    port = open_port(config, [CHANNEL], heard, time.monotonic_ns)
    port.start()
    try:
        wait_until(lambda: heard.links == [True])
        os.write(ends[0], sentence("H1", 1.0) + b"$IIXDR,D,1")  # one more character would make it 12
        wait_until(lambda: heard.values("H") == [1.0])
        cut_ns = time.monotonic_ns()
        name.unlink()
        for end in ends:
            os.close(end)
        wait_until(lambda: heard.links == [True, False])
        ends = os.openpty()
        tty.setraw(ends[1])
        name.symlink_to(os.ttyname(ends[1]))
        wait_until(lambda: heard.links == [True, False, True], 20.0)
        os.write(ends[0], b"2.0,M,H1*00\r\n" + sentence("H1", 3.0))
        wait_until(lambda: heard.values("H") == [1.0, 3.0])
        assert port.counters()["malformed"] == 1
        fault.shown(heard.all, config, [CHANNEL], cut_ns, counters=port.counters())
        fault.lost([1.0, "12", 3.0], heard.values("H"), befell=["12"])
    finally:
        port.stop()
        for end in ends:
            os.close(end)


def woven(talkers: list[list[bytes]], rng: random.Random, longest: int) -> bytes:
    """What a wire brings on which several talk at once: each one's bytes in their order, in runs of 1 to `longest`."""
    streams = [b"".join(talker) for talker in talkers]
    at, out = [0] * len(streams), bytearray()
    while left := [k for k, stream in enumerate(streams) if at[k] < len(stream)]:
        k, run = rng.choice(left), rng.randint(1, longest)
        out += streams[k][at[k] : at[k] + run]
        at[k] += run
    return bytes(out)


VALUES = st.lists(st.decimals(0, 9, places=5), min_size=1, max_size=8)


@given(VALUES, VALUES, st.integers(1, 60), st.randoms(use_true_random=False))
def test_of_two_talkers_no_line_is_read_whose_checksum_is_wrong_and_each_line_is_counted(one, two, longest, rng):
    stream = woven([[sentence(n, float(v)) for v in vs] for n, vs in (("H1", one), ("H2", two))], rng, longest)
    decoder = XdrDecoder()
    items = list(decoder.feed(stream))
    lines = [line for line in stream.split(b"\n")[:-1] if line.strip()]
    spoilt = decoder.counts["bad_checksum"] + decoder.counts["malformed"] + decoder.counts["no_checksum"]
    assert len(lines) <= decoder.whole + spoilt <= 2 * len(lines)  # a whole one may hold a spoilt quadruple
    right = [line for line in lines if _right(line)]
    assert len(items) <= len(right)
    for item in items:
        assert any(line[line.rfind(b"$") :].split(b"*")[0].endswith(item.id.encode()) for line in right)


def _right(line: bytes) -> bool:
    """The checksum, worked out here."""
    found = re.search(rb"[$]([^$*]*)[*]([0-9A-Fa-f]{2})\r*$", line)
    return found is not None and int(found[2], 16) == reduce(xor, found[1], 0)


def test_an_exclusive_or_does_not_see_two_like_characters_of_another_talker():
    """The limit of the wire format, not of its reader: two equal bytes cancel. 1 m becomes 221 m, and nothing says so."""
    woven_in = sentence("H1", 1.0).replace(b",1.", b",221.")
    assert [it.value for it in XdrDecoder().feed(woven_in)] == [221.0]


def test_how_often_two_talkers_make_a_value_that_nobody_sent():
    """On 200 interleavings at each of five lengths of run: 2 in 1000 of the sentences sent, at most."""
    for longest in (1, 4, 16, 40, 80):
        rng, sent, false = random.Random(longest), 0, 0
        for _ in range(200):
            values = [[round(rng.uniform(0.0, 2.0), 5) for _ in range(6)] for _ in range(2)]
            stream = woven([[sentence(f"H{k}", v) for v in vs] for k, vs in enumerate(values)], rng, longest)
            true = {(f"H{k}", v) for k, vs in enumerate(values) for v in vs}
            sent += 12
            false += sum((it.id, it.value) not in true for it in XdrDecoder().feed(stream))
        assert false <= 0.002 * sent
