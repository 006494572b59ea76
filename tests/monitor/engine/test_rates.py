"""Alarms that chatter and floods of them: three in a minute, more than ten in ten minutes, fewer than five.

Three comings in a minute is common practice. More than ten in ten minutes: ANSI/ISA-18.2, as is the end below five (from memory).
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as some

from monitor.engine.alarms import AlarmBook
from monitor.engine.conditions import Measured
from monitor.engine.picture import AlarmState, Priority
from monitor.engine.rates import Raises
from monitor.engine.rules import RULES, Rule

S = 1_000_000_000
ON, OFF = Measured(2.0, "2", {}), Measured(0.0, "0", {})


def rule_of(priority=Priority.WARNING, on_s=0.0, off_s=0.0) -> Rule:
    return Rule("gap", priority, lambda _: ("N1",), lambda *_: None, "hold", on_s=on_s, off_s=off_s)


def chattering(comes_s, priority=Priority.WARNING, on_s=0.0, off_s=0.0) -> tuple[AlarmBook, Rule]:
    """A book whose alarm has come at these times and gone a second later each."""
    rule = rule_of(priority, on_s, off_s)
    book = AlarmBook((rule,))
    for at in comes_s:
        book.look(rule, "N1", ON, round(at * S))
        book.look(rule, "N1", OFF, round((at + 1) * S))
    return book, rule


@pytest.mark.parametrize(
    ("comes_s", "expected"),
    [([0, 30], False), ([0, 30, 60], True), ([0, 30, 60.1], False), ([0, 1.5, 3], True), ([0, 40, 80, 100], True)],
)
def test_three_in_a_minute_chatter(comes_s, expected):
    book, _ = chattering(comes_s)
    assert [it.chattering for it in book.pictures()] == [expected]
    assert [it.alarm.chattering for it in book.tell() if it.alarm.active][-1] is expected, "told with its rising"


@pytest.mark.parametrize(("off_s", "longer"), [(0.0, 5.0), (0.5, 5.0), (1.0, 5.0), (2.0, 8.0)])
def test_what_chatters_stays_longer(off_s, longer):
    rule = rule_of(off_s=off_s)
    book = AlarmBook((rule,))
    for tenth in range(1000):
        second = tenth // 10
        outcome = ON if second % 4 == 0 and second < 12 else OFF
        book.look(rule, "N1", outcome, tenth * S // 10)
    gone = [it.time_ns / S for it in book.tell() if not it.alarm.active]
    assert gone[:2] == [1.0 + off_s, 5.0 + off_s]
    assert gone[2] == 9.0 + longer


@pytest.mark.parametrize("priority", [Priority.WARNING, Priority.DANGER])
def test_the_on_delay_is_never_longer(priority):
    book, rule = chattering([0, 2, 4], priority, on_s=0.0)
    book.look(rule, "N1", OFF, 20 * S)
    assert not book.pictures()[0].active
    book.look(rule, "N1", ON, 21 * S)
    assert book.pictures()[0].active
    assert book.pictures()[0].chattering


@pytest.mark.parametrize("last", [ON, OFF])
def test_a_minute_without_coming_or_going_ends_it(last):
    book, rule = chattering([0, 2, 4])  # and the longer delay: it clears at 10 s
    book.look(rule, "N1", OFF, 10 * S)
    began = 10
    if last is ON:
        book.look(rule, "N1", ON, 11 * S)
        began = 11
    book.look(rule, "N1", last, (began + 60) * S - 1)
    assert book.pictures()[0].chattering
    book.look(rule, "N1", last, (began + 60) * S)
    assert not book.pictures()[0].chattering


@given(some.lists(some.integers(0, 1500), max_size=40).map(sorted))
def test_the_count_is_of_the_last_ten_minutes(at_s):
    raises = Raises()
    for n, at in enumerate(at_s):
        raises.add(at * S)
        assert raises.lately(at * S) == sum(at - it < 600 for it in at_s[: n + 1])


@pytest.mark.parametrize(
    ("priority", "aside", "counted"),
    [
        (Priority.DANGER, None, 2),
        (Priority.CAUTION, None, 2),
        (Priority.NOTICE, None, 0),  # a flood is not to feed on its own notice
        (Priority.WARNING, "shelve", 1),  # what is set aside asks for nobody
        (Priority.WARNING, "out", 1),
    ],
)
def test_what_asks_for_somebody_is_counted_when_it_rises(priority, aside, counted):
    rule = rule_of(priority)
    book = AlarmBook((rule,))
    book.look(rule, "N1", ON, 1 * S)
    if aside == "shelve":
        book.shelve("gap", "N1", 2 * S, 99 * S)
    elif aside == "out":
        book.take_out("gap", "N1", 2 * S)
    for t, outcome in ((3, OFF), (4, OFF), (5, ON), (6, ON)):
        book.look(rule, "N1", outcome, t * S)
    book.acknowledge("gap", "N1", 7 * S)
    assert book.raises(8 * S) == counted


def test_what_only_asks_again_has_not_risen_again():
    rule = rule_of()
    book = AlarmBook((rule,))
    book.look(rule, "N1", ON, 1 * S)
    book.shelve("gap", "N1", 2 * S, 3 * S)
    book.look(rule, "N1", ON, 3 * S)
    assert [it.alarm.state for it in book.tell()][-1] is AlarmState.UNACKNOWLEDGED
    assert book.raises(4 * S) == 1


FLOOD = next(rule for rule in RULES if rule.name == "flood")


def floods(counts) -> list[bool]:
    """Whether a flood stands after each of these counts, by the row of the table."""
    book, stands = AlarmBook((FLOOD,)), []
    for t, count in enumerate(counts):
        scene = type("Raised", (), {"raises": count})
        book.look(FLOOD, "monitor", FLOOD.look(scene, "monitor"), t * S)
        stands.append(any(it.active for it in book.pictures()))
    return stands


def test_a_flood_begins_above_ten_and_ends_below_five():
    assert floods([10, 11, 10, 5, 4, 10, 11]) == [False, True, True, True, False, False, True]


def stops(lift, times, pause):
    """STOP is called and cleared again and again: as many dangers."""
    for _ in range(times):
        lift.act("stop", reason="x")
        lift.act("clear-stop")
        lift.tick()
        lift.count += pause * 20


def test_a_flood_is_told_in_the_picture_and_as_a_notice_and_holds_no_danger_back(new_lift):
    lift = new_lift(hand=False)
    lift.tick()
    for channel in lift.rig.channel:
        lift.act("out-of-service", rule="sensor-lost", about=channel.name)  # nothing but STOP is to sound
    stops(lift, 10, 30)
    assert not lift.pictures[-1].flood
    lift.act("stop", reason="x")
    picture = lift.tick()
    assert picture.flood
    assert next(it.text for it in picture.alarms if it.rule == "flood") == (
        "NOTICE  flood monitor: 11 alarms in 10 min - take the gravest first"
    )
    raised = [(it.alarm.rule, it.alarm.raised_ns) for p in lift.pictures for it in p.transitions if it.alarm.active]
    assert [rule for rule, _ in raised].count("stop-called") == 11
    lift.act("clear-stop")
    stops(lift, 3, 30)
    assert [it.state for it in lift.pictures[-1].alarms if it.rule == "stop-called"] == [AlarmState.RETURNED]
    assert lift.pictures[-1].flood
    lift.count += 600 * 20
    assert not lift.tick().flood
