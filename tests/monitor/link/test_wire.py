"""What goes over the broker and comes back: the same picture, the same screen; and nothing that is no message is believed."""

from __future__ import annotations

import json
import random
from dataclasses import is_dataclass, replace
from enum import Enum
from functools import cache
from typing import get_args, get_origin, get_type_hints

import orjson
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.kinds.mqtt import Broker
from monitor.engine.picture import Picture
from monitor.link import wire
from monitor.link.announcer import Announcer, Watched
from monitor.screens.ink import plain
from monitor.screens.layout import View, operator
from monitor.screens.safetyboard import SafetyView, safety

from .published import (
    alarms_message,
    picture_message,
    pictures_of,
    presence_message,
    rig_message,
    rig_of,
    rig_text,
    wrong,
)

DRILLS = ("leaning", "two-stacks")
"""What else a picture may hold, the property below draws."""


def rounded(picture: Picture) -> Picture:
    """What the documented rounding leaves of a picture: ages to a millisecond, no transitions. Ticks of a drill lie on whole
    tenths of a millisecond, so no time changes."""
    sensors = [replace(it, age_s=None if it.age_s is None else round(it.age_s, 3)) for it in picture.sensors]
    return replace(picture, transitions=(), sensors=tuple(sensors))


@pytest.mark.parametrize("drill", DRILLS)
def test_a_picture_comes_back_as_it_was_and_draws_the_same_screen(drill):
    rig, pictures = pictures_of(drill)
    for at, picture in enumerate(pictures):
        if at % 10 and not picture.transitions and picture is not pictures[-1]:
            continue
        back = wire.decode(wire.PictureMessage, picture_message(picture)).picture()
        assert back == rounded(picture)
        if at % 100 == 0 or picture is pictures[-1]:
            for columns, rows in ((80, 24), (120, 40)):
                drawings = [operator(it, View(rig, "recording to it"), columns, rows) for it in (picture, back)]
                assert drawings[0] == drawings[1]


def anything(of, rng: random.Random, name: str = ""):
    """Any value that a type allows, parts of the picture among them; times in whole tenths of a millisecond, of eleven days."""
    if of is type(None):
        return None
    if of is bool:
        return rng.random() < 0.5
    if of is float:
        return rng.choice((0.0, -0.0, 5e-324, -1.7e308, rng.uniform(-1.0, 1.0), rng.gauss(0.0, 1e6)))
    if of is int:
        return 100_000 * rng.randrange(10**10) if name.endswith("_ns") else rng.randrange(1000)
    if of is str:
        return "".join(rng.choices('aB1 \n"\\/\u00b5\u2028\U0001f6d1\0', k=rng.randrange(8)))
    if is_dataclass(of):
        return of(**{key: anything(hint, rng, key) for key, hint in get_type_hints(of).items()})
    if isinstance(of, type) and issubclass(of, Enum):
        return rng.choice(list(of))
    parts = get_args(of)
    if get_origin(of) is not tuple:
        return anything(rng.choice(parts), rng, name)
    if parts[-1] is Ellipsis:
        return tuple(anything(parts[0], rng) for _ in range(rng.randrange(4)))
    return tuple(anything(it, rng) for it in parts)


def apart(parts):
    """Parts whose names are unlike one another, as they are in a rig."""
    return tuple({it.name: it for it in parts}.values())


@settings(deadline=None)
@given(st.integers(0, 2**32))
def test_whatever_a_picture_holds_comes_back(seed):
    it = anything(Picture, random.Random(seed))
    picture = replace(
        rounded(it),
        step=None if it.step is None or not it.steps else replace(it.step, number=len(it.steps)),
        alarms=tuple(replace(a, evidence=tuple(dict(a.evidence).items())) for a in it.alarms),
        stacks=tuple(replace(s, bags=apart(s.bags)) for s in apart(it.stacks)),
        shores=apart(it.shores),
        sensors=apart(rounded(it).sensors),
        ports=apart(it.ports),
    )
    assert wire.decode(wire.PictureMessage, picture_message(picture)).picture() == picture


