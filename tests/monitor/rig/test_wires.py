"""Modbus ports and current loops in a rig file: what is said of a wrong key, and where."""

from __future__ import annotations

import tomllib
from importlib.resources import files
from pathlib import Path

import pytest

from drivers.config import told
from drivers.kinds.modbus import timeouts
from drivers.ports import PortError
from monitor.live.opening import redirected
from monitor.rig import checks
from monitor.rig.load import RigFaults, kept_rig, parse_rig
from monitor.rig.schema import Rig

YARD = files("monitor.drill").joinpath("rigs/yard-panel.toml").read_text(encoding="utf-8")
PORT = '[[port]]\nname = "bus"\ndriver = "modbus"\nurl = "/dev/ttyUSB1"\n\n[[channel]]\nname = "S1-lower-p"'
SOURCE = 'source = { port = "bus", station = 17, holding = 107, type = "uint16", scale = 0.01, unit = "bar" }'
TEXT = YARD.replace('[[channel]]\nname = "S1-lower-p"', PORT, 1).replace(
    'source = { port = "bench", id = "P1" }', SOURCE, 1
)
LOOP = SOURCE.replace('"bar"', '"mA"') + '\nloop = { low = "0 bar", high = "10 bar" }'


def faults(text: str) -> list:
    with pytest.raises(RigFaults) as caught:
        parse_rig(text, "rig.toml")
    return caught.value.faults


def test_a_rig_with_a_bus_and_a_loop_loads():
    channel = parse_rig(TEXT).channel[0]
    assert channel.source.where == ("holding", 107)
    looped = parse_rig(TEXT.replace(SOURCE, LOOP)).channel[0]
    assert (looped.loop.low, looped.loop.high, looped.loop.fails_after) == (0.0, 1e6, 4.0)
    assert looped.wired.quantity == "current"


def test_the_example_of_the_readme_is_one():
    text = Path(__file__).parents[3].joinpath("README.md").read_text(encoding="utf-8")
    example = tomllib.loads(text.split("<!-- a bus and a loop -->\n```toml\n")[1].split("```")[0])
    document = tomllib.loads(YARD)
    names = {channel["name"] for channel in example["channel"]}
    document["port"] += example["port"]
    document["channel"] = [it for it in document["channel"] if it["name"] not in names] + example["channel"]
    rig = Rig.model_validate(told(document))
    assert list(checks.disagreements(rig)) == []
    assert {it.name for it in rig.channel if it.source.port == "bus"} == names


