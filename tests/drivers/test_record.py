"""A record that is quickly made is the same record."""

from __future__ import annotations

import copy
import inspect
import pickle
from dataclasses import FrozenInstanceError, asdict, dataclass, field, replace

import pytest

from drivers.record import quick


@dataclass(frozen=True, slots=True)
class Plain:
    x: float
    y: float | None
    name: str = "none"


@quick
@dataclass(frozen=True, slots=True)
class Quick:
    x: float
    y: float | None
    name: str = "none"


def test_it_is_the_same_record():
    plain, it = Plain(1.0, y=None), Quick(1.0, y=None)
    assert repr(it) == repr(plain).replace("Plain", "Quick")
    assert asdict(it) == asdict(plain)
    assert it == Quick(1.0, None, "none") != Quick(2.0, None)
    assert hash(it) == hash(plain)
    assert replace(it, x=2.0) == Quick(2.0, None)
    assert copy.deepcopy(it) == it == pickle.loads(pickle.dumps(it))
    assert inspect.signature(Quick) == inspect.signature(Plain)
    with pytest.raises(FrozenInstanceError):
        it.x = 2.0


@pytest.mark.parametrize("wrong", [{}, {"x": 1.0}, {"x": 1.0, "y": 2.0, "z": 3.0}])
def test_it_wants_the_same_fields(wrong):
    for cls in (Plain, Quick):
        with pytest.raises(TypeError):
            cls(**wrong)


def test_a_class_that_does_more_is_refused():
    @dataclass(frozen=True, slots=True)
    class Listed:
        x: list[int] = field(default_factory=list)

    @dataclass(frozen=True, slots=True)
    class After:
        x: int

        def __post_init__(self):
            pass

    @dataclass(frozen=True, slots=True)
    class Within:
        x: int
        y: int = field(default=0, init=False)

    @dataclass(frozen=True, slots=True)
    class Named:
        x: int
        y: int = field(default=0, kw_only=True)

    for cls in (Listed, After, Within, Named):
        with pytest.raises(ValueError, match=f"{cls.__name__} does more than fill its fields"):
            quick(cls)
