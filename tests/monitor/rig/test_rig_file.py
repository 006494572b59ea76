"""The rig file: the example loads unchanged, and everything wrong with one is said at once, where it stands."""

from __future__ import annotations

import io
import json
import tomllib
from importlib.resources import files
from pathlib import Path

import pytest

from monitor.drill.scenario import names, rig_text
from monitor.rig.check import check, schema_text
from monitor.rig.checks import notes
from monitor.rig.load import RigFaults, parse_rig, read_rig, read_text
from monitor.rig.schema import Rig

TEXT = files("monitor.drill").joinpath("rigs/yard-panel.toml").read_text(encoding="utf-8")


def faults(text: str) -> list:
    with pytest.raises(RigFaults) as caught:
        parse_rig(text, "rig.toml")
    return caught.value.faults


def changed(old: str, new: str) -> str:
    assert old in TEXT
    return TEXT.replace(old, new, 1)


def line_of(part: str, text: str = TEXT) -> int:
    return text[: text.index(part)].count("\n") + 1


def test_the_example_loads_without_a_fault_or_a_note():
    rig = parse_rig(TEXT)
    assert notes(rig) == []
    assert rig.rig.name == "yard-panel"
    assert rig.load.weight == 56_000.0
    assert rig.load.hinge == ((0.0, -1.25), (0.0, 1.25))
    stack = rig.stack[0]
    assert (stack.supply, stack.ring, stack.height_at_zero) == (750_000.0, 0.15, 0.24)
    assert [bag.name for bag in stack.bag] == ["S1-lower", "S1-upper"]
    assert stack.bag[0].capacity[2] == (0.4, 84_000.0)
    assert rig.shore[0].piston_area == 0.0028
    assert rig.limits.tilt == pytest.approx(0.20944, abs=1e-5)
    assert [step.do for step in rig.step] == ["fill", "capture", "fill", "capture", "hold", "lower"]
    assert rig.step[4].for_ == 20.0
    assert len(rig.channel) == 15
    assert rig.channel[0].stale_after == 1.0


def test_the_rig_of_the_demo_is_sound_and_needs_no_broker():
    rig = parse_rig(files("monitor.drill").joinpath("rigs/training-yard.toml").read_text(encoding="utf-8"))
    assert notes(rig) == []
    assert {port.driver for port in rig.port} == {"nmea"}


STOPS = [
    (
        {"bag": "S1-upper", "until": {"pressure": "8.1 bar"}},
        "8.10 bar is above the working pressure of S1-upper, 8.00 bar",
    ),
    (
        {"bag": "S1-upper", "until": {"pressure": "7.6 bar"}},
        "7.60 bar is above what the regulator of S1 is set to, 7.50 bar",
    ),
    ({"bag": "S1-upper", "until": {"pressure": "7.5 bar"}}, ""),
    (
        {"bag": "S1-upper", "until": {"rise": "-5 mm"}},
        "a rise of -5 mm is reached before it begins, by the plan at 60 mm",
    ),
    (
        {"bag": "S1-upper", "until": {"rise": "60 mm"}},
        "a rise of 60 mm is reached before it begins, by the plan at 60 mm",
    ),
    ({"bag": "S1-upper", "until": {"rise": "61 mm"}}, ""),
    (
        {"do": "lower", "until": {"rise": "2 m"}},
        "a rise of 2.00 m is reached before it begins, by the plan at 60 mm",
    ),
    ({"do": "lower", "until": {"rise": "59 mm"}}, ""),
    ({"do": "lower", "bag": "S1-upper", "until": {"pressure": "9 bar"}}, ""),
]


@pytest.mark.parametrize(("step", "said"), STOPS)
def test_stops_that_nobody_should_go_to_are_worth_a_second_look(step, said):
    document = tomllib.loads(TEXT)
    document["step"] = [document["step"][0], {"do": "fill"} | step]
    rig = Rig.model_validate(document)
    assert notes(rig) == ([f"step 2: {said}"] if said else [])


