"""Values of a rig file are of the type they are said to be: none is made of a text, of true or of a fraction."""

from __future__ import annotations

from collections.abc import Iterator
from importlib.resources import files
from typing import Annotated, Any, Literal, get_args, get_origin

import pytest
from pydantic import BaseModel, BeforeValidator, PlainValidator

from drivers.registry import usable
from monitor.rig.load import RigFaults, kept_rig, parse_rig
from monitor.rig.schema import Rig

YARD = files("monitor.drill").joinpath("rigs/yard-panel.toml").read_text(encoding="utf-8")
BUS = """[[port]]
name = "bus"
driver = "modbus"
url = "/dev/ttyUSB1"
baud = 9600
stop_bits = 1
echo = false

[[crib]]
name = "C1"
at = ["4 m", "1 m"]
width = "1 m"
members = 2
wet = false

[[channel]]
name = "S1-lower-p\""""
SOURCE = """source = { port = "bus", station = 17, holding = 107, type = "uint16", scale = 0.01, unit = "bar" }"""
TEXT = YARD.replace('[[channel]]\nname = "S1-lower-p"', BUS, 1).replace(
    'source = { port = "bench", id = "P1" }', SOURCE, 1
)

WRONG = [
    ("scale = 0.01", 'scale = "0.1"', "channel[0].source.scale (S1-lower-p)", "'0.1'", "a number"),
    ("scale = 0.01", "scale = true", "channel[0].source.scale (S1-lower-p)", "true", "a number"),
    ("station = 17", "station = true", "channel[0].source.station (S1-lower-p)", "true", "a whole number"),
    ("holding = 107", 'holding = "107"', "channel[0].source.holding (S1-lower-p)", "'107'", "a whole number"),
    ("baud = 9600", 'baud = "9600"', "port[2].baud (bus)", "'9600'", "a whole number"),
    ("baud = 9600", "baud = 9600.0", "port[2].baud (bus)", "9600.0", "a whole number"),
    ("stop_bits = 1", "stop_bits = true", "port[2].stop_bits (bus)", "true", "a whole number"),
    ("echo = false", "echo = 0", "port[2].echo (bus)", "0", "true or false"),
    ("echo = false", 'echo = "no"', "port[2].echo (bus)", "'no'", "true or false"),
    ("members = 2", "members = 2.0", "crib[0].members (C1)", "2.0", "a whole number"),
    ("wet = false", 'wet = "false"', "crib[0].wet (C1)", "'false'", "true or false"),
    ("port = 1883", 'port = "1883"', "port[1].port (yard-net)", "'1883'", "a whole number"),
    ("qos = 1", "qos = true", "port[1].qos (yard-net)", "true", "a whole number"),
    ("axis = [1.0, 0.0]", 'axis = ["1", 0.0]', "tilt[0].axis[0] (load-x)", "'1'", "a number"),
    ("axis = [1.0, 0.0]", "axis = [1.0, false]", "tilt[0].axis[1] (load-x)", "false", "a number"),
    ("version = 1", "version = true", "version", "true", "a whole number"),
    ('weight = "56 kN"', "weight = true", "load.weight", "true", "a force such as '56 kN'"),
]


@pytest.mark.parametrize(("old", "new", "path", "found", "allowed"), WRONG)
def test_a_value_of_another_type_is_one_fault_in_its_line(old, new, path, found, allowed):
    assert old in TEXT
    text = TEXT.replace(old, new, 1)
    with pytest.raises(RigFaults) as caught:
        parse_rig(text, "rig.toml")
    (fault,) = caught.value.faults
    assert (fault.path, fault.found) == (path, found)
    assert fault.allowed.startswith(allowed)
    assert fault.line == text[: text.index(new)].count("\n") + 1


def test_a_whole_number_may_stand_where_any_may():
    rig = parse_rig(TEXT.replace("scale = 0.01", "scale = 2", 1).replace("axis = [1.0, 0.0]", "axis = [1, 0]", 1))
    assert (rig.channel[0].source.scale, rig.tilt[0].axis) == (2.0, (1.0, 0.0))


def test_a_rig_that_was_read_once_is_read_as_it_was():
    rig, text = parse_rig(TEXT.replace("scale = 0.01", "scale = 0.1", 1)), TEXT
    for old, new in (
        ("scale = 0.01", 'scale = "0.1"'),
        ("baud = 9600", 'baud = "9600"'),
        ("stop_bits = 1", "stop_bits = true"),
        ("wet = false", 'wet = "no"'),
        ("axis = [1.0, 0.0]", 'axis = ["1", false]'),
    ):
        text = text.replace(old, new, 1)
    assert kept_rig(text, "a recording") == rig


OF_ITS_QUANTITY = {("Channel", "range"), ("Channel", "noise"), ("Loop", "low"), ("Loop", "high")}
"""Read by the channel's quantity, with units: their table does it, as it alone knows the quantity."""


def loose(kind: Any, read: bool) -> Iterator[Any]:
    """The bare types in a type that nothing looks at before they are made of whatever is given."""
    if get_origin(kind) is Annotated:
        inner, *more = get_args(kind)
        yield from loose(inner, read or any(isinstance(it, BeforeValidator | PlainValidator) for it in more))
    elif get_origin(kind) is Literal:
        if not read and any(isinstance(it, int) for it in get_args(kind)):
            yield kind
    elif kind in (int, float, bool):
        if not read:
            yield kind
    else:
        for inner in get_args(kind):
            yield from loose(inner, False)


def tables(kind: Any, found: set[type[BaseModel]]) -> set[type[BaseModel]]:
    """Every table that a type holds."""
    if isinstance(kind, type) and issubclass(kind, BaseModel) and kind not in found:
        found.add(kind)
        for field in kind.model_fields.values():
            tables(field.annotation, found)
    for inner in get_args(kind):
        tables(inner, found)
    return found


def test_every_key_of_a_rig_file_takes_its_own_type_alone():
    every = tables(Rig, set())
    for driver in usable().values():
        tables(driver.port, every)
        tables(driver.source, every)
    assert len(every) >= 30, "the walk finds them"
    unread = {
        (table.__name__, name)
        for table in every
        for name, field in table.model_fields.items()
        if list(loose(Annotated[field.annotation, None, *field.metadata], False))
    }
    assert unread == OF_ITS_QUANTITY
