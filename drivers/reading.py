"""The one type that crosses every wall: a number a sensor gave, and when.

What lives here: the reading, how far it may be believed as *live*, and what a port says of its own wire and of who sends there.
What does not: what the number means (monitor/) and how it arrived (the wire formats beside this file).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

from drivers.quick import quick


class Quality(StrEnum):
    """How a value reached us, and what the device or its loop says of it, in the words of NAMUR NE 107. Whether it is
    *plausible* is judged later, by the engine."""

    GOOD = "good"
    """Sent by the device now."""
    OLD = "old"
    """Handed over from a store (a retained MQTT message, one put aside for us, a buffer nobody emptied), or longer on its way
    than its channel may be silent: true once, not known to be true now."""
    FAILURE = "failure"
    """NE 107 F: no valid value, through a fault in the device or its wire."""
    CHECK = "check"
    """NE 107 C: no valid value for a time, work on the device or a doubt not yet settled."""
    OUT_OF_SPECIFICATION = "out-of-specification"
    """NE 107 S: beyond what the device is made for; likely off."""
    MAINTENANCE = "maintenance"
    """NE 107 M: valid, and the device asks to be looked after."""

    @property
    def valid(self) -> bool:
        """Whether the value is the device's own of now, and may be computed with."""
        return self in _VALID

    @property
    def void(self) -> bool:
        """Whether there is no value at all: what the reading holds is what the wire would mean if it were sound."""
        return self in _VOID


_VALID = (Quality.GOOD, Quality.MAINTENANCE)
_VOID = (Quality.FAILURE, Quality.CHECK)

GRAVITY = (Quality.GOOD, Quality.MAINTENANCE, Quality.OUT_OF_SPECIFICATION, Quality.CHECK, Quality.FAILURE)
"""What may be said of a value of now, from the least to the gravest: the order of colours in NAMUR NE 107, green to red."""


@quick
@dataclass(frozen=True, slots=True)
class Reading:
    """One value of one channel.

    `value` is SI (m, Pa gauge, N, rad, s, K, A, V), always finite. `time_ns` is the monotonic time at which the
    bytes were taken from the wire, in ns since the session began; `device_time_ns` is what the device's own
    clock said (ns since 1970), or None. `sequence` counts the readings of the channel, from 0.
    """

    channel: str
    sequence: int
    time_ns: int
    device_time_ns: int | None
    value: float
    quality: Quality = Quality.GOOD


CONNECTED = "connected"
"""What a port says of a wire that is up and well."""


@dataclass(frozen=True, slots=True)
class LinkState:
    """A port says that its wire is up or down. `text` is one clear sentence for a person: why it is down, or what is wrong
    with it while it is up (CONNECTED where nothing is)."""

    port: str
    up: bool
    time_ns: int
    text: str


@dataclass(frozen=True, slots=True)
class NodeState:
    """The sender of one channel was told to be gone (its Last Will), or is back. `text` says how that is known."""

    channel: str
    here: bool
    time_ns: int
    text: str


Sink = Callable[[Reading | LinkState | NodeState], None]
"""Where a port puts what it has: must not block and must be safe to call from any thread."""

Clock = Callable[[], int]
"""Monotonic nanoseconds since the session began."""
