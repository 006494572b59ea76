"""What the operator's monitor says to the network: rig, presence, pictures, alarms; and the STOP it takes from there.

The engine's thread leaves its newest picture in a slot and goes on; a thread of the announcer's own encodes and sends. A broker
that is slow, stands still or is gone is seen there and nowhere else: while bytes wait for the wire no picture is added to them.
"""

from __future__ import annotations

import time
import uuid
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from paho.mqtt import client as mqtt
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from drivers.broker import BrokerClient
from drivers.kinds.mqtt import Broker
from drivers.reading import LinkState
from monitor import encode
from monitor.engine.picture import Picture, Transition
from monitor.link import wire

EVERY_NS = 100_000_000
"""Ten pictures a second, whether there is a new one or not: who follows tells by it an engine that stands from a silent network."""
_PRESENCE_NS = 5_000_000_000
"""So often it is said again that the monitor is there: a Last Will of a connection that was lost may come late."""
_RIVAL_NS = 5_000_000_000
"""For so long another monitor that announced the same rig counts as there."""
_MOST_QUEUED = 50
"""So many messages of QoS 1 wait for a broker at most."""
_STOPS, _STOP_EVERY_NS = 8.0, 100_000_000
"""While STOP stands, so many calls of it are handed on at once, and then one so often: they change nothing but the name, and a
flood of them must not keep the engine busy."""
_HELLO, _HELLO_NS = "hello", 2_000_000_000
"""What two monitors of one rig go on saying to each other, and how often."""


@dataclass(frozen=True, slots=True)
class _Slot:
    """The engine's newest picture, how many there have been, how many changes of alarms, and the newest of these."""

    beat: int
    picture: Picture
    changed: int
    changes: tuple[tuple[int, Transition], ...]


@dataclass(frozen=True, slots=True)
class Watched:
    """What is announced: the rig's name, its file's text as recordings keep it, when the session began (s since 1970)."""

    rig: str
    document: str
    software: str
    began: float
    recording: str


