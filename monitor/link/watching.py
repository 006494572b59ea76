"""What can be believed of one rig, from the messages that came and when they came: a picture, or why there is none to trust.

Pure: whoever calls says what time it is, by a clock of their own that never goes back. The far clock is compared with
nothing but itself.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from datetime import UTC, datetime
from math import inf

from monitor.engine.picture import Picture, Transition
from monitor.link import wire

SILENT_S = 1.5
"""Fifteen pictures in a row that did not come."""
FROZEN_S = 1.5
"""The engine makes twenty pictures a second; for so long the newest that came was one and the same."""
LATE_S = 1.0
"""A message that took so much longer than the quickest of late was held up on the way, as by a broker that stood still."""
_QUICKEST_OVER_S = 60.0
_SESSIONS = 4
"""So many monitors that announce one rig are told apart."""
_CALLED_S = 60.0
"""For so long a call of STOP that nobody confirmed is shown."""
CONFIRM_S = 1.0
"""A STOP that is not confirmed by then is said to be not."""


@dataclass(slots=True)
class _Session:
    """What came of one session of an operator's monitor."""

    rig: wire.RigMessage | None = None
    picture: Picture | None = None
    calls: tuple[str, ...] = ()
    came_s: float = -inf
    beat: int = -1
    beat_s: float = -inf
    gone: str = ""
    link: int = -1
    late_s: float = 0.0
    quickest: tuple[float, float] = (inf, inf)
    """The least time on the way (s, of an unknown origin), of the minute before and of this."""
    minute_s: float = 0.0
    changed: int | None = None
    """The number of the newest change of alarms that is known; None before the first message of them."""
    changes: list[Transition] = field(default_factory=list)

    def beaten(self, message: wire.PictureMessage, now_s: float) -> None:
        """A picture came."""
        if message.link != self.link:  # another wire may take another time
            self.link, self.quickest, self.minute_s = message.link, (inf, inf), now_s
        way = now_s - message.sent
        self.late_s = max(0.0, way - min(self.quickest)) if min(self.quickest) < inf else 0.0
        if now_s - self.minute_s > _QUICKEST_OVER_S and self.quickest[1] < inf:
            self.quickest, self.minute_s = (self.quickest[1], inf), now_s
        if self.late_s <= LATE_S:  # what is late must not become what is usual
            self.quickest = (self.quickest[0], min(self.quickest[1], way))
        self.came_s, self.gone = now_s, ""
        if message.beat != self.beat:
            self.beat, self.beat_s = message.beat, now_s
            self.picture = message.picture()
        self.calls = tuple(message.calls)


@dataclass(frozen=True, slots=True)
class Called:
    """A call of STOP that was heard, and when (s)."""

    by: str
    reason: str
    heard_s: float


