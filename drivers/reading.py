"""The one type that crosses every wall: a number a sensor gave, and when.

What lives here: the reading, how far it may be believed as *live*, and the word a port says about its own wire.
What does not: what the number means (monitor/) and how it arrived (the wire formats beside this file).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum


class Quality(StrEnum):
    """How a value reached us. Whether it is *plausible* is judged later, by the engine."""

    GOOD = "good"
    """Sent by the device now."""
    OLD = "old"
    """Handed over from a store (a retained MQTT message, a buffer nobody emptied): true once, not known to be true now."""


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


Sink = Callable[[Reading | LinkState], None]
"""Where a port puts what it has: must not block and must be safe to call from any thread."""

Clock = Callable[[], int]
"""Monotonic nanoseconds since the session began."""
