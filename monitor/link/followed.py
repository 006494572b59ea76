"""One rig as it is followed: a feed for a screen, made of the messages that a connection hands on, and the STOP it is to say.

It needs no rig file: the rig's document comes with the pictures. It reads, and may call STOP; nothing else can be said.
"""

from __future__ import annotations

import threading
import uuid
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass

from drivers.kinds.mqtt import Broker
from monitor.engine.picture import Picture, Transition
from monitor.link import wire
from monitor.link.watching import CONFIRM_S, SILENT_S, Watching
from monitor.rig.load import RigFaults, kept_rig
from monitor.rig.schema import Rig
from replay.entries import Detail

_AGAIN_S = 10.0
"""For so long a STOP that could not be said is said again as soon as the broker is back; a later one would come out of the blue."""
_SHOWN_S = 60.0
"""For so long it is shown what became of a STOP."""


class OnlyStop(ValueError):
    """Something else than STOP was to be said over the network."""


@dataclass(slots=True)
class Stop:
    """A STOP called here."""

    id: str
    reason: str
    called_s: float
    link: int = -1
    """The connection on which it was said last."""
    refused: str = ""
    confirmed: bool = False


class Link:
    """How a connection stands: since when it is down (s, None while it is up), why, and how many there were."""

    def __init__(self, now_s: float) -> None:
        self.down_since_s: float | None = now_s
        self.why = ""
        self.count = 0

    def trouble(self, now_s: float) -> str:
        """What it means for the pictures, once it lasts; "" while it is up."""
        if self.down_since_s is None or now_s - self.down_since_s <= SILENT_S:
            return ""
        return f"SILENT: no link to the broker, {self.why or 'not connected yet'}"


