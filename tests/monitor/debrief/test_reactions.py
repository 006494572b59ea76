"""Reactions, by hand and against a slow count of the real alarm book, looked at tick by tick."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.debrief.reactions import Reactions
from monitor.engine.alarms import AlarmBook
from monitor.engine.conditions import Measured
from monitor.engine.picture import AlarmPicture, AlarmState, Priority, Transition
from monitor.engine.rules import Rule

S = 1_000_000_000
B, C, D, A = AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.RETURNED, AlarmState.NORMAL


def told(at_s: float, state: AlarmState, *, active: bool, rule: str = "lean", about: str = "S1") -> Transition:
    return Transition(round(at_s * S), AlarmPicture(rule, about, Priority.DANGER, state, active, 0, None, None, "", ()))


def test_by_hand():
    """Invented: lean from 10 s to 30 s, seen at 14 s; slip from 12 s on, seen never; STOP called at 15 s, cleared at 40 s;
    lean again at 45 s, gone at 50 s, seen then at 52 s, with no STOP; the session ends at 60 s."""
    it = Reactions()
    it.take(told(10, B, active=True))
    it.take(told(12, B, active=True, rule="slip"))
    it.take(told(14, C, active=True))
    it.stop(15 * S)
    it.take(told(30, A, active=False))
    it.clear_stop(40 * S)
    it.take(told(45, B, active=True))
    it.take(told(50, D, active=False))
    it.take(told(52, A, active=False))
    it.end(60 * S)
    lean, slip = it.alarms[Priority.DANGER, "lean", "S1"], it.alarms[Priority.DANGER, "slip", "S1"]
    assert (lean.count, lean.first_ns, lean.seen_ns, lean.unseen, lean.longest_ns) == (2, 10 * S, 7 * S, 0, 20 * S)
    assert (slip.count, slip.seen_ns, slip.unseen, slip.longest_ns, slip.standing) == (1, None, 1, 48 * S, True)
    assert it.time_ns[Priority.DANGER] == 50 * S  # 10 s to 60 s
    assert (it.dangers, it.stops, it.stood_ns, it.after_danger_ns, it.missed) == (3, 1, 25 * S, 5 * S, 1)


def test_a_danger_that_rises_while_stop_stands_is_answered_at_once():
    it = Reactions()
    it.stop(1 * S)
    it.take(told(2, B, active=True))
    it.end(3 * S)
    assert (it.after_danger_ns, it.missed, it.stood_ns) == (0, 0, 2 * S)


def _low(_: object) -> tuple[str, ...]:
    return ("S1",)


RULES = (
    Rule("lean", Priority.DANGER, _low, lambda *_: None, "hold", on_s=0.0, off_s=0.0),
    Rule("slip", Priority.DANGER, _low, lambda *_: None, "hold", on_s=0.0, off_s=0.0, latch=True),
    Rule("tilt", Priority.CAUTION, _low, lambda *_: None, "watch", on_s=0.0, off_s=0.0),
)
TICK = st.tuples(
    st.lists(st.booleans(), min_size=3, max_size=3),  # what stands
    st.sampled_from(["", "", "acknowledge lean", "acknowledge slip", "reset slip", "shelve tilt", "stop", "clear"]),
)


@settings(max_examples=40)
@given(ticks=st.lists(TICK, min_size=1, max_size=20))
def test_against_the_alarm_book_looked_at_tick_by_tick(ticks):
    """The book's own pictures, sampled at each tick, tell the same counts and spans as its transitions do."""
    book, it = AlarmBook(RULES), Reactions()
    rose = dict.fromkeys(RULES, 0)
    stood = dict.fromkeys(RULES, 0)
    longest = dict.fromkeys(RULES, 0)
    danger_ns = last_ns = stop_ns = 0
    stop = False
    for number, (stands, do) in enumerate(ticks, 1):
        now_ns = number * S
        before = {(a.rule, a.priority): a.active for a in book.pictures()}
        danger_ns += S * any(active and priority is Priority.DANGER for (_, priority), active in before.items())
        stop_ns += S * stop
        for rule in RULES:
            stood[rule] = stood[rule] + S if before.get((rule.name, rule.priority), False) else 0
            longest[rule] = max(longest[rule], stood[rule])
        verb, _, name = do.partition(" ")
        if verb == "acknowledge":
            book.acknowledge(name, "S1", now_ns)
        elif verb == "reset":
            book.reset(name, "S1", now_ns)
        elif verb == "shelve":
            book.shelve(name, "S1", now_ns, now_ns + 2 * S)
        elif verb == "stop":
            it.stop(now_ns)
            stop = True
        elif verb == "clear":
            it.clear_stop(now_ns)
            stop = False
        for rule, there in zip(RULES, stands, strict=True):
            book.look(rule, "S1", Measured(2.0 * there, "", {}), now_ns)
        after = {(a.rule, a.priority): a.active for a in book.pictures()}
        for rule in RULES:
            key = rule.name, rule.priority
            if after.get(key, False) and not before.get(key, False):
                rose[rule] += 1
                stood[rule] = 0
        for transition in book.tell():
            it.take(transition)
        last_ns = now_ns
    it.end(last_ns)
    for rule in RULES:
        of = it.alarms.get((rule.priority, rule.name, "S1"))
        assert (of.count if of else 0) == rose[rule]
        assert (of.longest_ns if of and of.longest_ns else 0) == longest[rule]
        if of:
            assert of.seen_ns is None or 0 <= of.seen_ns <= last_ns
            assert of.unseen <= 1  # it can only be waiting once, at the end
    assert it.time_ns[Priority.DANGER] == danger_ns
    assert it.stood_ns == stop_ns
    assert it.dangers == sum(rose[rule] for rule in RULES if rule.priority is Priority.DANGER)
    assert it.missed <= it.dangers
    assert (it.after_danger_ns is None) or it.stops > 0