SOURCE_AT, LOOP_AT = "channel[0].source{} (S1-lower-p)", "channel[0].loop{} (S1-lower-p)"
ONE_FAULT = [
    (SOURCE, SOURCE.replace("station = 17", "station = 248"), SOURCE_AT.format(".station"), "248", "247"),
    (SOURCE, SOURCE.replace("station = 17", "station = 0"), SOURCE_AT.format(".station"), "0", "1"),
    (SOURCE, SOURCE.replace("107", "65536"), SOURCE_AT.format(".holding"), "65536", "65535"),
    (SOURCE, SOURCE.replace("holding", "coil"), SOURCE_AT.format(".coil"), "", "holding, input, offset"),
    (SOURCE, SOURCE.replace("holding = 107, ", ""), SOURCE_AT.format(""), "neither", "one of them"),
    (SOURCE, SOURCE.replace("107", "107, input = 3"), SOURCE_AT.format(""), "both", "one of them"),
    (SOURCE, SOURCE.replace("uint16", "float64"), SOURCE_AT.format(".type"), "'float64'", "float32"),
    (SOURCE, SOURCE.replace("uint16", "float32"), SOURCE_AT.format(".words"), "nothing", "'low-first'"),
    (
        SOURCE,
        SOURCE.replace('107, type = "uint16"', '65535, type = "int32", words = "low-first"'),
        SOURCE_AT.format(".holding"),
        "65535",
        "at most 65534",
    ),
    (
        SOURCE,
        SOURCE.replace('"uint16"', '"uint16", words = "low-first"'),
        SOURCE_AT.format(".words"),
        "'low-first'",
        "one",
    ),
    (SOURCE, SOURCE.replace('"bar"', '"mm"'), SOURCE_AT.format(".unit"), "'mm'", "a unit of pressure"),
    (SOURCE, SOURCE.replace("0.01", "0"), SOURCE_AT.format(".scale"), "0", "one count"),
    (SOURCE, SOURCE.replace("0.01", "inf"), SOURCE_AT.format(".scale"), "inf", "finite"),
    (SOURCE, SOURCE.replace("scale = 0.01", 'every = "1 ms"'), SOURCE_AT.format(".every"), "1 ms", "5 ms to 60 s"),
    (SOURCE, SOURCE.replace("scale = 0.01", 'timeout = "0 s"'), SOURCE_AT.format(".timeout"), "0 s", "5 ms to 60 s"),
    (SOURCE, SOURCE.replace("scale = 0.01", 'every = "2 s"'), SOURCE_AT.format(".every"), "2 s", "'stale_after' (1 s)"),
    (
        SOURCE,
        SOURCE.replace("scale = 0.01", "status = { holding = 3 }"),
        SOURCE_AT.format(".status"),
        "no bits",
        "maintenance",
    ),
    (
        SOURCE,
        SOURCE.replace("scale = 0.01", "status = { failure = [1] }"),
        SOURCE_AT.format(".status"),
        "neither",
        "one of them",
    ),
    (
        SOURCE,
        SOURCE.replace("scale = 0.01", "status = { input = 3, failure = [16] }"),
        SOURCE_AT.format(".status.failure[0]"),
        "16",
        "15",
    ),
    ('url = "/dev/ttyUSB1"', 'url = "/dev/ttyUSB1"\nparity = "mark"', "port[2].parity (bus)", "'mark'", "'even'"),
    ('url = "/dev/ttyUSB1"', 'url = "/dev/ttyUSB1"\nstop_bits = 3', "port[2].stop_bits (bus)", "3", "1"),
    ('url = "/dev/ttyUSB1"', 'url = "/dev/ttyUSB1"\ntimeout = "0 s"', "port[2].timeout (bus)", "0 s", "5 ms to 60 s"),
    (
        'url = "/dev/ttyUSB1"',
        'url = "/dev/ttyUSB1"\nbaud = 1200\nevery = "20 ms"',
        SOURCE_AT.format(""),
        "times as long as there is, at 1200 bit/s",
        "a faster port 'bus'",
    ),
    (SOURCE, LOOP.replace('"mA"', '"bar"'), SOURCE_AT.format(".unit"), "'bar'", "a unit of current"),
    (
        SOURCE,
        LOOP.replace('"10 bar"', '"10 bar", fails_after = "-1 s"'),
        LOOP_AT.format(".fails_after"),
        "'-1 s'",
        "zero or more",
    ),
    (SOURCE, LOOP.replace('"10 bar"', '"0 Pa"'), LOOP_AT.format(""), "", "two ends that differ"),
    (SOURCE, LOOP.replace('"10 bar"', '"10 mm"'), LOOP_AT.format(""), "", "a pressure such as"),
    (SOURCE, LOOP.replace(', high = "10 bar"', ""), LOOP_AT.format(".high"), "nothing", ""),
    (SOURCE, LOOP.replace("high", "hihg"), None, None, None),
]


@pytest.mark.parametrize(("old", "new", "path", "found", "allowed"), ONE_FAULT)
def test_one_thing_wrong_is_one_fault(old, new, path, found, allowed):
    said = faults(TEXT.replace(old, new, 1))
    if path is None:  # one key mistyped is one missing and one unknown
        assert len(said) == 2
        return
    assert [it.path for it in said] == [path], [str(it) for it in said]
    assert found in said[0].found
    assert allowed in said[0].allowed


def test_a_key_of_another_driver_is_not_named_among_those_allowed():
    """What is refused here, `checksum`, means something to another driver: the list must be this one's."""
    said = faults(TEXT.replace('url = "/dev/ttyUSB1"', 'url = "/dev/ttyUSB1"\nchecksum = "optional"'))
    keys = "baud, driver, echo, every, name, parity, stop_bits, timeout, url"
    assert [(it.path, it.allowed) for it in said] == [("port[2].checksum (bus)", f"one of {keys}")]
    said = faults(TEXT.replace(SOURCE, SOURCE.replace("station = 17", 'station = 17, id = "P1"'), 1))
    assert [it.path for it in said] == ["channel[0].source.id (S1-lower-p)"]
    keys = "every, holding, input, offset, port, scale, station, status, timeout, type, unit, words"
    assert said[0].allowed == f"one of {keys}"


BESIDE = SOURCE.replace("station = 17", "station = 18")
OTHER = 'source = { port = "bench", id = "P2" }'


def test_a_station_may_have_a_time_out_of_its_own_and_one_only():
    slow, other = SOURCE.replace("scale = 0.01", 'timeout = "0.6 s"'), SOURCE.replace("107", "108")
    rig = parse_rig(TEXT.replace(SOURCE, slow, 1).replace(OTHER, BESIDE, 1))
    assert timeouts(rig.port[2], rig.channel) == {17: 0.6, 18: 0.2}
    rig = parse_rig(TEXT.replace(SOURCE, slow, 1).replace(OTHER, other, 1))
    assert timeouts(rig.port[2], rig.channel) == {17: 0.6}
    twice = other.replace("scale = 0.01", 'timeout = "0.5 s"')
    said = faults(TEXT.replace(SOURCE, slow, 1).replace(OTHER, twice, 1))
    assert [(it.path, it.found, it.allowed) for it in said] == [
        ("channel[1].source.timeout (S1-upper-p)", "0.5 s", "one time-out a station: 17 has 0.6 s already")
    ]


