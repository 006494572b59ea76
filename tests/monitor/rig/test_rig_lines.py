"""Every key of a rig file has its line, in whatever TOML; and any file at all is a rig or its faults, each in its line."""

from __future__ import annotations

import copy
import json
import tomllib
from importlib.resources import files

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.rig.lines import Lines
from monitor.rig.load import RigFaults, parse_rig
from monitor.rig.schema import Rig

TEXT = files("monitor.drill").joinpath("rigs/yard-panel.toml").read_text(encoding="utf-8")


def paths(value, path=()):
    """Every key path of a parsed document."""
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, inner in items:
        yield (*path, key)
        yield from paths(inner, (*path, key))


def test_every_key_of_the_example_has_its_line():
    lines, rows = Lines(TEXT), TEXT.splitlines()
    for path in paths(tomllib.loads(TEXT)):
        assert path in lines.lines, path
        key = next(part for part in reversed(path) if isinstance(part, str))
        row = rows[lines.lines[path] - 1]
        assert key in row or (isinstance(path[-1], int) and ("[" in row or '"' in row)), (path, row)


TRICKY = '''
# [not.a.table]
title = "a # in a string, and = too"
"quoted key" = 1
'single.key' = 2
many = [
  1, # one
  [2,
   3], { a = 4,  b.c = 5 }
]
text = """
[no table]
x = "1"
""" # after
lit = \'\'\'
y = [[1]]\'\'\'
[a.b]
d.e = { f = "}" , "g h" = [ "]" ] }
[[a.list]]
x = 1
[[a.list]]
x = 2
  [a.list.sub]
  y = 3
  [[a.list.deep]]
  z = 4
date = 1979-05-27T07:32:00Z
'''


def test_every_key_of_a_tricky_text_has_its_line():
    lines = Lines(TRICKY).lines
    assert set(paths(tomllib.loads(TRICKY))) <= set(lines)
    rows = TRICKY.splitlines()
    for path, part in [
        (("many", 1, 1), "3]"),
        (("a", "list", 1, "x"), "x = 2"),
        (("a", "list", 1, "deep", 0, "z"), "z = 4"),
        (("a", "b", "d", "e", "g h", 0), "g h"),
        (("lit",), "lit"),
        (("many", 2, "b", "c"), "b.c"),
    ]:
        assert part in rows[lines[path] - 1]


KEYS = st.text(st.characters(categories=["L", "N"], max_codepoint=0x2FF), min_size=1, max_size=6)
VALUES = st.recursive(
    st.integers(-5, 5) | st.booleans() | st.text("ab#=[]{}\"'\\\n ", max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEYS, inner, max_size=3),
    max_leaves=6,
)


def to_toml(value) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{json.dumps(k, ensure_ascii=False)} = {to_toml(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ",\n".join(map(to_toml, value)) + "]"
    return json.dumps(value, ensure_ascii=False)


@given(st.dictionaries(KEYS, VALUES, max_size=4))
def test_every_key_of_any_text_has_its_line(document):
    text = "\n".join(f"{json.dumps(key, ensure_ascii=False)} = {to_toml(value)}" for key, value in document.items())
    assert tomllib.loads(text) == document
    lines, rows = Lines(text).lines, text.splitlines() or [""]
    for path in paths(document):
        assert 1 <= lines[path] <= len(rows)
        if isinstance(path[-1], str):
            assert json.dumps(path[-1], ensure_ascii=False) in rows[lines[path] - 1]


JUNK = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-3, 10**6),
    st.floats(),
    st.text(max_size=6),
    st.just([]),
    st.just({}),
    st.sampled_from(["8 bar", "-1 m", "S1", "bench", "nmea", "mqtt", "0 deg", ["0 m", "0 m"], [[1, 2]]]),
)


def as_toml(document: dict) -> str:
    plain = json.loads(json.dumps(document, default=str))
    return "\n".join(f"{json.dumps(key)} = {to_toml(value)}" for key, value in plain.items() if value is not None)


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.data())
def test_any_rig_file_is_a_rig_or_its_faults(data):
    document = copy.deepcopy(tomllib.loads(TEXT))
    for _ in range(data.draw(st.integers(1, 4))):
        path = data.draw(st.sampled_from(list(paths(document))))
        here = document
        for part in path[:-1]:
            here = here[part]
        how = data.draw(st.sampled_from(["change", "drop", "add", "rename"]))
        if how == "change":
            here[path[-1]] = copy.deepcopy(data.draw(JUNK))
        elif how == "drop":
            del here[path[-1]]
        elif how == "rename" and isinstance(here, dict):
            here[data.draw(KEYS)] = here.pop(path[-1])
        elif isinstance(here, list):
            here.append(copy.deepcopy(data.draw(JUNK)))
        else:
            here[data.draw(KEYS)] = copy.deepcopy(data.draw(JUNK))
    try:
        text = as_toml(document)
        tomllib.loads(text)
    except (TypeError, tomllib.TOMLDecodeError, ValueError):
        return
    try:
        assert isinstance(parse_rig(text), Rig)
    except RigFaults as error:
        assert error.faults
        for fault in error.faults:
            assert 1 <= fault.line <= text.count("\n") + 1
            assert fault.found
            assert fault.allowed
            assert "\n" not in fault.allowed
