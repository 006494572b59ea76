"""Makes a faulty document whole enough to be looked at further, so that every fault is said at once, not the first kind.

What the schema refuses is replaced by a stand-in of the right type. The result is never used as a rig: only what its
sound parts say of each other is kept.
"""

from __future__ import annotations

import copy
from collections.abc import Callable
from datetime import date
from types import UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from monitor.rig.lines import Path
from monitor.rig.measure import Measure
from monitor.rig.schema import Rig

STAND_IN = "(stand-in)"
"""What a text is replaced by; no name can be written like it."""
_ROUNDS = 5
"""A stand-in table may lack keys of its own; each round puts in one level more."""


def mended(
    document: dict[str, Any], place: Callable[[ErrorDetails, dict[str, Any]], Path]
) -> tuple[Rig, list[Path]] | None:
    """(a rig with stand-ins, the paths that hold one), or None if the document is too far gone.

    `place` gives the path in the document of one fault of the schema.
    """
    document = copy.deepcopy(document)
    stand_ins: list[Path] = []
    for _ in range(_ROUNDS):
        try:
            return Rig.model_validate(document), stand_ins
        except ValidationError as error:
            for detail in error.errors():
                path = place(detail, document)
                if path in stand_ins and detail["type"] != "missing":
                    path = path[:-1]
                if not path or not _replace(document, path, detail["type"] == "extra_forbidden"):
                    return None
                stand_ins.append(path)
    return None


def touches(path: Path, stand_ins: list[Path]) -> bool:
    """Whether a path leads to, into or past a stand-in."""
    return any(path[: len(other)] == other or other[: len(path)] == path for other in stand_ins)


def _replace(document: dict[str, Any], path: Path, drop: bool) -> bool:
    here: Any = document
    for part in path[:-1]:
        try:
            here = here[part]
        except (KeyError, IndexError, TypeError):
            return False
    key = path[-1]
    stand_in = None if drop else _stand_in(annotation(path))
    try:
        if stand_in is not None:
            if isinstance(here, list) and isinstance(key, int) and key >= len(here):
                here.append(stand_in)
            else:
                here[key] = stand_in
        elif isinstance(here, dict):
            here.pop(key, None)
        else:
            return False
    except (IndexError, TypeError):
        return False
    return True


def annotation(path: Path) -> Any:
    """The type that the schema asks for at a path, or None for a path it does not know."""
    here: Any = Rig
    for part in path:
        if isinstance(part, int):
            here = _element(here, part)
        else:
            found = [
                f.annotation if not f.metadata else Annotated[f.annotation, *f.metadata]
                for model in models_in(here)
                for name, f in model.model_fields.items()
                if (f.alias or name) == part
            ]
            here = found[0] if found else None
        if here is None:
            return None
    return here


def models_in(kind: Any) -> list[type[BaseModel]]:
    """The tables that a type may be."""
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        return [kind]
    if get_origin(kind) in (list, tuple):
        return []
    return [model for inner in get_args(kind) for model in models_in(inner)]


def _element(kind: Any, index: int) -> Any:
    for inner in (kind, *get_args(kind)):
        origin, args = get_origin(inner), get_args(inner)
        if origin is list:
            return args[0]
        if origin is tuple:
            return args[index] if index < len(args) else None
    return None


def _stand_in(kind: Any) -> Any:
    """Some value of a type; None where leaving it out is allowed or nothing is known."""
    origin, args = get_origin(kind), get_args(kind)
    if origin is Annotated:
        return _stand_in(args[0])
    if origin in (Union, UnionType):
        return None if type(None) in args else _stand_in(args[0])
    if origin is Literal:
        return args[0]
    if origin is tuple:
        return [_stand_in(arg) for arg in args]
    if origin is list:
        return [_stand_in(args[0])] * 2
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        return {f.alias or name: _stand_in(f.annotation) for name, f in kind.model_fields.items() if f.is_required()}
    return {float: 1.0, int: 1, str: STAND_IN, bool: False, Measure: 1.0, date: "2000-01-01"}.get(kind)
