"""Records that nobody can change, made in half the time.

What a frozen dataclass is made by asks for every field whether it may be set. A recording of an hour makes a million readings,
and every tick of the engine some hundred records: here each slot is set by itself, and everything else stays as it is.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import MISSING, fields
from typing import Any, TypeVar

T = TypeVar("T")


def quick(of: type[T]) -> type[T]:
    """The same frozen dataclass with slots, made faster. Fields with a factory, and such as are not given, are not for it."""
    known: dict[str, Any] = {}
    given, done = [], []
    for it in fields(of):  # type: ignore[arg-type]  # what it decorates is a dataclass
        if not it.init or it.default_factory is not MISSING:
            raise TypeError(f"{of.__name__}.{it.name} is not simply given")
        known[f"set_{it.name}"] = of.__dict__[it.name].__set__
        known[f"usual_{it.name}"] = it.default
        given.append(it.name if it.default is MISSING else f"{it.name}=usual_{it.name}")
        done.append(f"set_{it.name}(self, {it.name})")
    made = f"def __init__(self, {', '.join(given)}):\n    " + "\n    ".join(done)
    exec(made, known)
    init: Callable[..., None] = known["__init__"]
    init.__qualname__, init.__doc__ = f"{of.__qualname__}.__init__", of.__init__.__doc__
    init.__annotations__ = of.__init__.__annotations__
    of.__init__ = init  # type: ignore[method-assign]
    return of
