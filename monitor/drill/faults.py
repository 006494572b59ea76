"""A drill that cannot be played, in one sentence: the key, what was found, what is allowed."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pydantic import BaseModel, ValidationError


class DrillError(Exception):
    """A drill that cannot be played. One sentence: what was found, what is allowed."""


def first_fault(name: str, error: ValidationError, models: Mapping[str, type[BaseModel]]) -> DrillError:
    """The first thing a drill's schema refused. `models` gives the class of each table, "" that of the file itself."""
    detail = error.errors()[0]
    path, kind, found = detail["loc"], detail["type"], detail["input"]
    key = "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in path).lstrip(".")
    context = detail.get("ctx", {})
    if kind == "missing":
        return DrillError(f"{name}: {key}: found nothing; a value may not be left out")
    if kind == "extra_forbidden":
        known = models[str(path[0]) if len(path) > 1 else ""].model_fields
        return DrillError(f"{name}: {key}: found a key that means nothing here; allowed is one of {', '.join(known)}")
    allowed = context.get("allowed") or context.get("expected") or _plain(detail["msg"])
    return DrillError(f"{name}: {key}: found {_short(found)}; allowed is {allowed}")


def _plain(message: str) -> str:
    """A message of the schema library as what is allowed."""
    for before in ("Input should be a valid ", "Input should be "):
        message = message.removeprefix(before)
    return message[0].lower() + message[1:]


def _short(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."