@settings(deadline=None)
@given(st.text(min_size=1, max_size=24))
def test_any_name_makes_one_topic_level_and_is_read_back(name):
    made = wire.topic(name, "picture")
    assert made.count("/") == 2
    assert not set("+#\0") & set(made)
    assert wire.rig_of(made) == (name, "picture")


@pytest.mark.parametrize(
    "topic", ["inchwatch", "inchwatch/", "inchwatch/x", "inchwatch//picture", "inchwatch/x/y", "a/x/picture", ""]
)
def test_other_topics_are_none_of_ours(topic):
    assert wire.rig_of(topic) is None


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=6), inner, max_size=4),
    max_leaves=12,
)


@settings(max_examples=300, deadline=None)
@given(st.binary(max_size=200) | JSON.map(lambda it: json.dumps(it).encode()), st.sampled_from(wire.LEAVES))
def test_what_is_no_message_is_refused_in_a_sentence(payload, leaf):
    with pytest.raises(wire.BadMessage) as refused:
        wire.decode(wire.SHAPES[leaf], payload)
    assert str(refused.value).isprintable()
    assert len(str(refused.value)) < 400


@cache
def sound() -> dict[str, bytes]:
    """A message of each kind, as it is sent."""
    pictures = pictures_of("leaning")[1]
    return {
        "rig": rig_message("training-yard", rig_text("training-yard")),
        "presence": presence_message("here"),
        "picture": picture_message(pictures[-1]),
        "alarms": alarms_message(next(p for p in pictures if p.transitions)),
        "call": wire.encode({"do": "stop", "by": "officer", "reason": "wind", "id": "1"}),
    }


def damaged(document, at: int, instead):
    """The same document with one of its values, counted through all levels, replaced."""
    places = []

    def walk(it):
        for key in it if isinstance(it, dict) else range(len(it)):
            places.append((it, key))
            if isinstance(it[key], dict | list):
                walk(it[key])

    walk(document)
    holder, key = places[at % len(places)]
    holder[key] = instead
    return document


@settings(max_examples=400, deadline=None)
@given(st.sampled_from(wire.LEAVES), st.integers(0, 10**6), JSON)
def test_a_sound_message_with_one_value_changed_is_read_or_refused_and_nothing_else(leaf, at, instead):
    document = damaged(json.loads(sound()[leaf]), at, instead)
    payload = json.dumps(document).encode()
    try:
        message = wire.decode(wire.SHAPES[leaf], payload)
        if leaf == "picture":
            message.picture()
        elif leaf == "alarms":
            [it.transition() for it in message.changes]
    except wire.BadMessage:
        pass


def test_a_step_that_is_none_of_the_plan_is_refused():
    steps = len(json.loads(sound()["picture"])["steps"])
    for number in (0, -1, steps + 1):
        document = json.loads(sound()["picture"]) | {"step": number}
        with pytest.raises(wire.BadMessage, match=f"step {number} of {steps}"):
            wire.decode(wire.PictureMessage, json.dumps(document).encode())


@pytest.mark.timeout(20)
@pytest.mark.parametrize(
    ("part", "key", "value"),
    [("stacks", "lean_rate_m_s", 1e300), ("stacks", "lean_rate_m_s", 1e9), ("shores", "gap_allowed_m", 0.0)],
)
def test_a_value_that_cannot_be_neither_ends_nor_holds_up_the_screen_that_draws_it(part, key, value):
    """Whoever may publish where nobody is asked for a password must not take the safety officer's screen away."""
    document = json.loads(sound()["picture"])
    for it in document[part].values():
        it[key] = value
    picture = wire.decode(wire.PictureMessage, json.dumps(document).encode()).picture()
    lines = safety(picture, SafetyView(rig_of("training-yard"), "following"), 120, 40)
    assert "IF THE BAGS FAIL" in plain(lines)


