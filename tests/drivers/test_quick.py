"""A record made quickly is the same frozen record. All invented."""

from __future__ import annotations

import copy
import pickle
from dataclasses import FrozenInstanceError, dataclass, field, fields, replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.quick import quick


@dataclass(frozen=True, slots=True)
class Plain:
    """A record."""

    name: str
    value: float | None
    more: tuple[int, ...] = ()


@quick
@dataclass(frozen=True, slots=True)
class Quick:
    """A record."""

    name: str
    value: float | None
    more: tuple[int, ...] = ()


VALUES = {"name": st.text(), "value": st.none() | st.floats(allow_nan=False), "more": st.tuples(st.integers())}


@given(st.fixed_dictionaries({"name": VALUES["name"], "value": VALUES["value"]}, optional={"more": VALUES["more"]}))
def test_it_holds_and_says_what_the_plain_one_does(given_):
    plain, made = Plain(**given_), Quick(**given_)
    assert [getattr(made, it.name) for it in fields(Quick)] == [getattr(plain, it.name) for it in fields(Plain)]
    assert repr(made) == repr(plain).replace("Plain", "Quick")
    assert made == Quick(**given_)
    assert hash(made) == hash(plain)
    assert type(made) is Quick
    for again in (pickle.loads(pickle.dumps(made)), copy.deepcopy(made), replace(made)):
        assert again == made
    assert replace(made, name="other") == Quick(**given_ | {"name": "other"})


def test_nobody_can_change_it():
    made = Quick("a", 1.0)
    with pytest.raises(FrozenInstanceError):
        made.value = 2.0
    assert made == Quick("a", 1.0)


@pytest.mark.parametrize("arguments", [("a",), ("a", 1.0, (), 3)])
def test_it_wants_the_fields_that_it_has(arguments):
    for made in (Plain, Quick):
        with pytest.raises(TypeError, match="argument"):
            made(*arguments)


def test_a_field_with_a_factory_is_not_for_it():
    @dataclass(frozen=True, slots=True)
    class Listed:
        it: list[int] = field(default_factory=list)

    with pytest.raises(TypeError, match=r"Listed\.it is not simply given"):
        quick(Listed)


def test_a_record_made_of_another_is_not_for_it():
    @dataclass(frozen=True, slots=True)
    class Longer(Plain):
        again: str = ""

    with pytest.raises(TypeError, match="Longer is made of another class"):
        quick(Longer)
