"""Each alarm of a session from its rise to its end: what was seen, who acknowledged it, what was done until its cause was gone.

Made from the entries and pictures of a run, in their order. What a crew did is what somebody pressed, and what the bags were seen
to do: a bag that stops filling is the answer to most alarms, and no key tells of it. Pure.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from monitor.debrief.marks import Kind, Mark
from monitor.engine.picture import AlarmPicture, AlarmState, Picture, Priority
from replay.entries import Action, Entry

Key = tuple[str, str, Priority]


@dataclass(slots=True)
class Raised:
    """One rising of one alarm. Times are ns since the session began; None: not yet, and at the end: never.

    `text` and `evidence` as they were when it rose, `last_text` as it was shown last while it stood. `seen`: when somebody
    acknowledged it, and who, oftener than once where it asked again. `set_aside`: when it was shelved, put out of service or
    suppressed, and which. `under`: the alarm that it was shown under. `chattering`: it came and went.
    """

    rule: str
    about: str
    priority: Priority
    raised_ns: int
    text: str
    evidence: tuple[tuple[str, float | str | None], ...]
    under: str | None
    last_text: str = ""
    cleared_ns: int | None = None
    seen: list[tuple[int, str]] = field(default_factory=list)
    set_aside: list[tuple[int, str]] = field(default_factory=list)
    chattering: bool = False

    @property
    def seen_s(self) -> float | None:
        """How long it waited until somebody acknowledged it; None: nobody ever did."""
        return (self.seen[0][0] - self.raised_ns) * 1e-9 if self.seen else None

    @property
    def stood_s(self) -> float | None:
        """How long until its cause was gone; None: it stands at the end."""
        return None if self.cleared_ns is None else (self.cleared_ns - self.raised_ns) * 1e-9


@dataclass(frozen=True, slots=True)
class Doing:
    """A bag or a shore began to do something else."""

    time_ns: int
    what: str
    was: str
    now: str


_ASIDE = (AlarmState.SHELVED, AlarmState.OUT_OF_SERVICE, AlarmState.SUPPRESSED)


class Risings:
    """Gathers every rising of a session, and what bags and shores did: `entry` for every input, `picture` for every picture."""

    def __init__(self) -> None:
        self.raised: list[Raised] = []
        self.doings: list[Doing] = []
        self._open: dict[Key, Raised] = {}
        self._doing: dict[str, str] = {}
        self._by: dict[int, str] = {}

    def entry(self, entry: Entry) -> None:
        """Take an input before its picture is there."""
        if isinstance(entry, Action) and entry.do == "acknowledge":
            self._by[entry.time_ns] = entry.by

    def picture(self, picture: Picture) -> None:
        """Take the next picture."""
        for it in picture.transitions:
            self._take(it.time_ns, it.alarm)
        for alarm in picture.alarms:
            standing = self._open.get((alarm.rule, alarm.about, alarm.priority))
            if standing is not None and alarm.active:
                standing.last_text = alarm.text
        self._by.clear()
        for stack in picture.stacks:
            for bag in stack.bags:
                self._does(picture.time_ns, f"bag {bag.name}", bag.doing)
        for shore in picture.shores:
            self._does(picture.time_ns, f"shore {shore.name}", shore.doing)

    def _take(self, time_ns: int, alarm: AlarmPicture) -> None:
        key = alarm.rule, alarm.about, alarm.priority
        it = self._open.get(key)
        if alarm.raised_ns is not None and (it is None or it.raised_ns != alarm.raised_ns):
            it = Raised(*key, alarm.raised_ns, alarm.text, alarm.evidence, alarm.under, alarm.text)
            self.raised.append(it)
            self._open[key] = it
        if it is None:
            return
        it.chattering |= alarm.chattering
        it.cleared_ns = None if alarm.active else alarm.cleared_ns
        seen_ns = alarm.acknowledged_ns
        if seen_ns is not None and (not it.seen or it.seen[-1][0] != seen_ns):
            it.seen.append((seen_ns, self._by.get(seen_ns, "")))
        if alarm.state in _ASIDE and (not it.set_aside or it.set_aside[-1][1] != alarm.state.value):
            it.set_aside.append((time_ns, alarm.state.value))

    def _does(self, time_ns: int, what: str, now: str) -> None:
        was = self._doing.get(what)
        if was is not None and was != now:
            self.doings.append(Doing(time_ns, what, was, now))
        self._doing[what] = now


def answers(it: Raised, marks: list[Mark], doings: list[Doing], end_ns: int) -> list[tuple[int, str]]:
    """(when, what) of all that was done from the rise of an alarm until its cause was gone, or to the end, in order of time."""
    until_ns = end_ns if it.cleared_ns is None else it.cleared_ns
    pressed = [
        (mark.time_ns, mark.text)
        for mark in marks
        if mark.kind in (Kind.ACTION, Kind.STEP) and it.raised_ns <= mark.time_ns <= until_ns
    ]
    seen = [
        (doing.time_ns, f"{doing.what}: {doing.was} before, now {doing.now}")
        for doing in doings
        if it.raised_ns <= doing.time_ns <= until_ns
    ]
    return sorted(pressed + seen, key=lambda found: found[0])
