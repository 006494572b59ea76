"""Quantities to SI, at the edge. Used by ports, channels and the rig file alike.

A strict grammar stands before the units library: one number and one unit that the quantity knows (or feet,
inches and a fraction). The library alone would read "8 bar 3" as 24 bar and a bare "psi" as 1 psi, without a word. Factors are
exact fractions, rounded to a float once, so that a rig file means the same bits on every machine.
"""

from __future__ import annotations

import math
import re
from fractions import Fraction
from functools import cache, partial
from typing import TYPE_CHECKING, Annotated, Any

from pydantic import BeforeValidator, WithJsonSchema
from pydantic_core import PydanticCustomError

if TYPE_CHECKING:
    from pint import UnitRegistry

UNITS: dict[str, tuple[str, dict[str, str]]] = {
    # quantity: (SI unit, {spelling in a file: name in the units library})
    "length": ("meter", {"m": "meter", "mm": "millimeter", "cm": "centimeter", "in": "inch", "ft": "foot"}),
    "pressure": (
        "pascal",
        {
            "Pa": "pascal",
            "hPa": "hectopascal",
            "kPa": "kilopascal",
            "MPa": "megapascal",
            "mbar": "millibar",
            "bar": "bar",
            "psi": "psi",
        },
    ),
    "force": (
        "newton",
        {
            "N": "newton",
            "kN": "kilonewton",
            "MN": "meganewton",
            "kgf": "kilogram_force",
            "lbf": "pound_force",
            "kip": "kip",
        },
    ),
    "angle": ("radian", {"rad": "radian", "mrad": "milliradian", "deg": "degree", "°": "degree"}),
    "temperature": ("kelvin", {"K": "kelvin", "degC": "degC", "°C": "degC", "degF": "degF", "°F": "degF"}),
    "current": ("ampere", {"A": "ampere", "mA": "milliampere"}),
    "voltage": ("volt", {"V": "volt", "mV": "millivolt"}),
    "time": ("second", {"s": "second", "ms": "millisecond", "min": "minute", "h": "hour"}),
    "area": (
        "meter**2",
        {"m^2": "meter**2", "cm^2": "centimeter**2", "mm^2": "millimeter**2", "in^2": "inch**2", "ft^2": "foot**2"},
    ),
    "volume": (
        "meter**3",
        {
            "L": "liter",
            "m3": "meter**3",
            "m^3": "meter**3",
            "ft3": "foot**3",
            "ft^3": "foot**3",
            "in3": "inch**3",
            "in^3": "inch**3",
        },
    ),
    "speed": (
        "meter/second",
        {
            "m/s": "meter/second",
            "cm/s": "centimeter/second",
            "mm/s": "millimeter/second",
            "mm/min": "millimeter/minute",
            "in/s": "inch/second",
            "in/min": "inch/minute",
        },
    ),
    "density": ("kilogram/meter**3", {"kg/m^3": "kilogram/meter**3", "lb/ft^3": "pound/foot**3"}),
    "ratio": ("dimensionless", {"%": "percent"}),
}
"""What each quantity may be written in. "ton" is missing on purpose: it is 8.90, 9.81 or 9.96 kN."""

EXAMPLES = {
    "length": "1.2 m",
    "pressure": "8 bar",
    "force": "56 kN",
    "angle": "12 deg",
    "temperature": "20 degC",
    "current": "12 mA",
    "voltage": "5 V",
    "time": "20 s",
    "area": "28 cm^2",
    "volume": "9 L",
    "speed": "12 mm/s",
    "density": "2400 kg/m^3",
    "ratio": "10 %",
}

_NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?"
_ONE = re.compile(rf"\s*({_NUMBER})\s*([A-Za-z°%][A-Za-z°%/^0-9]*)\s*", re.ASCII)
_TAPE = re.compile(
    r"\s*([+-]?)(?:(\d+)\s*ft\s*)?(?:(\d+(?:\.\d+)?)\s+(\d+)/(\d+)|(\d+)/(\d+)|(\d+(?:\.\d+)?))\s*in\s*", re.ASCII
)
"""Feet and inches, as a tape is read: a number, a fraction, or one after the other."""


class UnitError(ValueError):
    """A quantity that is not one number and one known unit. The message says what is allowed."""


@cache
def _registry() -> UnitRegistry[Any]:
    from pint import UnitRegistry  # 0.2 s of import and 0.3 s of definitions: only when a rig file is read

    return UnitRegistry(non_int_type=Fraction)