class Watching:
    """One rig as it is heard. `take` is given its messages; the rest says what they come to."""

    def __init__(self, rig: str, counts: Counter[str] | None = None) -> None:
        self.name = rig
        self.counts: Counter[str] = Counter() if counts is None else counts
        self.odd = ""
        """What was wrong with the last message that was no message, in one sentence."""
        self._sessions: dict[str, _Session] = {}
        self._followed: str | None = None
        self._called: dict[str, Called] = {}

    def take(self, leaf: str, payload: bytes, now_s: float, *, kept: bool = False) -> None:
        """A message came; `kept`: the broker had put it by. What is none is counted and said in `odd`."""
        try:
            if leaf == "picture":
                self._picture(wire.decode(wire.PictureMessage, payload), now_s, kept)
            elif leaf == "presence":
                self._presence(wire.decode(wire.PresenceMessage, payload), now_s)
            elif leaf == "alarms":
                self._alarms(wire.decode(wire.AlarmsMessage, payload))
            elif leaf == "rig":
                message = wire.decode(wire.RigMessage, payload)
                self._session(message.session).rig = message
            elif leaf == "call" and not kept:
                self._call(wire.read_call(payload), now_s)
        except wire.BadMessage as error:
            self._strange("malformed", f"{leaf}: {error}")

    def anew(self) -> None:
        """Our own wire is another now, and may take another time."""
        for it in self._sessions.values():
            it.link = -1

    @property
    def picture(self) -> Picture | None:
        """The newest picture; None until there is one."""
        it = self._here
        return None if it is None else it.picture

    @property
    def rig(self) -> wire.RigMessage | None:
        """What is said of the rig by the session that is followed; None until it is known."""
        it = self._here
        return None if it is None else it.rig

    def rigs(self) -> dict[str, wire.RigMessage]:
        """What is said of the rig, session by session."""
        return {name: it.rig for name, it in self._sessions.items() if it.rig is not None}

    @property
    def session(self) -> str:
        """The session that is followed, "" for none."""
        return self._followed or ""

    @property
    def live(self) -> bool:
        """Whether the operator's monitor is there, as far as was said."""
        it = self._here
        return it is not None and not it.gone

    def confirms(self, call: str) -> bool:
        """Whether the engine has taken the call of STOP of this id."""
        it = self._here
        return it is not None and call in it.calls

    @property
    def stopped(self) -> bool:
        """Whether STOP stands, by the newest picture."""
        return self.picture is not None and self.picture.stop_called is not None

    def changes(self) -> tuple[Transition, ...]:
        """The changes of alarms since this was last asked; at first, the alarms that stand."""
        it = self._here
        if it is None:
            return ()
        taken = tuple(it.changes)
        del it.changes[: len(taken)]
        return taken

    def trouble(self, now_s: float) -> str:
        """Why the picture cannot be trusted now, in one sentence; "" while it can."""
        it = self._here
        if it is None:
            return "SILENT: nothing heard from the operator's monitor yet"
        if it.gone:
            return f"GONE: the operator's monitor {'was ended' if it.gone == 'ended' else 'is lost'}"
        if now_s - it.came_s > SILENT_S:
            return "SILENT: nothing comes from the operator's monitor"
        if now_s - it.beat_s > FROZEN_S:
            return "FROZEN: the operator's monitor repeats one picture, its engine stands"
        rivals = [other for other in self._sessions.values() if not other.gone and now_s - other.came_s <= SILENT_S]
        if len(rivals) > 1:
            begun = " and ".join(sorted(_clock(other.rig) for other in rivals))
            return f"TWO monitors announce '{self.name}' (begun {begun}): end one"
        if it.late_s > LATE_S:
            return "LATE: pictures come seconds late, the network holds them up"
        return ""

    def called(self, now_s: float) -> Called | None:
        """The newest STOP that anybody called and the operator's monitor has not confirmed, none after a minute."""
        it = self._here
        for call in [c for c, said in self._called.items() if now_s - said.heard_s > _CALLED_S]:
            del self._called[call]
        if it is not None:
            for call in it.calls:
                self._called.pop(call, None)
        return next(reversed(self._called.values()), None)

    @property
    def _here(self) -> _Session | None:
        return None if self._followed is None else self._sessions.get(self._followed)

    def _session(self, name: str) -> _Session:
        if name not in self._sessions:
            if len(self._sessions) >= _SESSIONS:
                silent = min(self._sessions, key=lambda it: (it == self._followed, self._sessions[it].came_s))
                del self._sessions[silent]
            self._sessions[name] = _Session()
        return self._sessions[name]

    def _picture(self, message: wire.PictureMessage, now_s: float, kept: bool) -> None:
        if message.rig != self.name:
            self._strange("mislabelled", f"found a picture of '{message.rig}' where those of '{self.name}' go")
            return
        if kept:
            self._strange("old", "found a picture that the broker had kept; a picture is of now")
            return
        it = self._session(message.session)
        if message.beat < it.beat and message.link <= it.link:
            self._strange("old", "found a picture older than the last")
            return
        it.beaten(message, now_s)
        here = self._here
        if here is None or here.gone or now_s - here.came_s > SILENT_S:
            self._followed = message.session
        self.counts["good"] += 1

    def _presence(self, message: wire.PresenceMessage, now_s: float) -> None:
        it = self._session(message.session)
        it.gone = "" if message.here else message.why
        if self._followed is None:
            self._followed = message.session
            it.came_s = it.beat_s = now_s  # a moment's grace for its first picture

    def _alarms(self, message: wire.AlarmsMessage) -> None:
        it = self._session(message.session)
        newest = max((change.n for change in message.changes), default=0)
        if it.changed is None:
            it.changes = [_as_it_stands(alarm) for alarm in reversed(message.standing)]
        else:
            unheard = [change for change in message.changes if change.n > (it.changed or 0)]
            self.counts["missed"] += max(0, newest - it.changed - len(unheard))
            it.changes += [change.transition() for change in unheard]
            del it.changes[: -4 * wire.CHANGES]
        it.changed = max(newest, it.changed or 0)

    def _call(self, call: wire.Call | wire.CallMessage, now_s: float) -> None:
        if isinstance(call, wire.Call):
            self._called[call.id] = Called(
                call.by, call.reason, self._called.get(call.id, Called("", "", now_s)).heard_s
            )
            while len(self._called) > wire.CALLS:
                del self._called[next(iter(self._called))]
        elif call.do == "clear-stop" and call.session == self._followed:
            self._called.clear()

    def _strange(self, what: str, text: str) -> None:
        self.counts[what] += 1
        self.odd = text


def _as_it_stands(it: wire.Standing) -> Transition:
    """An alarm that stood already when we came, as a change at the moment it was raised."""
    alarm = it.alarm()
    return Transition(alarm.raised_ns or 0, alarm)


def _clock(rig: wire.RigMessage | None) -> str:
    return "at an unknown time" if rig is None else f"{datetime.fromtimestamp(rig.began, UTC):%H:%M:%S} UTC"
