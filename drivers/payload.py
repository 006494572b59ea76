"""One number out of an MQTT payload: a bare number, or JSON with an RFC 6901 pointer. Pure."""

from __future__ import annotations

import re
from math import isfinite

import orjson
from jsonpointer import EndOfList, JsonPointer, JsonPointerException

_NUMBER = re.compile(rb"\s*[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?\s*")


class PayloadError(ValueError):
    """A payload that holds no number where one was promised. The message says what was found."""


def bare_number(payload: bytes) -> float | None:
    """The number that is the whole payload; None for an empty one (no data). Raises PayloadError."""
    if not payload.strip():
        return None
    if len(payload) > 64 or not _NUMBER.fullmatch(payload):
        raise PayloadError(f"found {payload[:40]!r}: one number is allowed")
    return _finite(float(payload))


def document(payload: bytes) -> object:
    """A JSON document. Raises PayloadError."""
    try:
        return orjson.loads(payload)
    except orjson.JSONDecodeError as error:
        raise PayloadError(f"not JSON: {error}") from None


def number_at(pointer: JsonPointer, parsed: object) -> float | None:
    """The number that a pointer names in a document; None where it is null (no data). Raises PayloadError."""
    try:
        found = pointer.resolve(parsed)
    except JsonPointerException as error:
        raise PayloadError(str(error)) from None
    if found is None:
        return None
    if isinstance(found, bool | EndOfList) or not isinstance(found, int | float):
        raise PayloadError(f"found {str(found)[:40]!r} at '{pointer.path}': a number is allowed")
    return _finite(float(found))


def _finite(value: float) -> float:
    if not isfinite(value):
        raise PayloadError("the number is not finite")
    return value