@cache
def _factor(quantity: str, unit: str) -> tuple[Fraction, Fraction]:
    """(scale, offset) with SI value = scale * number + offset, both exact."""
    si, spellings = UNITS[quantity]
    registry = _registry()
    zero = Fraction(registry.Quantity(Fraction(0), spellings[unit]).to(si).magnitude)
    one = Fraction(registry.Quantity(Fraction(1), spellings[unit]).to(si).magnitude)
    return one - zero, zero


def allowed(quantity: str) -> str:
    """What a quantity may look like, as the end of a sentence: "a length such as '1.2 m' (m, mm, cm, in, ft)"."""
    units = ", ".join(UNITS[quantity][1])
    article = "an" if quantity[0] in "aeiou" else "a"
    return f"{article} {quantity} such as '{EXAMPLES[quantity]}' ({units}), or a bare number in SI"


def linear(quantity: str, unit: str) -> tuple[float, float]:
    """(scale, offset) that turn a number in `unit` into SI: for readings, once per channel. Raises UnitError."""
    if quantity not in UNITS or unit not in UNITS[quantity][1]:
        raise UnitError(allowed(quantity) if quantity in UNITS else f"one of {', '.join(UNITS)}")
    scale, offset = _factor(quantity, unit)
    return float(scale), float(offset)


def to_si(quantity: str, given: object) -> float:
    """The SI value of `given`: a string with a unit, or a bare number that is SI already. Raises UnitError."""
    if isinstance(given, str):
        exact = _on_a_tape(given) if quantity == "length" else None
        if exact is None:
            match = _ONE.fullmatch(given)
            if match is None or match[2] not in UNITS[quantity][1]:
                raise UnitError(allowed(quantity))
            scale, offset = _factor(quantity, match[2])
            exact = scale * Fraction(match[1]) + offset
        try:
            value = float(exact)
        except OverflowError:
            raise UnitError(allowed(quantity)) from None
    elif isinstance(given, int | float) and not isinstance(given, bool):
        try:
            value = float(given)
        except OverflowError:
            raise UnitError(allowed(quantity)) from None
    else:
        raise UnitError(allowed(quantity))
    if not math.isfinite(value):
        raise UnitError(f"{allowed(quantity)}, and finite")
    return value


_LEAST, _MOST = 1e-12, 1e12
"""No crew's number is smaller or larger in SI, and products of such numbers are not zero or infinite by rounding."""


def within_reason(quantity: str, given: object) -> float:
    """`to_si` for what a person writes down: zero, or of a size that can be reckoned with. Raises UnitError."""
    value = to_si(quantity, given)
    if value != 0.0 and not _LEAST <= abs(value) <= _MOST:
        raise UnitError(f"{allowed(quantity)}, of a size between {_LEAST:g} and {_MOST:g} in SI")
    return value


def _on_a_tape(text: str) -> Fraction | None:
    """ "4 ft 6 1/2 in" or "2 7/16 in" as metres; None if the text is not of that form."""
    match = _TAPE.fullmatch(text)
    if match is None:
        return None
    sign, feet, whole, top, bottom, only_top, only_bottom, alone = match.groups()
    top, bottom = (top, bottom) if top else (only_top, only_bottom)
    if bottom is not None and int(bottom) == 0:
        return None
    inches = Fraction(whole or alone or 0) + (Fraction(int(top), int(bottom)) if top else 0)
    total = int(feet or 0) * _factor("length", "ft")[0] + inches * _factor("length", "in")[0]
    return -total if sign == "-" else total


def _validate(quantity: str, given: object) -> float:
    try:
        return within_reason(quantity, given)
    except UnitError as error:
        raise PydanticCustomError("quantity", "{allowed}", {"allowed": str(error)}) from None


def _read(quantity: str) -> BeforeValidator:
    return BeforeValidator(partial(_validate, quantity))


def _shown(quantity: str) -> WithJsonSchema:
    return WithJsonSchema(
        {
            "anyOf": [{"type": "string"}, {"type": "number"}],
            "description": allowed(quantity),
            "examples": [EXAMPLES[quantity]],
        }
    )


Length = Annotated[float, _read("length"), _shown("length")]
Pressure = Annotated[float, _read("pressure"), _shown("pressure")]
Force = Annotated[float, _read("force"), _shown("force")]
Angle = Annotated[float, _read("angle"), _shown("angle")]
Area = Annotated[float, _read("area"), _shown("area")]
Volume = Annotated[float, _read("volume"), _shown("volume")]
Speed = Annotated[float, _read("speed"), _shown("speed")]
Time = Annotated[float, _read("time"), _shown("time")]
Density = Annotated[float, _read("density"), _shown("density")]
Ratio = Annotated[float, _read("ratio"), _shown("ratio")]