class Announcer(BrokerClient):
    """Publishes a session's pictures. `take` is for the engine's thread; `stop_called(by, reason)` hands a STOP to the session
    and gives the time of that action (ns); `said(text)` is told what is wrong with the link whenever that changes, "" for nothing.
    `clock`: the session's own, in ns."""

    def __init__(
        self,
        config: Broker,
        watched: Watched,
        clock: Callable[[], int],
        stop_called: Callable[[str, str], int],
        said: Callable[[str], None] = lambda _: None,
    ) -> None:
        self.session = uuid.uuid4().hex[:16]
        super().__init__("link", config, self._link_state, clock)
        self._watched, self._stop_called, self._tell = watched, stop_called, said
        self._slot: _Slot | None = None
        self._links = 0
        self._due_ns = self._presence_due_ns = self._hello_ns = 0
        self._changes_sent = -1
        self._alarms_on_their_way: mqtt.MQTTMessageInfo | None = None
        self._stop_sent: str | None = None
        self._waiting: dict[str, int] = {}
        """Calls handed to the session and not answered by a picture yet: id, and the time of the action."""
        self._calls: deque[str] = deque(maxlen=wire.CALLS)
        self._stops = _STOPS
        self._stop_ns = self._counted_ns = 0
        self._rival_ns: int | None = None
        self._down = self._forbidden = ""
        self._told = ""
        self.odd = ""
        """What was wrong with the last message that was; empty: none was."""

    def take(self, picture: Picture) -> None:
        """The engine's newest picture. Returns at once, whatever the network does."""
        before = self._slot or _Slot(0, picture, 0, ())
        changes = before.changes
        if picture.transitions:
            numbered = enumerate(picture.transitions, before.changed + 1)
            changes = (*changes, *numbered)[-wire.CHANGES :]
        self._slot = _Slot(before.beat + 1, picture, before.changed + len(picture.transitions), changes)
        if picture.transitions or picture.stop_called != before.picture.stop_called or self._waiting:
            self.wake()

    @property
    def trouble(self) -> str:
        """What is wrong with the link, in one sentence; "" for nothing."""
        if self._down:
            return f"nobody can follow: {self._down}"
        if self._forbidden:
            who = self._config.user or "nobody"
            return f"nobody can follow: the broker does not let '{who}' announce a rig ({self._forbidden})"
        if self._rivalled:
            return f"another monitor announces '{self._watched.rig}' too: end one, or give one rig another name"
        return ""

    @property
    def _rivalled(self) -> bool:
        return self._rival_ns is not None and self.clock() - self._rival_ns < _RIVAL_NS

    # What follows runs in the connection's thread.

    def _link_state(self, it: Any) -> None:
        assert isinstance(it, LinkState), "an announcer reads no sensors"
        self._down = "" if it.up else it.text
        self._tell_trouble()

    def _tell_trouble(self) -> None:
        if (text := self.trouble) != self._told:
            self._told = text
            self._tell(text)

    def prepare(self, client: mqtt.Client) -> None:
        """The Last Will; and hear what the broker says of what we publish."""
        client.on_publish = self._on_publish
        client.will_set(self._topic("presence"), self._presence("lost"), 1, retain=True)
        client.max_queued_messages_set(_MOST_QUEUED)

    def joined(self, client: mqtt.Client, _flags: mqtt.ConnectFlags, _said: Properties | None) -> None:
        """Say all there is, and listen for calls."""
        self._links += 1
        self._forbidden = ""
        self._say_all(client)
        self._say_hello(client)
        self.asked_for(client.subscribe(self._topic("call"), 1)[1], [self._topic("call")])

    def _say_all(self, client: mqtt.Client) -> None:
        """What the broker keeps for whoever comes late, anew."""
        it = self._watched
        self._publish(
            client,
            "rig",
            {
                "session": self.session,
                "rig": it.rig,
                "document": it.document,
                "software": it.software,
                "began": it.began,
                "recording": it.recording,
            },
            retain=True,
        )
        self._alarms_on_their_way, self._changes_sent = None, -1
        self._due_ns = self._presence_due_ns = 0

    def leave(self, client: mqtt.Client) -> None:
        """The good-bye: ended in order is another thing than lost."""
        client.publish(self._topic("presence"), self._presence("ended"), 1, retain=True)
        until = time.monotonic() + 0.3
        while client.want_write() and time.monotonic() < until and client.loop(0.02) == mqtt.MQTT_ERR_SUCCESS:
            pass

    def work(self, client: mqtt.Client) -> float:
        """Send what is due: alarms and STOP as soon as they change, else a picture a tenth of a second."""
        self._tell_trouble()
        slot, now_ns = self._slot, self.clock()
        if client.want_write() or slot is None:
            return EVERY_NS * 1e-9  # the wire is full, and tells when it is not; a newer picture goes then
        self._mind_presence(client, now_ns)
        confirmed = self._confirmed(slot.picture)
        urgent = slot.changed != self._changes_sent or slot.picture.stop_called != self._stop_sent or confirmed
        if urgent or now_ns >= self._due_ns:
            self._due_ns = now_ns + EVERY_NS if urgent else max(self._due_ns + EVERY_NS, now_ns + EVERY_NS // 2)
            self._send_picture(client, slot)
        if slot.changed != self._changes_sent and not _on_its_way(self._alarms_on_their_way):
            self._send_alarms(client, slot)
        if slot.picture.stop_called is None and self._stop_sent is not None:
            self._publish(client, "call", self._said_by_us("clear-stop"))
        self._stop_sent = slot.picture.stop_called
        return max(0.0, (self._due_ns - self.clock()) * 1e-9)

    def _mind_presence(self, client: mqtt.Client, now_ns: int) -> None:
        if now_ns >= self._presence_due_ns:
            self._presence_due_ns = now_ns + _PRESENCE_NS
            client.publish(self._topic("presence"), self._presence("here"), 1, retain=True)
        if self._rivalled and now_ns >= self._hello_ns + _HELLO_NS:
            self._say_hello(client)
        if self._rival_ns is not None and not self._rivalled:
            self._rival_ns = None
            self._say_all(client)  # what the broker keeps is the other's

    def _confirmed(self, picture: Picture) -> bool:
        """Whether calls were answered: STOP stands, and the engine has taken that action or a later one."""
        if picture.stop_called is None or picture.answer is None:
            return False
        answered_ns = picture.answer.time_ns
        done = [it for it, time_ns in self._waiting.items() if answered_ns >= time_ns]
        for it in done:
            del self._waiting[it]
            self._calls.append(it)
        return bool(done)

    def _send_picture(self, client: mqtt.Client, slot: _Slot) -> None:
        said = {
            "session": self.session,
            "link": self._links,
            "beat": slot.beat,
            "sent": encode.seconds(self.clock()),
            "calls": list(self._calls),
        }
        client.publish(self._topic("picture"), wire.encode(said | encode.picture(slot.picture)), 0)

    def _send_alarms(self, client: mqtt.Client, slot: _Slot) -> None:
        standing = [encode.standing(it) for it in slot.picture.alarms]
        changes = [encode.standing(it.alarm) | {"n": n, "t": encode.seconds(it.time_ns)} for n, it in slot.changes]
        said = {"session": self.session, "standing": standing, "changes": changes}
        self._alarms_on_their_way = self._publish(client, "alarms", said, retain=True)
        self._changes_sent = slot.changed

    def _on_publish(self, _client: Any, _data: Any, _packet: int, reason: ReasonCode, _p: Any) -> None:
        if reason.is_failure:
            self._forbidden = str(reason).lower()

    def took(self, message: mqtt.MQTTMessage) -> None:
        """A call. STOP is the one thing that is taken from the network; what was kept by the broker is of another time."""
        if message.retain:
            self._strange("old", "found a call that the broker had kept; a call is of now")
            return
        try:
            call = wire.read_call(bytes(message.payload))
        except wire.BadMessage as error:
            self._strange("malformed", str(error))
            return
        if isinstance(call, wire.Call):
            if call.odd:
                self._strange("mislabelled", call.odd)
            self._take_stop(call)
        elif call.session == self.session:
            pass  # our own, as the broker hands it to all
        elif call.do == _HELLO:
            self._rival_ns = self.clock()
        else:
            self._strange("other", f"refused '{call.do}' by {call.by or 'nobody'}: over the network only STOP is taken")

    def _take_stop(self, call: wire.Call) -> None:
        self.counts["good"] += 1
        if call.id and (call.id in self._waiting or call.id in self._calls):
            return  # the broker has handed it over twice, or the caller was not sure
        now_ns, slot = self.clock(), self._slot
        self._stops = min(_STOPS, self._stops + (now_ns - self._counted_ns) / _STOP_EVERY_NS)
        self._counted_ns = now_ns
        stands = slot is not None and slot.picture.stop_called is not None
        if self._stops >= 1.0 or not stands:
            self._stops = max(0.0, self._stops - 1.0)
            self._stop_ns = self._stop_called(call.by, call.reason)
        if call.id:
            self._waiting[call.id] = self._stop_ns
        while len(self._waiting) > wire.CHANGES:
            del self._waiting[next(iter(self._waiting))]

    def _say_hello(self, client: mqtt.Client) -> None:
        self._hello_ns = self.clock()
        self._publish(client, "call", self._said_by_us(_HELLO))

    def _strange(self, what: str, text: str) -> None:
        self.counts[what] += 1
        self.odd = wire.legible(text)

    def _said_by_us(self, do: str) -> Mapping[str, Any]:
        return {"do": do, "by": "operator", "id": uuid.uuid4().hex[:12], "session": self.session}

    def _presence(self, why: str) -> bytes:
        return wire.encode({"session": self.session, "here": why == "here", "why": why})

    def _topic(self, leaf: str) -> str:
        return wire.topic(self._watched.rig, leaf)

    def _publish(
        self, client: mqtt.Client, leaf: str, message: Mapping[str, Any], *, retain: bool = False
    ) -> mqtt.MQTTMessageInfo:
        return client.publish(self._topic(leaf), wire.encode(message), 1, retain=retain)


def _on_its_way(it: mqtt.MQTTMessageInfo | None) -> bool:
    """Whether a message waits for the broker's answer still; one that never went out does not."""
    try:
        return it is not None and not it.is_published()
    except (ValueError, RuntimeError):
        return False