@pytest.mark.parametrize("name", names("rigs"))
def test_the_rigs_that_come_along_have_no_such_stops(name):
    assert [note for note in notes(parse_rig(rig_text(name))) if note.startswith("step ")] == []


ONE_FAULT = [
    ('weight = "56 kN"', 'weight = "56 ton"', "load.weight", "'56 ton'", "a force such as '56 kN'"),
    ('weight = "56 kN"', "wieght = 3", "load.wieght", "means nothing here", "did you mean 'weight'?"),
    ('supply = "7.5 bar"', 'supply = "7.5 bar 3"', "stack[0].supply (S1)", "'7.5 bar 3'", "a pressure such as '8 bar'"),
    ('ring = "0.15 m"', 'ring = "0 m"', "stack[0].ring (S1)", "0", "above zero"),
    (
        'hinge = [["0 m", "-1.25 m"], ["0 m", "1.25 m"]]',
        'hinge = [["0 m", "0 m"], ["0 m", "1 mm"]]',
        "load.hinge",
        "1 mm apart",
        "at least 50 mm",
    ),
    ('at = ["4.2 m", "0 m"]', 'at = ["20 mm", "0 m"]', "stack[0].at (S1)", "20 mm from the hinge", "at least 50 mm"),
    (
        'driver = "nmea"',
        'driver = "serial"',
        "port[0].driver (bench)",
        "'serial'",
        "one of the drivers that are installed: ",
    ),
    (
        'url = "socket://127.0.0.1:10110"',
        'url = "usb:vid=403"',
        "port[0].url (bench)",
        "'usb:vid=403'",
        "usb:SERIALNUMBER, or usb:KEY=VALUE",
    ),
    ("qos = 1", "qos = 2", "port[1].qos (yard-net)", "2", "0 or 1"),
    ("port = 1883", 'port = "x"', "port[1].port (yard-net)", "'x'", "a whole number"),
    ('do = "capture"', 'do = "captur"', "step[1].do", "'captur'", "'fill', 'capture', 'hold'"),
    ('for = "20 s"', "for = 0", "step[4].for", "0 s", "how long"),
    (
        'pressure = "S1-lower-p"',
        'pressure = "S1-lwer-p"',
        "stack[0].bag[0].pressure (S1, S1-lower)",
        "'S1-lwer-p'",
        "a channel",
    ),
    (
        'pressure = "S1-lower-p"',
        'pressure = "H1"',
        "stack[0].bag[0].pressure (S1, S1-lower)",
        "a channel of length",
        "of pressure",
    ),
    ('"92 kN"]', '"97 kN"]', "stack[0].bag[0].capacity[1][1] (S1, S1-lower)", "97000 N", "at most the force before"),
    (
        '["0.25 m", "92',
        '["0.11 m", "92',
        "stack[0].bag[0].capacity[1][0] (S1, S1-lower)",
        "0.11 m",
        "above the height before",
    ),
    (
        'id = "P2" }',
        'id = "P1"  }',
        "channel[1].source (S1-upper-p)",
        "the same place as channel S1-lower-p",
        "of its own",
    ),
    (
        'source = { port = "bench", id = "P1" }',
        'source = { port = "bench" }',
        "channel[0].source.id (S1-lower-p)",
        "nothing",
        "'id'",
    ),
    (
        'port = "bench", id = "P1"',
        'port = "bank", id = "P1"',
        "channel[0].source.port (S1-lower-p)",
        "'bank'",
        "bench, yard-net",
    ),
    (
        'quantity = "pressure"',
        'quantity = "presure"',
        "channel[0].quantity (S1-lower-p)",
        "'presure'",
        "'pressure', 'length'",
    ),
    ('pointer = "/tilt/0"', 'pointer = "tilt/0"', "channel[11].source.pointer (S1-head-x)", "'tilt/0'", "JSON pointer"),
    (
        'pointer = "/tilt/0", unit = "deg"',
        'pointer = "/tilt/0", unit = "bar"',
        "channel[11].source.unit (S1-head-x)",
        "'bar'",
        "angle",
    ),
    (', n = "load-x"', "", "channel[9].source.n (load-x)", "nothing", "'senml' needs it"),
    ('name = "S1"', 'name = "S 1"', "stack[0].name (S 1)", "'S 1'", "without spaces"),
    ('name = "H1"', r'name = "H\u001b[2J1"', r"channel[4].name (H\x1b[2J1)", r"H\x1b[2J1", "without spaces"),
    ('name = "H1"', r'name = "H\u00001"', r"channel[4].name (H\x001)", r"H\x001", "without spaces"),
    ("axis = [1.0, 0.0]", "axis = [0.0, 0.0]", "tilt[0].axis (load-x)", "[0, 0]", "a direction"),
    (
        'range = ["-0.1 bar", "10 bar"]',
        'range = ["10 bar", "1 bar"]',
        "channel[0].range (S1-lower-p)",
        "['10 bar', '1 bar']",
        "lowest",
    ),
    (
        'until = { rise = "60 mm", at = "S1" }',
        'until = { rise = "60 mm", at = "S7" }',
        "step[0].until.at",
        "'S7'",
        "a stack",
    ),
    ('bag = "S1-upper"\nuntil', 'bag = "S1-top"\nuntil', "step[0].bag", "'S1-top'", "S1-lower, S1-upper"),
    ("version = 1", "version = 2", "version", "2", "1"),
    (
        'height_at_zero = "0.24 m"',
        'height_at_zero = "0.2 m"',
        "stack[0].height_at_zero (S1)",
        "0.2 m",
        "at least the flat bags",
    ),
]