def test_a_time_out_by_which_a_silent_station_makes_others_stale_is_a_fault():
    slow = SOURCE.replace("scale = 0.01", 'timeout = "1 s"')
    assert parse_rig(TEXT.replace(SOURCE, slow, 1)), "alone it may take its time"
    said = faults(TEXT.replace(SOURCE, slow, 1).replace(OTHER, BESIDE, 1))
    assert [(it.path, it.found, it.allowed) for it in said] == [
        (
            "channel[0].source.timeout (S1-lower-p)",
            "1 s for station 17",
            "less than 1 s, the 'stale_after' of S1-upper-p: so long a silent station keeps the bus",
        )
    ]


def test_two_channels_at_one_register_are_a_fault():
    said = faults(TEXT.replace('source = { port = "bench", id = "P2" }', SOURCE, 1))
    assert [(it.path, it.found) for it in said] == [
        ("channel[1].source (S1-upper-p)", "the same place as channel S1-lower-p")
    ]


BENCH_URL = 'url = "socket://127.0.0.1:10110"'
ONE_DEVICE = [
    ("/dev/ttyUSB1", "/dev/ttyUSB1"),
    ("/dev/serial/../ttyUSB1", "/dev//ttyUSB1"),
    ("/dev/serial/by-id/usb-*-port0", "/dev/serial/by-id/usb-*-port0"),
    ("usb:YARD7", "usb:serial=YARD7"),
    ("usb:vid=0403,pid=600A", "usb:pid=600a,vid=0403"),
    ("spy:///dev/ttyUSB1", "spy:///dev/ttyUSB1"),
]


@pytest.mark.parametrize(("bench", "bus"), ONE_DEVICE)
def test_two_ports_on_one_device_are_a_fault(bench, bus):
    text = TEXT.replace(BENCH_URL, f'url = "{bench}"', 1).replace('url = "/dev/ttyUSB1"', f'url = "{bus}"', 1)
    (said,) = faults(text)
    assert (said.path, said.found) == ("port[2].url (bus)", f"'{bus}', the device of port bench")
    assert said.allowed == "a device of its own: two readers of one take each other's bytes"
    assert text.splitlines()[said.line - 1] == f'url = "{bus}"'
    assert len(kept_rig(text, "a recording").port) == 3, "a recording opens no wire"


def test_two_ports_on_one_device_are_said_beside_other_faults():
    text = TEXT.replace(BENCH_URL, 'url = "/dev/ttyUSB1"', 1)
    assert [it.path for it in faults(text.replace("qos = 1", "qos = 2", 1))] == [
        "port[1].qos (yard-net)",
        "port[2].url (bus)",
    ]
    assert [it.path for it in faults(text.replace('url = "/dev/ttyUSB1"', "url = 1"))] == [
        "port[0].url (bench)",
        "port[2].url (bus)",
    ], "what is no place is no device"


@pytest.mark.parametrize(
    ("bench", "bus"),
    [
        ("socket://127.0.0.1:10110", "socket://127.0.0.1:10110"),
        ("rfc2217://127.0.0.1:10110", "rfc2217://127.0.0.1:10110"),
        ("loop://", "loop://"),
        ("/dev/ttyUSB0", "/dev/ttyUSB1"),
        ("usb:location=1-1.2", "usb:location=1-1.4"),
    ],
)
def test_two_ports_may_have_one_server_or_two_devices(bench, bus):
    text = TEXT.replace(BENCH_URL, f'url = "{bench}"', 1).replace('url = "/dev/ttyUSB1"', f'url = "{bus}"', 1)
    assert [port.url for port in parse_rig(text).port if port.driver != "mqtt"] == [bench, bus]


def test_no_port_is_found_on_the_device_of_another():
    rig = parse_rig(TEXT)
    for overrides in (["bench=/dev/ttyUSB1"], ["bench=usb:YARD7", "bus=usb:YARD7"]):
        with pytest.raises(PortError) as caught:
            redirected(rig, overrides)
        place = overrides[-1].partition("=")[2]
        assert str(caught.value) == (
            f"port 'bus': found '{place}', the device of port 'bench'; allowed is a device of its own:"
            " two readers of one take each other's bytes"
        )
    assert [port.url for port in redirected(rig, ["bench=/dev/ttyUSB1", "bus=/dev/ttyUSB0"])[::2]] == [
        "/dev/ttyUSB1",
        "/dev/ttyUSB0",
    ]
