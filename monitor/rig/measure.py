"""A value whose quantity its own unit tells, for tables that name a channel instead of a quantity.

Whether the quantity is the channel's is checked in calibrated.py, where both are known.
"""

from __future__ import annotations

from typing import Annotated, NamedTuple, get_args

from pydantic import PlainValidator, WithJsonSchema
from pydantic_core import PydanticCustomError

from drivers.tables import Quantity
from drivers.units import UnitError, to_si

_ALLOWED = "a value with the unit of its channel, such as '2.5 bar' or '12 mm', or a bare number in SI"
_DIFFERENCE = "at least 0, with the unit of its channel, such as '2 mbar' (of a temperature in K, such as '0.1 K')"


class Measure(NamedTuple):
    """`si` in the SI unit of `quantity`, which is None where a bare number was given."""

    quantity: str | None
    si: float


def measured(given: object) -> Measure:
    """A text with a unit, or a bare number in SI. Raises UnitError."""
    if isinstance(given, Measure):
        return given
    for quantity in get_args(Quantity):
        try:
            return Measure(quantity if isinstance(given, str) else None, to_si(quantity, given))
        except UnitError:
            continue
    raise UnitError(_ALLOWED)


def difference(given: object) -> Measure:
    """The same for one standard deviation: not negative, and of temperatures in kelvin, which has no other zero."""
    it = measured(given)
    other_zero = it.quantity == "temperature" and isinstance(given, str) and not given.rstrip().endswith("K")
    if it.si < 0.0 or other_zero:
        raise UnitError(_DIFFERENCE)
    return it


def _told(given: object) -> Measure:
    try:
        return measured(given)
    except UnitError as error:
        raise PydanticCustomError("quantity", "{allowed}", {"allowed": str(error)}) from None


def _told_difference(given: object) -> Measure:
    try:
        return difference(given)
    except UnitError:
        raise PydanticCustomError("quantity", "{allowed}", {"allowed": _DIFFERENCE}) from None


def _shown(description: str) -> WithJsonSchema:
    return WithJsonSchema({"anyOf": [{"type": "string"}, {"type": "number"}], "description": description})


Measured = Annotated[Measure, PlainValidator(_told), _shown(_ALLOWED)]
Difference = Annotated[Measure, PlainValidator(_told_difference), _shown(_DIFFERENCE)]