@pytest.mark.parametrize(
    ("old", "new", "path", "found", "allowed"), ONE_FAULT, ids=[it[2] + ":" + it[3] for it in ONE_FAULT]
)
def test_one_thing_wrong_is_one_fault_in_its_line(old, new, path, found, allowed):
    text = changed(old, new)
    said = faults(text)
    assert [it.path for it in said] == [path], [str(it) for it in said]
    assert said[0].line == line_of(new.splitlines()[0] if new else ', format = "senml"', text)
    assert found in said[0].found
    assert allowed in said[0].allowed


@pytest.mark.parametrize(
    ("noise", "kept"), [("0.5 degC", None), ("0.9 °F", None), ("0 K", None), ("0.5 K", 0.5), (0.5, 0.5)]
)
def test_noise_of_a_temperature_has_no_other_zero_than_kelvin_s(noise, kept):
    shown = f'"{noise}"' if isinstance(noise, str) else noise
    more = f'\n[[channel]]\nname = "hose"\nquantity = "temperature"\nnoise = {shown}\n'
    text = f'{TEXT}{more}source = {{ port = "bench", id = "T1" }}\n'
    if kept is None:
        (fault,) = faults(text)
        assert (fault.path, fault.line) == ("channel[15].noise (hose)", line_of(f"noise = {shown}", text))
        assert (fault.found, fault.allowed) == (f"'{noise}'", "above zero: a temperature in K such as '0.1 K'")
    else:
        assert parse_rig(text).channel[15].noise == kept


def test_everything_wrong_is_said_at_once_whatever_its_kind():
    text = TEXT
    for old, new in (
        ('weight = "56 kN"', 'weight = "56 ton"'),
        ('pressure = "S1-lower-p"', 'pressure = "nope"'),
        ('ring = "0.15 m"', 'ring = "0 m"'),
        ('bag = "S1-upper"\nuntil', 'bag = "S9"\nuntil'),
        ("qos = 1", "qos = 7"),
        ('follow_pressure = "1.8 bar"', ""),
    ):
        text = text.replace(old, new, 1)
    assert [it.path.split(" ")[0] for it in faults(text)] == [
        "load.weight",
        "stack[0].ring",
        "stack[0].bag[0].pressure",
        "shore[0].follow_pressure",
        "step[0].bag",
        "port[1].qos",
    ]


