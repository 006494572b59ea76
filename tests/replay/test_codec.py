"""Lines of a journal that are almost right: what is of another type than was written is no entry (found by tests/bench/fuzz.py)."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from replay.codec import CodecError, entry_of, parse, usual

READING = '{"k":"reading","t":5,"c":"P","n":0,"v":1.5,"d":7}'
NOTICE = '{"k":"notice","t":5,"of":"link","about":"bench","active":true,"text":"lost","late":true}'
ACTION = '{"k":"action","t":5,"do":"note","by":"operator","with":{"text":"x"}}'
ALARM = '{"k":"alarm","t":5,"alarm":{"rule":"lean"}}'


@pytest.mark.parametrize("line", [READING, NOTICE, ACTION, ALARM])
def test_as_they_are_they_are_entries(line):
    assert entry_of(parse(line.encode())) is not None


@pytest.mark.parametrize(
    ("line", "old", "new"),
    [
        (READING, "1.5", "true"),
        (READING, "1.5", '"1.5"'),
        (READING, '"n":0', '"n":0.5'),
        (READING, '"d":7', '"d":7.5'),
        (READING, '"d":7', '"d":2655901131265590113102'),  # beyond 64 bits: it was read as no time at all
        (READING, '"d":7', '"d":null'),
        (NOTICE, '"active":true', '"active":-439'),
        (NOTICE, '"late":true', '"late":"alarm"'),
        (NOTICE, '"bench"', "5"),
        (ACTION, '{"text":"x"}', "[]"),
        (ACTION, '{"text":"x"}', '[["text","x"]]'),
        (ALARM, '{"rule":"lean"}', "[]"),
    ],
)
def test_of_another_type_they_are_none(line, old, new):
    assert old in line
    with pytest.raises(CodecError):
        entry_of(parse(line.replace(old, new).encode()))


VALUE = (
    st.none() | st.booleans() | st.integers(-(2**70), 2**70) | st.floats() | st.sampled_from(["", "P", "good", "tick"])
)
LINE = st.fixed_dictionaries(
    {"k": st.sampled_from(["reading", "tick", "gap", "wind", 1])},
    optional={"t": st.just(5) | VALUE}
    | {key: st.just(usually) | VALUE for key, usually in {"c": "P", "n": 0, "v": 1.5}.items()}
    | {"q": VALUE, "d": VALUE},
)


def outcome(read):
    try:
        return read()
    except CodecError as error:
        return str(error)


@given(LINE | VALUE | st.lists(VALUE))
def test_a_usual_line_read_at_once_is_what_it_is_by_way_of_its_object(found):
    line = json.dumps(found).encode()
    at_once = outcome(lambda: usual(line))
    at_once = outcome(lambda: entry_of(at_once)) if isinstance(at_once, dict) else at_once
    assert at_once == outcome(lambda: entry_of(parse(line)))
