"""Which rigs there are at a broker, and how each of them stands: for whoever did not say which, and for whoever watches all."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import Any

from paho.mqtt import client as mqtt
from paho.mqtt.properties import Properties

from drivers.broker import BrokerClient
from drivers.kinds.mqtt import Broker
from drivers.reading import LinkState
from monitor.engine.picture import Picture, Priority
from monitor.link import wire
from monitor.link.watching import SILENT_S, Watching

MOST = 100
"""So many rigs are told apart at one broker; a wire that babbles must not fill the memory."""
Row = tuple[str, Picture | None, str]
"""A rig's name, its newest picture, why that cannot be trusted."""


class Rigs(BrokerClient):
    """Every rig at a broker. `leaves`: the kinds of message that are asked for; pictures are not, where only names are wanted."""

    def __init__(
        self,
        config: Broker,
        clock: Callable[[], int] = time.monotonic_ns,
        leaves: tuple[str, ...] = ("presence", "picture"),
    ) -> None:
        super().__init__("link", config, self._link_state, clock)
        self._leaves = leaves
        self._lock = threading.Lock()
        self._rigs: dict[str, Watching] = {}
        self._down_since_s: float | None = self._now_s()
        self._down = ""
        self.asked = threading.Event()
        """Set once the broker has been asked, and its answer is on its way."""

    def names(self) -> list[str]:
        """Every rig that was ever announced here and whose monitor did not end; where there is none, those that did."""
        with self._lock:
            live = sorted(name for name, it in self._rigs.items() if it.live)
            return live or sorted(self._rigs)

    def rows(self) -> list[Row]:
        """Every rig, the worst first: what cannot be seen, then STOP, then the gravest alarm."""
        now_s, down_s = self._now_s(), self._down_since_s
        lost = down_s is not None and now_s - down_s > SILENT_S
        unlinked = f"SILENT: no link to the broker, {self._down or 'not connected yet'}"
        with self._lock:
            rows = [(name, it.picture, unlinked if lost else it.trouble(now_s)) for name, it in self._rigs.items()]
        return sorted(rows, key=_badness)

    @property
    def down(self) -> str:
        """Why there is no link to the broker, "" while there is one."""
        return self._down if self._down_since_s is not None else ""

    def _now_s(self) -> float:
        return self.clock() * 1e-9

    # What follows runs in the connection's thread.

    def _link_state(self, it: Any) -> None:
        assert isinstance(it, LinkState), "no sensors are read here"
        self._down, self._down_since_s = it.text, None if it.up else self._now_s()
        if it.up:
            self.asked.set()

    def joined(self, client: mqtt.Client, _flags: mqtt.ConnectFlags, _said: Properties | None) -> None:
        """Ask for those topics of every rig."""
        with self._lock:
            for it in self._rigs.values():
                it.anew()
        topics = [f"{wire.ROOT}/+/{leaf}" for leaf in self._leaves]
        self.asked_for(client.subscribe([(it, 1) for it in topics])[1], topics)

    def took(self, message: mqtt.MQTTMessage) -> None:
        """A message of any rig's."""
        known = wire.rig_of(message.topic)
        if known is None:
            return
        name, leaf = known
        with self._lock:
            if name not in self._rigs and len(self._rigs) >= MOST:
                self.counts["unknown_id"] += 1
                return
            it = self._rigs.setdefault(name, Watching(name))
            it.take(leaf, bytes(message.payload), self._now_s(), kept=bool(message.retain))
            if not it.session:
                del self._rigs[name]  # nothing of it was a message yet


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
