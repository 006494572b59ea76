"""Lines of text: what a pattern reads out of them, what is no reading, and the whole of it over a serial line."""

from __future__ import annotations

import itertools
import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.config import Channel
from drivers.kinds.lines import LinesPort, LinesSource
from drivers.lines import Item, LineDecoder
from drivers.patterns import LONGEST, PLAIN, line_pattern
from drivers.ports import open_port
from drivers.reading import LinkState
from drivers.text_line import TextReader
from monitor.rig.load import RigFaults, parse_rig

from .conformance import Conformance, Heard
from .test_conformance import Pty, Tcp

SPOKEN = r"^(?P<id>\w+)=(?P<value>[-+.\d]+) (?P<unit>\w+)$"
SEVERAL = r"T=(?P<value_T1>[-+.\d]*);H=(?P<value_H1>[-+.\d]*) (?P<unit_H1>mm|m)?"


def read(pattern: str, *lines: bytes) -> tuple[list[Item], dict[str, int]]:
    decoder = LineDecoder(line_pattern(pattern))
    items = [item for line in lines for item in decoder.feed(line + b"\r\n")]
    return items, dict(decoder.counts)


@pytest.mark.parametrize(
    ("pattern", "line", "items"),
    [
        (SPOKEN, b"P1=2.31 bar", [Item("P1", 2.31, "bar")]),
        (SPOKEN, b"  P1=-.5 bar \r", [Item("P1", -0.5, "bar")]),
        (PLAIN, b"P1=2.31 bar", [Item("P1", 2.31, "bar")]),
        (PLAIN, b"north tilt : 4 deg".replace(b" tilt", b"-tilt"), [Item("north-tilt", 4.0, "deg")]),
        (PLAIN, "t=7°".encode(), [Item("t", 7.0, "°")]),
        (PLAIN, b"P1: 2", [Item("P1", 2.0, None)]),
        (r"(?P<value>[-.\d]+)", b"12.5", [Item(None, 12.5, None)]),
        (r"(?P<value>\d[e\d]+)", b"1e3", [Item(None, 1000.0, None)]),
        (SEVERAL, b"T=21.5;H=310 mm", [Item("T1", 21.5, None), Item("H1", 310.0, "mm")]),
        (r"A(?P<value_A>\d)|B(?P<value_B>\d)", b"B7", [Item("B", 7.0, None)]),
    ],
)
def test_a_pattern_says_what_stands_where(pattern, line, items):
    assert read(pattern, line) == (items, {})


@pytest.mark.parametrize(
    ("pattern", "line", "count"),
    [
        (SPOKEN, b"P1=2.31 bar!", "malformed"),  # all of the line, not a part
        (SPOKEN, b"xx P1=2.31 bar", "malformed"),
        (SPOKEN, b"P1=2.3.1 bar", "malformed"),
        (SPOKEN, b"P1=- bar", "malformed"),
        (SPOKEN, b"P1=\xff bar", "malformed"),
        (SPOKEN, "P1=\u0661 bar".encode(), "malformed"),  # a digit, but none of ASCII's
        (r"(?P<value>\S+)", b"nan", "malformed"),
        (r"(?P<value>\S+)", b"inf", "malformed"),
        (r"(?P<value>\S+)", b"1_0", "malformed"),
        (r"(?P<value>\S+)", b"0x1", "malformed"),
        (r"(?P<value>\S+)", b"1e-9999", "malformed"),  # nothing that measures says so, and it would be zero
        (r"(?P<id>.*)=(?P<value>\d)", b"=1", "malformed"),
        (r"(?P<id>.*)=(?P<value>\d)", b"\x1b[2J=1", "malformed"),  # an id goes onto a terminal
        (PLAIN, b"P1= bar", "empty"),
        (r"(?:boot|(?P<value>\d+))", b"boot", "other"),
        (SPOKEN, b"P1=" + b"9" * LONGEST + b" bar", "malformed"),
    ],
)
def test_what_is_no_reading_is_counted(pattern, line, count):
    assert read(pattern, line) == ([], {count: 1})


def test_empty_lines_are_nothing_at_all():
    assert read(PLAIN, b"", b"  ", b"\r") == ([], {})


def test_the_end_of_a_line_whose_beginning_was_not_heard_is_never_read():
    """A node that prints 12.5 is heard from the 2 on: that would be another number."""
    decoder = LineDecoder(line_pattern(r"(?P<value>[.\d]+)"))
    decoder.reset()
    assert [item.value for item in decoder.feed(b"2.5\r\n12.6\r\n")] == [12.6]
    list(decoder.feed(b"12."))
    decoder.reset()
    assert [item.value for item in decoder.feed(b"7\r\n12.8\r\n")] == [12.8]
    assert not decoder.counts


NAMES = st.text("abyzABYZ0189_-", min_size=1, max_size=9)
UNIT = st.sampled_from([None, "bar", "mm", "deg", "°"])


