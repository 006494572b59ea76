"""What a live screen is fed from: finished pictures out, actions in. A session is one; so is anything in a test."""

from __future__ import annotations

from typing import Protocol

from monitor.engine.picture import Picture
from monitor.rig.schema import Rig
from replay.entries import Detail


class Feed(Protocol):
    """The screen's only door to the rest of the program. Every call returns at once."""

    @property
    def rig(self) -> Rig:
        """The rig being watched."""

    @property
    def recording(self) -> str:
        """Where the session is kept, or that it is not, for the status line."""

    def latest(self) -> Picture | None:
        """The newest finished picture; None until there is one."""

    def send(self, do: str, /, **details: Detail) -> None:
        """An action of the operator."""


def told_by(feed: object, what: str) -> str:
    """What a feed says of itself beyond the door above; "" of one that has no such thing to say.

    `trouble`: one sentence why its pictures cannot be trusted now. `call_state`: what became of the last STOP called here.
    """
    said = getattr(feed, what, "")
    return said if isinstance(said, str) else ""