def test_a_message_of_another_version_or_too_long_is_refused():
    for leaf, payload in sound().items():
        for version in (0, 2, "1", None, 1.5):
            document = json.loads(payload) | {"v": version}
            with pytest.raises(wire.BadMessage, match="v"):
                wire.decode(wire.SHAPES[leaf], json.dumps(document).encode())
        with pytest.raises(wire.BadMessage, match="262145 bytes; at most 262144"):
            wire.decode(wire.SHAPES[leaf], payload + b" " * (wire.LARGEST + 1 - len(payload)))
    with pytest.raises(wire.BadMessage, match="bytes"):
        wire.read_call(b'{"v":1,"do":"stop"' + b" " * wire.LARGEST + b"}")


def test_a_deep_document_is_refused_and_no_crash():
    for payload in (b"[" * 100_000, b'{"v":' * 50_000):
        for leaf in wire.LEAVES:
            with pytest.raises(wire.BadMessage):
                wire.decode(wire.SHAPES[leaf], payload)
        with pytest.raises(wire.BadMessage):
            wire.read_call(payload)


def test_a_number_that_is_none_is_refused():
    for word in ("NaN", "Infinity", "1e400", "-1e400"):
        payload = sound()["picture"].replace(b'"fall_m":', f'"fall_m":{word},"x":'.encode(), 1)
        with pytest.raises(wire.BadMessage, match="fall_m"):
            wire.decode(wire.PictureMessage, payload)


def test_a_stop_is_read_kindly():
    call = wire.read_call(b'{"v":1,"do":"stop","by":"Ada","reason":"wind","id":"7"}')
    assert call == wire.Call("Ada", "wind", "7")
    strange = wire.read_call(
        b'{"v":1,"do":"stop","by":7,"reason":"a\\u001b[2Jb' + b"x" * 200 + b'","id":null,"limit":3}'
    )
    assert strange.by == "the network"
    assert strange.reason.isprintable()
    assert len(strange.reason) <= wire.REASON_MOST
    assert strange.id == ""
    assert strange.odd == "found a call of STOP with a strange limit; it was taken"


@settings(max_examples=300, deadline=None)
@given(st.binary(max_size=100) | JSON.map(lambda it: json.dumps(it).encode()))
def test_any_bytes_are_a_call_or_refused(payload):
    with pytest.raises(wire.BadMessage):
        wire.read_call(payload)


@pytest.mark.parametrize("leaf", wire.LEAVES)
def test_what_is_said_fits_the_schema_that_is_printed(leaf):
    schema = json.loads(orjson.dumps(wire.schemas()))[f"inchwatch/RIG/{leaf}"]
    assert wrong(schema, json.loads(sound()[leaf]), schema) == []
    for key in schema["required"]:
        short = {name: value for name, value in json.loads(sound()[leaf]).items() if name != key}
        assert wrong(schema, short, schema) == [f": no {key}"]
    assert wrong(schema, json.loads(sound()[leaf]) | {"v": 2}, schema)


@pytest.mark.parametrize("drill", DRILLS)
def test_every_picture_of_a_drill_fits_the_schema(drill):
    schema = json.loads(orjson.dumps(wire.schemas()))["inchwatch/RIG/picture"]
    for picture in pictures_of(drill)[1][::50]:
        assert wrong(schema, json.loads(picture_message(picture)), schema) == []


def test_a_terminal_obeys_nothing_that_a_refused_call_says():
    from paho.mqtt.client import MQTTMessage

    watched = Watched("yard", "", "it", 0.0, "r")
    it = Announcer(Broker(host="localhost"), watched, lambda: 0, lambda by, reason: pytest.fail("no STOP was called"))
    call = MQTTMessage(topic=b"inchwatch/yard/call")
    call.payload = wire.encode({"do": "clear-stop", "by": "a\x1b[2J", "id": "1"})
    it.took(call)
    assert it.odd == "refused 'clear-stop' by a·[2J: over the network only STOP is taken"
