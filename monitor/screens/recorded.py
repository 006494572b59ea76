"""What an instructor's screen is fed from: a recording that can be walked through. Every call returns at once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Protocol

from monitor.engine.picture import Picture
from monitor.rig.schema import Rig


class Mark(Protocol):
    """One thing that happened: from picture `number` on, at `time_ns`. `kind`: "alarm", "step", "action", "notice" or "note";
    `word`: an alarm's priority, a step's number, what a person did; else ""."""

    @property
    def number(self) -> int: ...
    @property
    def time_ns(self) -> int: ...
    @property
    def kind(self) -> str: ...
    @property
    def text(self) -> str: ...
    @property
    def word(self) -> str: ...


class Other(Protocol):
    """A run under other limits: which (SI), the alarms that rose, and up to where it has come (ns)."""

    @property
    def limits(self) -> Mapping[str, float]: ...
    @property
    def marks(self) -> Sequence[Mark]: ...
    @property
    def known_ns(self) -> int: ...
    @property
    def whole(self) -> bool: ...


class Recorded(Protocol):
    """One recorded session. `number` counts its pictures from 0; times are ns since it began."""

    @property
    def name(self) -> str:
        """What the recording is called."""

    @property
    def started(self) -> datetime | None:
        """Wall clock of its beginning; None where it does not say."""

    @property
    def rig(self) -> Rig:
        """The rig that was watched."""

    @property
    def times(self) -> Sequence[int]:
        """When each picture was made, as far as the recording has been gone through."""

    @property
    def rises(self) -> Mapping[str, Sequence[float]]:
        """The rise (m) at each stack's head, by picture, nan where it was not known."""

    @property
    def end_ns(self) -> int:
        """When the session ends."""

    @property
    def whole(self) -> bool:
        """Whether the recording has been gone through."""

    @property
    def share(self) -> float:
        """How much of it has been gone through, 0 to 1."""

    @property
    def faults(self) -> Sequence[str]:
        """What is wrong with its files, a sentence each."""

    @property
    def trouble(self) -> str:
        """Why no picture can be made any more, in a sentence; "" while they can."""

    @property
    def marks(self) -> Sequence[Mark]:
        """All that happened, in order of time."""

    def looked_back(self, number: int) -> tuple[float | None, float | None, float | None]:
        """Rise (m) and tilts along x and y (rad) of a picture in hindsight; None what is not known."""

    def number_at(self, time_ns: int) -> int:
        """The newest picture that is no later than a time."""

    def latest(self) -> tuple[int, Picture] | None:
        """The newest picture that was made, and its number; None until there is one."""

    def go(self, number: int, *, through: bool = False) -> None:
        """Want a picture; with `through` all on the way to it are shown, as fast as they can be made."""

    def note(self, time_ns: int, text: str) -> str:
        """Keep a note beside the recording; "" or, in a sentence, why it could not be kept."""

    def report(self) -> None:
        """Write the report of the recording, in the background."""

    @property
    def reported(self) -> str:
        """How far that is, how it ended, or why there is none; "" while nobody wanted one."""

    @property
    def other(self) -> Other | None:
        """The run under other limits, while there is one."""

    def what_if(self, limits: Mapping[str, float]) -> None:
        """Run it again under other limits (SI, by their names in the rig file), in the background; {} gives that up."""