def test_what_only_follows_from_a_fault_is_not_said_as_another():
    assert [it.path.split(" ")[0] for it in faults(changed('name = "bench"', 'name = "ben ch"'))] == ["port[0].name"]
    assert [it.path.split(" ")[0] for it in faults(changed('driver = "mqtt"', 'driver = "mq"'))] == ["port[1].driver"]


@pytest.mark.parametrize(
    ("text", "line"),
    [("[limits", 1), ("a = 1\nb = = 2", 2), ("x = 'open", 1), ("a = 1\na = 2", 2), ("\x00", 1), ("[a]\n[a]", 2)],
)
def test_a_syntax_fault_has_its_line(text, line):
    said = faults(text)
    assert [it.line for it in said] == [line]
    assert "TOML" in said[0].allowed


def test_files_that_cannot_be_read_are_sentences(tmp_path):
    (tmp_path / "latin.toml").write_bytes(b"name = '\xe9'")
    (tmp_path / "large.toml").write_bytes(b"#" * 1_100_000)
    (tmp_path / "empty.toml").write_bytes(b"")
    for path in (tmp_path, tmp_path / "nothing.toml", *tmp_path.iterdir()):
        with pytest.raises(RigFaults) as caught:
            read_rig(path)
        assert str(path) in str(caught.value)
        assert all(fault.line >= 1 and fault.found and fault.allowed for fault in caught.value.faults)


def test_check_prints_the_sheet_or_every_fault(tmp_path):
    good, bad = tmp_path / "good.toml", tmp_path / "bad.toml"
    good.write_text(TEXT)
    bad.write_text(changed("qos = 1", "qos = 2"))
    out, err = io.StringIO(), io.StringIO()
    assert check(str(good), False, out, err) == 0
    assert "Nobody goes under a load held by bags alone." in out.getvalue()
    assert max(map(len, out.getvalue().splitlines())) <= 80
    assert err.getvalue() == ""
    out = io.StringIO()
    assert check(str(bad), False, out, err) == 1
    assert out.getvalue() == ""
    assert err.getvalue().startswith(f"{bad}:{line_of('qos = 1')}: port[1].qos (yard-net): found 2; allowed is 0 or 1")


def test_check_json_is_one_object_whatever_it_says(tmp_path):
    for text, ok in ((TEXT, True), (changed("qos = 1", "qos = 2"), False)):
        path = tmp_path / "rig.toml"
        path.write_text(text)
        out = io.StringIO()
        assert check(str(path), True, out, io.StringIO()) == (0 if ok else 1)
        said = json.loads(out.getvalue())
        assert said["ok"] is ok
        assert bool(said["faults"]) is not ok
        if not ok:
            assert set(said["faults"][0]) == {"path", "line", "found", "allowed", "file"}


def test_the_schema_is_a_json_schema_of_every_table():
    schema = json.loads(schema_text())
    assert {"rig", "load", "stack", "shore", "height", "tilt", "step", "limits", "port", "channel"} <= set(
        schema["properties"]
    )
    assert schema["$defs"]["Step"]["properties"]["for"]["anyOf"][0]["description"].startswith("a time such as '20 s'")


def test_the_path_of_a_rig_file_may_be_anything(tmp_path: Path):
    odd = tmp_path / "a rig: with \n odd name.toml"
    odd.write_text("x")
    with pytest.raises(RigFaults):
        read_rig(odd)


def test_the_mark_that_some_editors_put_before_utf_8_is_no_part_of_the_text(tmp_path):
    path = tmp_path / "marked.toml"
    path.write_text(TEXT, encoding="utf-8-sig")
    assert read_text(path) == TEXT
