"""Which rigs there are at a broker, and how each of them stands: for whoever did not say which, and for whoever watches all."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import Any

from drivers.kinds.mqtt import Broker
from monitor.engine.picture import Picture, Priority
from monitor.link import wire
from monitor.link.followed import Followed
from monitor.link.follower import Following
from replay.entries import Detail

MOST = 100
"""So many rigs are told apart at one broker; a wire that babbles must not fill the memory."""
Row = tuple[str, Picture | None, str]
"""A rig's name, its newest picture, why that cannot be trusted."""


class Rigs(Following):
    """Every rig at a broker. `leaves`: the kinds of message that are asked for; pictures are not, where only names are wanted."""

    def __init__(
        self,
        config: Broker,
        clock: Callable[[], int] = time.monotonic_ns,
        leaves: tuple[str, ...] = wire.LEAVES,
        who: str = "",
    ) -> None:
        super().__init__(config, clock)
        self._broker, self._leaves, self._who_calls = config, leaves, who
        self._lock = threading.Lock()
        self._rigs: dict[str, Followed] = {}
        self.asked = threading.Event()
        """Set once the broker has been asked, and its answer is on its way."""

    def names(self) -> list[str]:
        """Every rig that was ever announced here and whose monitor did not end; where there is none, those that did."""
        rigs = self.rigs()
        return sorted(it.name for it in rigs if it.live) or sorted(it.name for it in rigs)

    def rows(self) -> list[Row]:
        """Every rig, the worst first: what cannot be seen, then STOP, then the gravest alarm."""
        return sorted(((it.name, it.picture, it.trouble) for it in self.rigs()), key=_badness)

    def feed(self, name: str) -> Followed | None:
        """A rig's own feed; None until what the rig is has been heard."""
        with self._lock:
            it = self._rigs.get(name)
        return it if it is not None and it.ready else None

    def send(self, name: str, do: str, /, **details: Detail) -> None:
        """Call STOP on a rig that was heard of. Raises OnlyStop for anything else."""
        with self._lock:
            it = self._rigs.get(name)
        if it is not None:
            it.send(do, **details)

    @property
    def down(self) -> str:
        """Why there is no link to the broker, "" while there is one."""
        return self.link.why if self.link.down_since_s is not None else ""

    def rigs(self) -> list[Followed]:
        """Those that anything was heard of."""
        with self._lock:
            return [it for it in self._rigs.values() if it.session]

    def topics(self) -> list[str]:
        """Those of every rig."""
        return [f"{wire.ROOT}/+/{leaf}" for leaf in self._leaves]

    # What follows runs in the connection's thread.

    def _link_state(self, it: Any) -> None:
        super()._link_state(it)
        if it.up:
            self.asked.set()

    def rig_called(self, name: str) -> Followed | None:
        """The rig of this name, from now on if it is a new one; none beyond so many."""
        with self._lock:
            if name not in self._rigs:
                silent = [it.name for it in self._rigs.values() if not it.session]
                for other in silent[: max(0, len(self._rigs) + 1 - MOST)]:
                    del self._rigs[other]  # nothing of it was a message
                if len(self._rigs) >= MOST:
                    self.counts["unknown_id"] += 1
                    return None
                self._rigs[name] = Followed(
                    name, self._broker, self._who_calls, self.now_s, self.link, self.wake, self.counts
                )
            return self._rigs[name]


def worst(picture: Picture) -> Priority | None:
    """The gravest priority among the alarms that are active; None where none is."""
    return max((it.priority for it in picture.alarms if it.active), default=None)


def _badness(row: Row) -> tuple[bool, bool, int, int, str]:
    name, picture, trouble = row
    if picture is None:
        return (False, False, 0, 0, name)
    active = [it.priority for it in picture.alarms if it.active]
    gravest = max(active, default=0)
    return (not trouble, picture.stop_called is None, -gravest, -active.count(gravest), name)  # type: ignore[arg-type]
