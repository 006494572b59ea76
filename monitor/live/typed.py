"""Actions as JSON lines: what a person (or a program in a person's place) may write on standard input."""

from __future__ import annotations

import orjson

from drivers.units import UnitError, within_reason
from replay.entries import Detail

VERBS: dict[str, dict[str, str]] = {
    # verb: {word: what it is}
    "zero": {},
    "next": {},
    "back": {},
    "abandon": {},
    "cribbed": {"at": "text", "height": "length"},
    "acknowledge": {"rule": "text", "about": "text"},
    "reset": {"rule": "text", "about": "text"},
    "shelve": {"rule": "text", "about": "text", "for": "time"},
    "out-of-service": {"rule": "text", "about": "text"},
    "in-service": {"rule": "text", "about": "text"},
    "release": {"shore": "text"},
    "isolate": {"bag": "text"},
    "tick": {"item": "text"},
    "note": {"text": "text"},
    "stop": {"reason": "text"},
    "clear-stop": {},
}
"""Every verb and its words. Quantities carry their unit; inside they become `height_m`, `for_s`."""

_INSIDE = {"length": "_m", "time": "_s"}


class BadAction(ValueError):
    """A line that is no action. The message says what was found and what is allowed."""


def parse(line: str) -> tuple[str, dict[str, Detail]]:
    """(verb, details in SI) of one line. Raises BadAction with one sentence."""
    try:
        given = orjson.loads(line)
    except orjson.JSONDecodeError as error:
        raise BadAction(f'found {_short(line)}: not JSON ({error}); allowed is a line like {{"do": "zero"}}') from None
    if not isinstance(given, dict):
        raise BadAction(f'found {_short(line)}: allowed is one JSON object a line, like {{"do": "zero"}}')
    verb = given.pop("do", None)
    if not isinstance(verb, str) or verb not in VERBS:
        raise BadAction(f'found "do": {_short(verb)}: allowed is one of {", ".join(VERBS)}')
    return verb, dict(_detail(verb, key, value) for key, value in given.items())


def _detail(verb: str, key: str, value: object) -> tuple[str, Detail]:
    kind = VERBS[verb].get(key)
    if kind is None:
        words = ", ".join(VERBS[verb]) or "no other key"
        raise BadAction(f"'{verb}': found key {_short(key)}, allowed is {words}")
    if kind == "text":
        if not isinstance(value, str):
            raise BadAction(f"'{verb}': found {key} = {_short(value)}, allowed is a text")
        return key, value
    try:
        return key + _INSIDE[kind], within_reason(kind, value)
    except UnitError as error:
        raise BadAction(f"'{verb}': found {key} = {_short(value)}, allowed is {error}") from None


def _short(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."
