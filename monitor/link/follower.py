"""A second screen's end of the link: connections that follow one rig at a broker, or all of them."""

from __future__ import annotations

import time
from abc import abstractmethod
from collections.abc import Callable
from typing import Any

from paho.mqtt import client as mqtt
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from drivers.broker import BrokerClient
from drivers.kinds.mqtt import Broker
from drivers.reading import LinkState
from monitor.link import wire
from monitor.link.followed import Followed, Link, OnlyStop, Stop

__all__ = ["Follower", "Following", "OnlyStop"]


class Following(BrokerClient):
    """A connection that hands messages to rigs and says their STOP."""

    def __init__(self, config: Broker, clock: Callable[[], int]) -> None:
        super().__init__("link", config, self._link_state, clock)
        self.link = Link(self.now_s())
        self._said_as: dict[int, Stop] = {}
        """The packets in which STOPs were said."""

    def now_s(self) -> float:
        """The clock, in s."""
        return self.clock() * 1e-9

    @abstractmethod
    def rigs(self) -> list[Followed]:
        """The rigs that are followed."""

    @abstractmethod
    def topics(self) -> list[str]:
        """The topics that are asked for."""

    @abstractmethod
    def rig_called(self, name: str) -> Followed | None:
        """The rig that a message is for; None where it is for none."""

    # What follows runs in the connection's thread.

    def _link_state(self, it: Any) -> None:
        assert isinstance(it, LinkState), "no sensors are read here"
        self.link.why, self.link.down_since_s = it.text, None if it.up else self.now_s()

    def prepare(self, client: mqtt.Client) -> None:
        """Hear what the broker says of a STOP."""
        client.on_publish = self._on_publish

    def joined(self, client: mqtt.Client, _flags: mqtt.ConnectFlags, _said: Properties | None) -> None:
        """Ask for the topics."""
        self.link.count += 1
        for it in self.rigs():
            it.anew()
        topics = self.topics()
        self.asked_for(client.subscribe([(it, 1) for it in topics])[1], topics)

    def took(self, message: mqtt.MQTTMessage) -> None:
        """A message of a rig's."""
        known = wire.rig_of(message.topic)
        rig = self.rig_called(known[0]) if known is not None else None
        if known is not None and rig is not None:
            rig.heard_of(known[1], bytes(message.payload), kept=bool(message.retain))

    def work(self, client: mqtt.Client) -> float:
        """Say each STOP that was called."""
        for rig in self.rigs():
            if (said := rig.to_say()) is not None:
                stop, payload = said
                self._said_as[client.publish(wire.topic(rig.name, "call"), payload, 1).mid] = stop
        return 1.0

    def _on_publish(self, _client: Any, _data: Any, packet: int, reason: ReasonCode, _p: Any) -> None:
        stop = self._said_as.pop(packet, None)
        if stop is not None and reason.is_failure:
            stop.refused = str(reason).lower()


class Follower(Followed, Following):
    """Follows one rig at a broker. A feed for a screen; `start` it, `stop` it.

    `who`: the name that a STOP called here bears. `clock`: ns, of a clock that never goes back.
    """

    def __init__(self, config: Broker, rig: str, who: str = "", clock: Callable[[], int] = time.monotonic_ns) -> None:
        Following.__init__(self, config, clock)
        Followed.__init__(self, rig, config, who, self.now_s, self.link, self.wake, self.counts)

    def rigs(self) -> list[Followed]:
        """The one."""
        return [self]

    def topics(self) -> list[str]:
        """All of its own."""
        return [wire.topic(self.name, leaf) for leaf in wire.LEAVES]

    def rig_called(self, name: str) -> Followed | None:
        """Itself."""
        return self if name == self.name else None
