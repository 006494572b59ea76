"""What comes back when nothing says any more that another alarm speaks for it. All invented."""

from __future__ import annotations

import pytest

from monitor.engine.alarms import AlarmBook
from monitor.engine.conditions import Measured, Suppressed, Unknown
from monitor.engine.picture import AlarmState, Priority
from monitor.engine.rules import Rule

S = 1_000_000_000


@pytest.mark.parametrize("seen", [False, True])
def test_an_alarm_that_was_set_aside_stands_again_where_its_condition_becomes_unknown(seen):
    rule = Rule("lean", Priority.WARNING, lambda _: ("S1",), lambda *_: None, "hold", on_s=0.0, off_s=0.0)
    book = AlarmBook((rule,))
    book.look(rule, "S1", Measured(2.0, "far out", {}), 0)
    if seen:
        book.acknowledge("lean", "S1", 1 * S)
    book.look(rule, "S1", Suppressed("another says it"), 2 * S)
    (aside,) = book.pictures()
    assert aside.state is AlarmState.SUPPRESSED
    book.look(rule, "S1", Unknown("no head"), 3 * S)
    (back,) = book.pictures()
    assert back.state is (AlarmState.ACKNOWLEDGED if seen else AlarmState.UNACKNOWLEDGED)
    assert back.active


def test_of_two_alarms_that_stand_the_second_is_told_and_shown_under_its_root():
    root, other, apart = (
        Rule(name, Priority.WARNING, lambda _: ("N1",), lambda *_: None, "hold", on_s=0.0, group=cause)
        for name, cause in (("shore-behind", "shores"), ("uncaptured", "shores"), ("tilt", "turning"))
    )
    book = AlarmBook((root, other, apart))
    book.look(root, "N1", Measured(2.0, "behind", {}), 1 * S)
    assert [it.alarm.under for it in book.tell()] == [None]
    book.look(other, "N1", Measured(2.0, "not captured", {}), 2 * S)
    assert [(it.alarm.rule, it.alarm.under) for it in book.tell()] == [("uncaptured", "shore-behind N1")]
    assert {it.rule: it.under for it in book.pictures()} == {"shore-behind": None, "uncaptured": "shore-behind N1"}
    book.look(apart, "N1", Measured(2.0, "tilted", {}), 3 * S)
    assert [it.alarm.under for it in book.tell()] == [None]


@pytest.mark.parametrize("seen", [False, True])
@pytest.mark.parametrize("gone", [Measured(0.5, "in", {}), None])
def test_what_went_while_another_spoke_for_it_does_not_rise_again(seen, gone):
    # The manual: it comes back as normal, and rises at once where its condition stands. A minute later it does not.
    rule = Rule("lean", Priority.WARNING, lambda _: ("S1",), lambda *_: None, "hold", on_s=0.0, off_s=2.0)
    book = AlarmBook((rule,))
    book.look(rule, "S1", Measured(2.0, "far out", {}), 0)
    if seen:
        book.acknowledge("lean", "S1", 1 * S)
    for t in range(2, 60):
        book.look(rule, "S1", Suppressed("another says it"), t * S)
    book.tell()
    book.look(rule, "S1", gone, 60 * S)
    (told,) = book.tell()
    assert told.alarm.state is (AlarmState.NORMAL if seen else AlarmState.RETURNED)
    assert not told.alarm.active


def test_between_its_two_limits_what_was_set_aside_still_stands():
    rule = Rule("lean", Priority.WARNING, lambda _: ("S1",), lambda *_: None, "hold", on_s=0.0, off_s=2.0)
    book = AlarmBook((rule,))
    book.look(rule, "S1", Measured(2.0, "far out", {}), 0)
    book.look(rule, "S1", Suppressed("another says it"), 2 * S)
    book.look(rule, "S1", Measured(0.95, "hardly", {}), 3 * S)
    (back,) = book.pictures()
    assert back.state is AlarmState.UNACKNOWLEDGED
    assert back.active
