"""What the independent readers of the fuzz have in common: numbers by decimal, JSON by the standard library, and a verdict."""

from __future__ import annotations

import json
import random
from decimal import Decimal


class FalseReadingError(AssertionError):
    """A value came out that is not in the bytes."""


def require(true: object, what: object = "") -> None:
    """The independent reader agrees."""
    if not true:
        raise FalseReadingError(what)


def number(rng: random.Random) -> str:
    """A number as a device may write it."""
    return rng.choice(
        (f"{rng.uniform(-1e3, 1e3):.{rng.randrange(6)}f}", str(rng.randrange(-999, 1000)), f"{rng.random():.5f}")
    )


NUMBERS = [
    b"0", b"-0", b"1", b"9" * 40, b"-1.5", b".5", b"5.", b"1e5", b"1e999", b"-1e308", b"1E-400", b"nan", b"inf", b"1_0",
    b"0x1", b"+1", b"--1", b" 1", "١".encode(), b"", b"-", b".",
]  # fmt: skip


def exact(text: str) -> float:
    """The float nearest to a plain decimal number. FalseReadingError for what is none, as decimal and a person see it."""
    require(text and set(text) <= set("0123456789+-.eE"), text)
    value = Decimal(text)
    require(value.is_finite(), text)
    return float(value)


def strict_json(data: bytes) -> object:
    """JSON as the standard library reads it. FalseReadingError if it does not."""

    def refused(what: str) -> object:
        raise FalseReadingError(f"{what} is no JSON")

    def whole(text: str) -> float:
        return (
            int(text) if -(2**63) <= int(text) < 2**64 else float(text)
        )  # beyond 64 bits a number is a float, not wrong

    try:
        return json.loads(data.decode("utf-8"), parse_constant=refused, parse_int=whole)
    except (ValueError, RecursionError) as error:
        raise FalseReadingError(f"no JSON to the standard library: {error}") from None


def walked(it: object, steps: list[str | int]) -> object:
    for step in steps:
        if isinstance(it, list):
            require(isinstance(step, int) and step < len(it), step)
            it = it[step]
        else:
            require(isinstance(it, dict) and str(step) in it, step)
            it = it[str(step)]
    return it
