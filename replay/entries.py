"""What a journal holds besides readings: what people did, how time went, what the world outside said.

An entry is an *input* of the engine. The engine is a function of the entries, in order, and of nothing else, so
everything that can change a picture has to be one of the four types below.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from drivers.reading import Reading

Detail = str | float | int | bool | None


@dataclass(frozen=True, slots=True)
class Action:
    """A person (or the hand that stands in for one without a screen) did something.

    `do` is the verb (`zero`, `next`, `acknowledge` ...); `details` are its words, already SI (`height_m`, `for_s`).
    `by` says who: "operator", "automatic", or a name.
    """

    time_ns: int
    do: str
    details: Mapping[str, Detail] = field(default_factory=dict)
    by: str = "operator"


@dataclass(frozen=True, slots=True)
class Tick:
    """The clock was looked at. Without ticks in the journal, silence could not be replayed."""

    time_ns: int


@dataclass(frozen=True, slots=True)
class Notice:
    """The world outside changed: a link was lost or came back, the sender of a channel said that it is gone or back, the
    recorder cannot write, the queue grew too long.

    `kind` is "link", "node", "calibration", "recorder", "unrecorded" (it got so bad that
    nothing is kept anywhere) or "behind-time"; `about` names the port, the channel, or is empty;
    `active` is True while the trouble lasts. `late` marks one that could not be written when it happened and was
    written afterwards.
    """

    time_ns: int
    kind: str
    about: str
    active: bool
    text: str
    late: bool = False


Entry = Reading | Action | Tick | Notice