@given(st.lists(st.tuples(NAMES, st.decimals(-(10**6), 10**6, places=4), UNIT), max_size=6), st.sampled_from("=:"))
def test_what_is_printed_is_read_back(values, mark):
    lines = [f"{name}{mark} {value} {unit or ''}".encode() for name, value, unit in values]
    assert read(PLAIN, *lines) == ([Item(name, float(value), unit) for name, value, unit in values], {})


@given(st.binary(max_size=300), st.lists(st.integers(0, 300), max_size=8))
def test_any_bytes_in_any_pieces_are_data(junk, cuts):
    stream = junk + b"\nP1=2.5 bar\n" + junk + b"\r\n"
    whole, pieces = LineDecoder(line_pattern(PLAIN)), LineDecoder(line_pattern(PLAIN))
    expected = list(whole.feed(stream))
    marks = sorted({0, len(stream), *(cut % (len(stream) + 1) for cut in cuts)})
    assert [item for a, b in itertools.pairwise(marks) for item in pieces.feed(stream[a:b])] == expected
    assert pieces.counts == whole.counts
    assert Item("P1", 2.5, "bar") in expected


def channel(name: str, quantity: str, **source: str) -> Channel:
    return Channel(name=name, quantity=quantity, source=LinesSource(port="it", **source))


def test_the_line_s_unit_goes_before_the_source_s_and_a_wrong_one_is_no_reading():
    said: list = []
    config = LinesPort(name="it", driver="lines", url="x")
    channels = [channel("P", "pressure", id="P1", unit="psi"), channel("T", "temperature", id="T1", unit="degC")]
    reader = TextReader(config, channels, said.append, lambda: 5)
    reader.take(b"P1=2 bar\nP1=2\nP1=2 mm\nP1=2 quarks\nT1=20\nT1=1" + b"9" * 100 + b"\nX9=1\n", 5)
    assert [it.value for it in said] == pytest.approx([2e5, 13_789.515, 293.15, 1.99999999e100], rel=1e-6)
    counts = reader.counters()
    assert (counts["good"], counts["mislabelled"], counts["unknown_id"]) == (4, 2, 1)
    assert reader.strangers() == {"X9": 1}


RIG = """
[[port]]
name = "node"
driver = "lines"
url = "/dev/ttyUSB3"
PATTERN
[[channel]]
name = "N"
quantity = "pressure"
source = SOURCE
"""


def faults_of(whole: str, pattern: str, source: str) -> list[str]:
    text = whole + RIG.replace("PATTERN", f"pattern = '{pattern}'" if pattern else "").replace("SOURCE", source)
    try:
        parse_rig(text, "rig.toml")
    except RigFaults as error:
        return [f"{it.path}: found {it.found}; allowed is {it.allowed}" for it in error.faults]
    return []


@pytest.fixture(scope="module")
def whole() -> str:
    from importlib.resources import files

    return files("monitor.drill").joinpath("rigs/yard-panel.toml").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("pattern", "source", "says"),
    [
        ("", "{ port = 'node', id = 'P9' }", None),
        ("", "{ port = 'node', id = 'P9', unit = 'bar' }", None),
        (r"(?P<value>\d+)", "{ port = 'node', unit = 'bar' }", None),
        (r"(?P<value_A>\d+) (?P<unit_A>\w+)", "{ port = 'node', id = 'A' }", None),
        ("", "{ port = 'node' }", "source.id (N): found nothing; allowed is the id that the line gives"),
        (
            r"(?P<value_A>\d+)",
            "{ port = 'node', id = 'B', unit = 'bar' }",
            "source.id (N): found 'B'; allowed is an id that the pattern has a value of: A",
        ),
        (
            r"(?P<value>\d+)",
            "{ port = 'node', id = 'B', unit = 'bar' }",
            "source.id (N): found 'B'; allowed is no id",
        ),
        (
            r"(?P<value>\d+)",
            "{ port = 'node' }",
            "source.unit (N): found nothing; allowed is what the number is in",
        ),
        ("", "{ port = 'node', id = 'P9', unit = 'mm' }", "source.unit (N): found 'mm'; allowed is a unit of pressure"),
        (r"(?P<value>\d+", "{ port = 'node', unit = 'bar' }", "pattern (node): found '(?P<value>"),
        (r"(\w+)*(?P<value>\d)", "{ port = 'node', unit = 'bar' }", "allowed is a regular expression that cannot run"),
        (r"\d+", "{ port = 'node', unit = 'bar' }", "with a group (?P<value>...)"),
    ],
)
def test_a_rig_file_with_lines_is_read_or_has_one_clear_fault(whole, pattern, source, says):
    found = faults_of(whole, pattern, source)
    assert len(found) == (says is not None), found
    assert says is None or says in found[0]


@pytest.mark.parametrize("more", [["--judge"], []])
def test_a_drill_that_cannot_print_lines_says_so(whole, tmp_path, typed, more):
    rig = tmp_path / "rig.toml"
    rig.write_text(whole.replace('driver = "nmea"', 'driver = "lines"').replace('checksum = "required"\n', ""))
    it = typed("drill", "clean", "--rig", str(rig), *more)
    assert it.code in (1, 2)
    assert it.err == "inchwatch drill: port 'bench': found driver 'lines', a drill speaks nmea and mqtt\n"


