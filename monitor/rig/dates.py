"""Days as a rig file says them: a date, or a date and time with its zone, and how many days something holds."""

from __future__ import annotations

import re
from datetime import date, datetime
from typing import Annotated

from pydantic import PlainValidator, WithJsonSchema
from pydantic_core import PydanticCustomError

DAY = "a date such as '2026-05-01', or one with its time and zone such as '2026-05-01T09:30:00+02:00'"
DAYS = "a whole number of days above zero, such as '365 days'"
_DAYS = re.compile(r"\s*([0-9]{1,5})\s*(?:d|days?)\s*", re.ASCII)
_DATE = re.compile(r"\d{4}-\d{2}-\d{2}(?:[T ].+)?", re.ASCII)


def day(given: object) -> date:
    """A date, or a moment that has its zone. Raises ValueError."""
    if isinstance(given, str):
        if not _DATE.fullmatch(given):
            raise ValueError(DAY)
        given = date.fromisoformat(given) if len(given) == 10 else datetime.fromisoformat(given)
    if not isinstance(given, date) or (isinstance(given, datetime) and given.tzinfo is None):
        raise ValueError(DAY)
    if not 1970 < given.year < 9000:
        raise ValueError(DAY)
    return given


def days(given: object) -> int:
    """How many days. Raises ValueError."""
    match = _DAYS.fullmatch(given) if isinstance(given, str) else None
    if match is None or int(match[1]) == 0:
        raise ValueError(DAYS)
    return int(match[1])


def _day(given: object) -> date:
    try:
        return day(given)
    except ValueError:
        raise PydanticCustomError("date", "{allowed}", {"allowed": DAY}) from None


def _days(given: object) -> int:
    try:
        return days(given)
    except ValueError:
        raise PydanticCustomError("days", "{allowed}", {"allowed": DAYS}) from None


Day = Annotated[date, PlainValidator(_day), WithJsonSchema({"type": "string", "description": DAY})]
Days = Annotated[int, PlainValidator(_days), WithJsonSchema({"type": "string", "description": DAYS})]
