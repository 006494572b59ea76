"""How a crew reacted: for each alarm how long until somebody acknowledged it and until its cause was gone, and STOP.

Follows the transitions of a session and the calls of STOP, in their order. Pure.
"""

from __future__ import annotations

from dataclasses import dataclass

from monitor.engine.picture import AlarmState, Priority, Transition

Key = tuple[Priority, str, str]
_WAITS = (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED)
STOP = "stop-called"
"""The alarm that a STOP is. It asks for no other, and it is what people did: it counts as no danger that befell them."""


@dataclass(slots=True)
class Reaction:
    """One alarm through a session. Spans are ns; `seen_ns` and `longest_ns` are the longest so far, None before the first."""

    count: int = 0
    first_ns: int | None = None
    seen_ns: int | None = None
    unseen: int = 0
    longest_ns: int | None = None
    standing: bool = False
    _waits_ns: int | None = None
    _active_ns: int | None = None

    def take(self, it: Transition) -> int:
        """Take its next transition; 1 if it rose, -1 if its cause is gone, else 0."""
        alarm, now_ns = it.alarm, it.time_ns
        if alarm.state in _WAITS:
            self._waits_ns = now_ns if self._waits_ns is None else self._waits_ns
        elif self._waits_ns is not None:
            if alarm.state is not AlarmState.SUPPRESSED:  # acknowledged, or set aside: somebody has seen it
                self.seen_ns = max(self.seen_ns or 0, now_ns - self._waits_ns)
            self._waits_ns = None
        before, self.standing = self.standing, alarm.active
        if alarm.active and not before:
            self.count += 1
            self._active_ns = now_ns
            self.first_ns = now_ns if self.first_ns is None else self.first_ns
            return 1
        if before and not alarm.active:
            self._stood(now_ns)
            return -1
        return 0

    def end(self, now_ns: int) -> None:
        """The session is over."""
        if self.standing:
            self._stood(now_ns)
        if self._waits_ns is not None:
            self.unseen += 1
            self._waits_ns = None

    def _stood(self, now_ns: int) -> None:
        if self._active_ns is not None:
            self.longest_ns = max(self.longest_ns or 0, now_ns - self._active_ns)
            self._active_ns = None


class Reactions:
    """All alarms of a session, and STOP."""

    def __init__(self) -> None:
        self.alarms: dict[Key, Reaction] = {}
        """By priority, rule and place, in the order in which they were first heard of."""
        self.time_ns: dict[Priority, int] = dict.fromkeys(Priority, 0)
        """How long at least one of a priority stood, STOP aside."""
        self.stops = 0
        self.stood_ns = 0
        """How long a STOP stood."""
        self.after_danger_ns: int | None = None
        """Longest from the rise of a danger until STOP was called; None where none was called after one."""
        self.dangers = 0
        """Dangers that rose, other than STOP itself."""
        self.missed = 0
        self._standing: dict[Priority, int] = dict.fromkeys(Priority, 0)
        self._since_ns: dict[Priority, int] = {}
        self._stop_ns: int | None = None
        self._unanswered: dict[Key, int] = {}

    def stop(self, now_ns: int) -> None:
        """Somebody called STOP."""
        self.stops += 1
        self._stop_ns = now_ns if self._stop_ns is None else self._stop_ns
        for since_ns in self._unanswered.values():
            self._answered(now_ns - since_ns)
        self._unanswered.clear()

    def clear_stop(self, now_ns: int) -> None:
        """Somebody took the STOP back."""
        if self._stop_ns is not None:
            self.stood_ns += now_ns - self._stop_ns
            self._stop_ns = None

    def take(self, it: Transition) -> bool:
        """Take the next transition of any alarm; True if it rose."""
        priority = it.alarm.priority
        key = priority, it.alarm.rule, it.alarm.about
        turn = self.alarms.setdefault(key, Reaction()).take(it)
        if turn and it.alarm.rule != STOP:
            self._count(priority, turn, it.time_ns)
            if priority is Priority.DANGER:
                self._danger(key, turn, it.time_ns)
        return turn == 1

    def end(self, now_ns: int) -> None:
        """The session is over."""
        for reaction in self.alarms.values():
            reaction.end(now_ns)
        for priority, since_ns in self._since_ns.items():
            self.time_ns[priority] += now_ns - since_ns
        self._since_ns.clear()
        self.clear_stop(now_ns)
        self.missed += len(self._unanswered)
        self._unanswered.clear()

    def _count(self, priority: Priority, turn: int, now_ns: int) -> None:
        self._standing[priority] += turn
        if self._standing[priority] == 0:
            self.time_ns[priority] += now_ns - self._since_ns.pop(priority)
        else:
            self._since_ns.setdefault(priority, now_ns)

    def _danger(self, key: Key, turn: int, now_ns: int) -> None:
        if turn < 0:
            self.missed += self._unanswered.pop(key, None) is not None
            return
        self.dangers += 1
        if self._stop_ns is None:
            self._unanswered[key] = now_ns
        else:
            self._answered(0)

    def _answered(self, after_ns: int) -> None:
        self.after_danger_ns = max(self.after_danger_ns or 0, after_ns)