def test_what_the_readme_shows_is_read(whole):
    readme = (Path(__file__).resolve().parents[2] / "README.md").read_text(encoding="utf-8")
    block = readme.partition('```toml\n[[port]]\nname = "node"')[2].partition("```")[0]
    parse_rig(f'{whole}\n[[port]]\nname = "node"{block}')


def test_one_number_of_a_line_is_one_channel_s(whole):
    second = "\n[[channel]]\nname = 'M'\nquantity = 'pressure'\nsource = { port = 'node', unit = 'bar' }\n"
    found = faults_of(whole + second, r"(?P<value>\d+)", "{ port = 'node', unit = 'bar' }")
    assert found == ["channel[16].source (N): found the same place as channel M; allowed is a place of its own"]


class Printed:
    """A node's lines. Each begins a new one first: what follows a connection could be the end of a line, and is not read."""

    def __init__(self) -> None:
        super().__init__()
        self.config = LinesPort(name="it", driver="lines", url=self.config.url)
        self.channels = [
            channel("P", "pressure", id="P1"),
            channel("H", "length", id="H1", unit="mm"),
        ]

    def say(self, pressure, height):
        bar = "" if pressure is None else f"{pressure / 1e5:.5f}"
        mm = "" if height is None else f"{height * 1e3:.3f}"
        self.send(f"\r\nP1={bar} bar\r\nH1={mm}\r\n".encode())

    def junk(self):
        self.send(b"\r\n\x00\xfe!!\r\nP1=1.2.3 bar\r\n")

    def stranger(self):
        self.send(b"\r\nX9=1.0 mm\r\n")


class LinesTcp(Printed, Tcp):
    pass


class LinesPty(Printed, Pty):
    pass


class TestLines(Conformance):
    @pytest.fixture(params=[LinesTcp, LinesPty], ids=lambda kind: kind.__name__)
    def far(self, request):
        it = request.param()
        yield it
        it.close()


@pytest.mark.parametrize(
    "line",
    [
        pytest.param(b"P1 is 2.5 bar", marks=pytest.mark.fault("line-of-another-form")),
        pytest.param(b"P1=2.5 mm", marks=pytest.mark.fault("line-in-another-unit")),
        pytest.param(b"X9=2.5 bar", marks=pytest.mark.fault("line-of-a-stranger")),
        pytest.param(None, marks=pytest.mark.fault("line-joined-late")),
    ],
)
def test_a_line_that_is_none_of_ours_costs_itself(line, wait_until, fault):
    """Over a pseudo-terminal; joined late, the first thing that is heard is the end of a line."""
    far, heard = LinesPty(), Heard()
    port = open_port(far.config, far.channels, heard, time.monotonic_ns)
    port.start()
    try:
        wait_until(lambda: heard.links == [True])
        begun_ns = time.monotonic_ns()
        far.send(b"P1=1.5 bar\r\n" if line is None else b"\r\n" + line + b"\r\n")
        far.send(b"P1=3.5 bar\r\n")
        wait_until(lambda: heard.readings)
        counts, strangers = port.counters(), port.strangers()
        fault.shown(heard.all, far.config, far.channels, begun_ns, counters=counts, strangers=strangers)
        fault.lost(["it", 3.5e5], [round(it.value, 6) for it in heard.readings], befell=["it"])
    finally:
        port.stop()
        far.close()


def test_text_of_another_form_is_told_from_bytes_that_are_no_text():
    decoder = LineDecoder(line_pattern(PLAIN))
    assert not [
        *decoder.feed(b"pressure 2.5 bar\n12,5\n" + b"\x00\xe6\x80 \x98\n" + b"\x1e\x06x\n" + b"P" * 129 + b"\n")
    ]
    assert (decoder.foreign, decoder.counts["malformed"]) == (2, 5)


@pytest.mark.fault("pattern-wrong")
def test_a_pattern_that_fits_no_line_is_told_from_a_wrong_speed(wait_until, fault):
    far, heard = LinesPty(), Heard()
    port = open_port(far.config, far.channels, heard, time.monotonic_ns)
    port.start()

    def texts() -> list[str]:
        return [it.text for it in heard.all if isinstance(it, LinkState)]

    def print_until_said() -> bool:
        far.send(b"pressure 2.5 bar\r\n")
        return len(texts()) > 1

    try:
        wait_until(lambda: heard.links == [True])
        begun_ns = time.monotonic_ns()
        wait_until(print_until_said, 20.0)
        assert texts()[1] == "lines come, and none fits: pattern right?"
        fault.shown(heard.all, far.config, far.channels, begun_ns, counters=port.counters())
        fault.lost([2.5e5], heard.values("P"), befell=[2.5e5])
        far.send(b"P1=1.5 bar\r\n")
        wait_until(lambda: texts()[2:] == ["connected"])
    finally:
        port.stop()
        far.close()
