"""Alarms and the book of all of them: what a condition says moves an alarm through its life (life.py).

One `Alarm` follows one row of the rule table at one place. What a condition says is data; the delays count entry time.
An unknown condition neither raises nor clears: an alarm that stands goes on standing.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass, field, replace

from monitor.engine.causes import FirstOut, Wider, roots
from monitor.engine.conditions import Evidence, Measured, Outcome, Suppressed, Unknown
from monitor.engine.life import Event, after
from monitor.engine.picture import AlarmPicture, AlarmState, Priority, Transition
from monitor.engine.rates import Chatter, Raises
from monitor.engine.rules import Rule, line

_ROUNDED = 6
"""Evidence is kept to a millionth of its SI unit: enough for anyone, and readable."""

_NORMAL = AlarmState.NORMAL


@dataclass(slots=True)
class Alarm:
    """One rule row at one place, and where it is in its life."""

    rule: Rule
    about: str
    rank: int
    active: bool = False
    state: AlarmState = AlarmState.NORMAL
    raised_ns: int | None = None
    cleared_ns: int | None = None
    acknowledged_ns: int | None = None
    shelved_until_ns: int = 0
    text: str = ""
    evidence: Evidence = field(default_factory=dict)
    _past: bool = False
    _past_when_seen: bool = False
    _crossing_ns: int | None = None
    _chatter: Chatter = field(default_factory=Chatter)

    def look(self, outcome: Outcome, now_ns: int) -> bool:
        """Take what the condition says now; True if the alarm's state changed."""
        state, raised_ns, cleared_ns = self.state, self.raised_ns, self.cleared_ns
        if self._chatter.going:
            self._chatter.wait(now_ns)
        if isinstance(outcome, Suppressed):
            self._crossing_ns = None
            if self.active:  # what is not there needs no other to say it better, and what was there is still to be seen
                self._go(Event.SUPPRESS)
        elif isinstance(outcome, Unknown):
            if self.state is AlarmState.SUPPRESSED:  # nothing says any more that another speaks for it
                self._bring_back(Event.APPLY)
            if self.active:  # it clears only after it was known to be below for the whole delay
                self._crossing_ns = None
        else:
            aside = self.state is AlarmState.SUPPRESSED
            if aside:
                self._bring_back(Event.APPLY)
            gone = not isinstance(outcome, Measured) or outcome.share <= self.rule.clear_at
            if aside and self.active and gone:  # it went while another spoke for it: no delay makes it sound once more
                self._clear(now_ns)
            elif isinstance(outcome, Measured):
                self._weigh(outcome, now_ns)
            elif self.active:
                self._clear(now_ns)
        if self.state is AlarmState.SHELVED and now_ns >= self.shelved_until_ns:
            self.acknowledged_ns = None
            self._bring_back(Event.UNSHELVE)
        if self.state is AlarmState.ACKNOWLEDGED and self._asks_again(now_ns):
            self._go(Event.AGAIN)
            self.acknowledged_ns = None
        return self.state is not state or self.raised_ns != raised_ns or self.cleared_ns != cleared_ns

    def _asks_again(self, now_ns: int) -> bool:
        """Whether, acknowledged, it has stood too long since somebody saw it (ReAlarmTime, OPC 10000-9 B.1.5), or is past
        what that person saw."""
        if self._past and not self._past_when_seen and self.active:
            return True
        again_s = self.rule.asks_again_s
        if again_s is None or self.acknowledged_ns is None or not self.active:
            return False
        return now_ns - self.acknowledged_ns >= again_s * 1e9

    def _go(self, event: Event) -> bool:
        before, self.state = self.state, after(self.state, event, latched=self.rule.latch)
        return self.state is not before

    def _bring_back(self, event: Event) -> None:
        """From where it was set aside to where it stands: normal, new, or seen as before."""
        self._go(event)
        if self.active:
            self._go(Event.RISES)
            if self.acknowledged_ns is not None:
                self._go(Event.ACKNOWLEDGE)

    def _weigh(self, seen: Measured, now_ns: int) -> None:
        self._past = self.rule.again_past is not None and seen.share > self.rule.again_past
        self._past_when_seen &= self._past
        crossing = seen.share <= self.rule.clear_at if self.active else seen.share > self.rule.set_at
        if not crossing:
            self._crossing_ns = None
        elif self._crossing_ns is None:
            self._crossing_ns = now_ns
        delay_s = self._chatter.off_s(self.rule.off_s) if self.active else self.rule.on_s
        if self._crossing_ns is not None and now_ns - self._crossing_ns >= round(delay_s * 1e9):
            if self.active:
                self._clear(now_ns)
            else:
                self._rise(seen, now_ns)
        elif self.active and not crossing:
            self.text = line(self.rule, self.about, seen.what)

    def _rise(self, seen: Measured, now_ns: int) -> None:
        self.active, self._crossing_ns = True, None
        self.raised_ns, self.cleared_ns, self.acknowledged_ns = now_ns, None, None
        self.text = line(self.rule, self.about, seen.what)
        self.evidence = {
            key: round(value, _ROUNDED) if isinstance(value, float) else value for key, value in seen.evidence.items()
        }
        self._chatter.rose(now_ns)
        self._go(Event.RISES)

    def _clear(self, now_ns: int) -> None:
        self.active, self._crossing_ns = False, None
        self.cleared_ns = now_ns
        self._chatter.cleared(now_ns)
        self._go(Event.CLEARS)

    def acknowledge(self, now_ns: int) -> bool:
        """A person has seen it, standing or gone; True if there was something to acknowledge."""
        if not self._go(Event.ACKNOWLEDGE):
            return False
        self.acknowledged_ns, self._past_when_seen = now_ns, self._past
        return True

    def reset(self) -> bool:
        """End a latched alarm that has cleared and been acknowledged; True if it was one."""
        return not self.active and self._go(Event.RESET)

    def shelve(self, until_ns: int) -> bool:
        """Set it aside until a time; True if that is allowed and there was something to shelve.

        Never a danger, never a latched one, since what waits for a person's reset is not to go by the clock, and never the
        root of others, which are silent because it speaks.
        """
        if self.rule.priority is Priority.DANGER or self.rule.latch or self.rule.root_of:
            return False
        if self.state in (AlarmState.NORMAL, AlarmState.OUT_OF_SERVICE):
            return False
        self._go(Event.SHELVE)
        self.shelved_until_ns = until_ns
        return True

    def take_out(self) -> bool:
        """Take it out of service until it is put back; True if that is allowed (never for a danger, nor for the root of others)
        and it was not yet.

        It may never have sounded: it is kept before all eyes all the same.
        """
        if self.rule.priority is Priority.DANGER or self.rule.root_of or not self._go(Event.TAKE_OUT):
            return False
        self.text = self.text or f"{self.rule.priority.name:<8}{self.rule.name} {self.about}: out of service"
        return True

    def put_back(self) -> bool:
        """Put it back in service; True if it was out. It begins anew: normal, or unacknowledged where it stands."""
        if self.state is not AlarmState.OUT_OF_SERVICE:
            return False
        self.acknowledged_ns = None
        self._bring_back(Event.PUT_BACK)
        return True

    def picture(self, first: bool, under: str | None = None) -> AlarmPicture:
        """This alarm as it stands. What it is among others, the book says."""
        return AlarmPicture(
            rule=self.rule.name,
            about=self.about,
            priority=self.rule.priority,
            state=self.state,
            active=self.active,
            raised_ns=self.raised_ns,
            cleared_ns=self.cleared_ns,
            acknowledged_ns=self.acknowledged_ns,
            text=self.text,
            evidence=tuple(self.evidence.items()),
            first=first,
            under=under,
            chattering=self._chatter.going,
        )


