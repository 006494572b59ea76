"""When a recording began by the wall clock, as its header says it: whatever anybody wrote there."""

from __future__ import annotations

from datetime import UTC, datetime


def began(started: str) -> datetime | None:
    """The moment that a header's `started` says, in UTC where it names no zone; None where it says none that can be read."""
    try:
        when = datetime.fromisoformat(started)
    except ValueError:
        return None
    return when if when.tzinfo is not None else when.replace(tzinfo=UTC)
