"""Lets a command see the readings of its session, as they are before anything corrects them, while they are kept."""

from __future__ import annotations

from collections.abc import Callable

from drivers.reading import Reading
from monitor.engine.picture import Transition
from monitor.live.session import Keeper
from replay.entries import Entry


class Witness:
    """Keeps a session's entries where they are to be kept, and calls `seen` with every reading, on the engine's thread."""

    def __init__(self, inner: Keeper | None, seen: Callable[[Reading], None]) -> None:
        self._inner, self._seen = inner, seen

    def write(self, entry: Entry) -> None:
        """Keep one entry."""
        if self._inner is not None:
            self._inner.write(entry)
        if isinstance(entry, Reading):
            self._seen(entry)

    def alarm(self, it: Transition) -> None:
        """Keep one alarm transition."""
        if self._inner is not None:
            self._inner.alarm(it)

    def close(self) -> None:
        """Finish."""
        if self._inner is not None:
            self._inner.close()