class Followed:
    """A feed of one rig. Safe to ask from any thread.

    `who`: the name that a STOP called here bears. `now_s`: a clock that never goes back; staleness is judged by when messages
    come, never by what the far clock says. `wake`: have the connection ask `to_say`.
    """

    def __init__(
        self,
        rig: str,
        config: Broker,
        who: str,
        now_s: Callable[[], float],
        link: Link,
        wake: Callable[[], None],
        counts: Counter[str],
    ) -> None:
        self.name, self.who = rig, who or config.user or "safety officer"
        self._broker, self._now_s, self._link, self._wake_link = config, now_s, link, wake
        self._lock = threading.Lock()
        self._counted = counts
        self._watching = Watching(rig, counts)
        self._rigs: dict[str, Rig] = {}
        self._rig: Rig | None = None
        self._unread = ""
        self._stop_call: Stop | None = None

    @property
    def rig(self) -> Rig:
        """The rig that is watched, as the operator's monitor says: of the session that is followed, or of the last one that was
        known. Raises LookupError before it was `ready` once, and never after."""
        with self._lock:
            it = self._rig
        if it is None:
            raise LookupError(f"'{self.name}' is not known yet")
        return it

    @property
    def ready(self) -> bool:
        """Whether the rig is known, and a screen can be drawn."""
        with self._lock:
            return self._watching.session in self._rigs

    @property
    def recording(self) -> str:
        """Whom this follows, and where the operator's monitor keeps the session."""
        with self._lock:
            said = self._watching.rig
        where = f"following {self.name} at {self._broker.host}"
        return f"{where}; the operator's monitor: {said.recording}" if said is not None else where

    @property
    def broker(self) -> str:
        """Where it is followed: HOST:PORT."""
        return f"{self._broker.host}:{self._broker.port}"

    @property
    def wall_start_s(self) -> float:
        """When the session began, in seconds since 1970 by the operator's computer; 0 before it is known. To be shown only."""
        with self._lock:
            return self._watching.rig.began if self._watching.rig is not None else 0.0

    def latest(self) -> Picture | None:
        """The newest picture of a rig that is known; None until there is one. It may be old: `trouble` says so."""
        with self._lock:
            return self._watching.picture if self._watching.session in self._rigs else None

    @property
    def picture(self) -> Picture | None:
        """The newest picture, whether its rig is known or not."""
        with self._lock:
            return self._watching.picture

    def changes(self) -> tuple[Transition, ...]:
        """The changes of alarms since this was last asked; at first, the alarms that stand. None is lost where pictures are."""
        with self._lock:
            return self._watching.changes()

    @property
    def session(self) -> str:
        """The session that is followed, "" for none."""
        with self._lock:
            return self._watching.session

    @property
    def live(self) -> bool:
        """Whether the operator's monitor is there, as far as was said."""
        with self._lock:
            return self._watching.live

    @property
    def trouble(self) -> str:
        """Why the pictures cannot be trusted now, in one sentence that begins with SILENT, GONE, FROZEN, TWO or LATE; "" while
        they can."""
        now_s = self._now_s()
        if down := self._link.trouble(now_s):
            return down
        with self._lock:
            said = self._watching.trouble(now_s)
            unread = self._unread if self._watching.session not in self._rigs else ""
        return said or unread

    @property
    def call_state(self) -> str:
        """What became of the last STOP, called here or elsewhere on the network, in one sentence; "" where nothing is to say."""
        now_s = self._now_s()
        with self._lock:
            if (it := self._stop_call) is not None and now_s - it.called_s <= _SHOWN_S:
                return self._of_ours(it, now_s)
            called = self._watching.called(now_s)
        if called is None:
            return ""
        said = f"STOP called by {called.by}" + (f": {called.reason}" if called.reason else "")
        late = now_s - called.heard_s > CONFIRM_S
        return f"{said}; NOT CONFIRMED by the operator's monitor: shout" if late else said

    def _of_ours(self, it: Stop, now_s: float) -> str:
        if it.confirmed:
            return "STOP confirmed by the operator's monitor" if self._watching.stopped else ""
        if it.refused:
            return f"STOP NOT CONFIRMED, the broker does not let '{self._broker.user or 'nobody'}' call it: shout"
        if now_s - it.called_s > CONFIRM_S:
            return "STOP NOT CONFIRMED by the operator's monitor: shout"
        return "STOP called, not confirmed yet"

    def send(self, do: str, /, **details: Detail) -> None:
        """Call STOP, with a `reason`. Returns at once; `call_state` says what became of it. Raises OnlyStop for anything else."""
        if do != "stop":
            raise OnlyStop(f"found '{do}': over the network only STOP is said; the rest is the operator's to do")
        reason = details.get("reason")
        said = " ".join(str(reason).split())[: wire.REASON_MOST] if reason else ""
        with self._lock:
            self._stop_call = Stop(uuid.uuid4().hex[:12], said, self._now_s())
        self._wake_link()

    @property
    def odd(self) -> str:
        """What was wrong with the last message that was none, "" where all were."""
        return self._watching.odd

    def heard_of(self, leaf: str, payload: bytes, *, kept: bool) -> None:
        """A message of the rig's came; `kept`: the broker had put it by."""
        with self._lock:
            self._watching.take(leaf, payload, self._now_s(), kept=kept)
            if leaf == "rig":
                self._read_rig()
            self._rig = self._rigs.get(self._watching.session, self._rig)
            if (it := self._stop_call) is not None and self._watching.confirms(it.id):
                it.confirmed = True

    def anew(self) -> None:
        """The connection is a new one."""
        with self._lock:
            self._watching.anew()

    def to_say(self) -> tuple[Stop, bytes] | None:
        """The STOP that is to be said now, once a connection until it is confirmed."""
        it = self._stop_call
        if it is None or it.confirmed or it.link == self._link.count or self._now_s() - it.called_s >= _AGAIN_S:
            return None
        it.link = self._link.count
        said = {"do": "stop", "by": self.who[: wire.WHO_MOST], "reason": it.reason, "id": it.id}
        return it, wire.encode(said)

    def _read_rig(self) -> None:
        for session, said in self._watching.rigs().items():
            if session in self._rigs:
                continue
            try:
                self._rigs[session] = kept_rig(said.document, f"the rig '{self.name}'")
            except RigFaults as faults:
                self._unread = f"UNREADABLE rig: found {faults.faults[0].found}; allowed is {faults.faults[0].allowed}"
                self._counted["malformed"] += 1
            except Exception as error:  # noqa: BLE001 - another's document, which must not end the link
                self._unread = f"UNREADABLE rig: {type(error).__name__}"
                self._counted["malformed"] += 1
        for gone in set(self._rigs) - set(self._watching.rigs()):
            del self._rigs[gone]