class AlarmBook:
    """Every alarm of a session, and the transitions that no picture has told yet."""

    def __init__(self, rules: tuple[Rule, ...]) -> None:
        self._rules = rules
        self._rank = {id(rule): rank for rank, rule in enumerate(rules)}
        self._alarms: dict[tuple[int, str], Alarm] = {}
        self._first = FirstOut()
        self._raises = Raises()
        self._untold: list[tuple[Alarm, Transition]] = []
        self.wider: Wider = {}
        """What holds what; a place that is not named stands alone."""

    @property
    def known(self) -> Collection[tuple[int, str]]:
        """The rank and place of every alarm that there ever was; it goes with the book."""
        return self._alarms

    def rank(self, rule: Rule) -> int:
        """A row's rank: 0 is the gravest root."""
        return self._rank[id(rule)]

    def look(self, rule: Rule, about: str, outcome: Outcome, now_ns: int) -> None:
        """Take what one condition says now."""
        alarm = self._alarms.get((self._rank[id(rule)], about))
        if alarm is None:
            if not isinstance(outcome, Measured) or outcome.share <= rule.set_at:
                return  # nothing was ever wrong there
            alarm = self._alarm(rule, about)
        stood, was = alarm.active, alarm.state
        if not alarm.look(outcome, now_ns):
            return
        if alarm.active and not stood:
            self._first.rose(alarm, was, self._alarms.values())
            if alarm.state is AlarmState.UNACKNOWLEDGED and rule.priority > Priority.NOTICE:
                self._raises.add(now_ns)
        self._tell(alarm, now_ns)

    def _tell(self, alarm: Alarm, now_ns: int) -> None:
        self._untold.append((alarm, Transition(now_ns, alarm.picture(self._first.marks(alarm)))))

    def _alarm(self, rule: Rule, about: str) -> Alarm:
        rank = self._rank[id(rule)]
        alarm = self._alarms.get((rank, about))
        if alarm is None:
            alarm = self._alarms[rank, about] = Alarm(rule, about, rank)
        return alarm

    def _matching(self, rule: str, about: str | None) -> Iterable[Alarm]:
        return (a for a in self._alarms.values() if a.rule.name == rule and (about is None or a.about == about))

    def acknowledge(self, rule: str, about: str | None, now_ns: int) -> bool:
        """Acknowledge every priority of a rule at a place; False if nothing there waits for it."""
        return self._change(self._matching(rule, about), now_ns, lambda alarm: alarm.acknowledge(now_ns))

    def reset(self, rule: str, about: str | None, now_ns: int) -> bool:
        """Reset the latched alarms of a rule at a place; False if none of them has cleared and been acknowledged."""
        return self._change(self._matching(rule, about), now_ns, Alarm.reset)

    def shelve(self, rule: str, about: str | None, now_ns: int, until_ns: int) -> bool:
        """Shelve a rule at a place for a time; False if nothing there may be shelved."""
        return self._change(self._matching(rule, about), now_ns, lambda alarm: alarm.shelve(until_ns))

    def take_out(self, rule: str, about: str, now_ns: int) -> bool:
        """Take a rule at a place out of service, heard of or not; False if nothing there may be, or all of it is."""
        rows = (self._alarm(row, about) for row in self._rules if row.name == rule)
        return self._change(rows, now_ns, Alarm.take_out)

    def put_back(self, rule: str, about: str, now_ns: int) -> bool:
        """Put a rule at a place back in service; False if it is not out."""
        return self._change(self._matching(rule, about), now_ns, Alarm.put_back)

    def _change(self, alarms: Iterable[Alarm], now_ns: int, change: Callable[[Alarm], bool]) -> bool:
        changed = [alarm for alarm in alarms if change(alarm)]
        for alarm in changed:
            self._tell(alarm, now_ns)
        return bool(changed)

    def raises(self, now_ns: int) -> int:
        """How many alarms rose and asked for somebody in the last ten minutes; notices ask for nobody."""
        return self._raises.lately(now_ns)

    def tell(self) -> tuple[Transition, ...]:
        """The transitions since the last call, in order; what each stands under is as it is now."""
        told, self._untold = self._untold, []
        under = self._under() if told else {}
        return tuple(replace(it, alarm=replace(it.alarm, under=under.get(id(alarm)))) for alarm, it in told)

    def pictures(self) -> tuple[AlarmPicture, ...]:
        """Every alarm that is not normal: the gravest first, what stands before what has returned, root cause first."""
        standing = self._standing()
        if not standing:
            return ()
        standing.sort(key=lambda a: (-a.rule.priority, not a.active, a.rank, a.raised_ns or 0, a.about))
        under = self._under()
        return tuple(alarm.picture(self._first.marks(alarm), under.get(id(alarm))) for alarm in standing)

    def _standing(self) -> list[Alarm]:
        return [alarm for alarm in self._alarms.values() if alarm.state is not _NORMAL]

    def _under(self) -> dict[int, str]:
        """Which alarm, by its id, stands under which."""
        standing = self._standing()
        if len(standing) < 2:
            return {}
        return {of: f"{it.rule.name} {it.about}" for of, it in roots(standing, self.wider).items()}
