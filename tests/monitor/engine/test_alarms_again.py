"""When an alarm that a person has acknowledged asks again: after a while (ReAlarmTime, OPC 10000-9 B.1.5), or for something new."""

import pytest

from monitor.engine.conditions import Suppressed, Unknown
from monitor.engine.picture import Priority
from tests.monitor.engine.test_alarms import NEW, RETURNED, SEEN, SUPPRESSED, S, do, make, share, state


def stands_on(book, rule, seconds, look=None):
    for t in seconds:
        book.look(rule, "S1", look or share(1.5), t * S)


@pytest.mark.parametrize(
    ("priority", "more", "again"),
    [
        (Priority.DANGER, {}, 62),  # ReAlarmTime (OPC 10000-9 B.1.5); 60 s is common practice, no source
        (Priority.DANGER, {"again_s": 5.0}, 7),
        (Priority.WARNING, {}, None),
        (Priority.WARNING, {"again_s": 5.0}, 7),
    ],
)
def test_what_still_stands_asks_again(priority, more, again):
    book, rule = make(priority, **more)
    do(book, rule, "on", 1)
    do(book, rule, "ack", 2)
    stands_on(book, rule, range(3, 130))
    told = [(t.time_ns // S, t.alarm.state, t.alarm.raised_ns, t.alarm.acknowledged_ns) for t in book.tell()]
    assert told == [(1, NEW, S, None), (2, SEEN, S, 2 * S)] + ([] if again is None else [(again, NEW, S, None)])


def test_it_asks_again_after_every_acknowledging_and_on_what_is_unknown_too():
    book, rule = make(again_s=5.0)
    do(book, rule, "on", 1)
    do(book, rule, "ack", 2)
    stands_on(book, rule, range(3, 20), Unknown("blind"))
    do(book, rule, "ack", 20)
    stands_on(book, rule, range(21, 40))
    assert [t.time_ns // S for t in book.tell() if t.alarm.state is NEW] == [1, 7, 25]
    do(book, rule, "off", 40)
    assert state(book) is RETURNED


def test_what_has_cleared_or_is_set_aside_does_not_ask_again():
    book, rule = make(Priority.DANGER, latch=True, again_s=5.0)
    do(book, rule, "on", 1)
    do(book, rule, "ack", 2)
    stands_on(book, rule, range(3, 40), share(0.5))
    assert state(book) is SEEN
    book, rule = make(again_s=5.0)
    do(book, rule, "on", 1)
    do(book, rule, "ack", 2)
    stands_on(book, rule, range(3, 40), Suppressed("another says it"))
    assert state(book) is SUPPRESSED


@pytest.mark.parametrize(
    ("shares", "expected"),
    [
        ((1.5, 3.0), [1, 4]),  # seen when it was less: another thing is wrong now
        ((1.5, 3.0, 3.0, 1.5, 3.0), [1, 4, 13]),  # seen again at 5, less from 10: what comes then is new
        ((3.0, 1.5, 1.5), [1]),
        ((3.0, 3.0, 3.0), [1]),  # as grave as when it was seen
        ((1.5, 2.0, 1.1), [1]),  # not past it
    ],
)
def test_acknowledged_below_a_share_it_asks_again_past_it(shares, expected):
    """Shares one after another, each for two seconds and acknowledged in the second; the seconds in which it asks."""
    book, rule = make(again_past=2.0)
    for at, value in enumerate(shares):
        book.look(rule, "S1", share(value), (3 * at + 1) * S)
        do(book, rule, "ack", 3 * at + 2)
        book.look(rule, "S1", share(value), (3 * at + 3) * S)
    assert [t.time_ns // S for t in book.tell() if t.alarm.state is NEW] == expected


def test_without_such_a_share_what_grows_does_not_ask_again():
    book, rule = make()
    do(book, rule, "on", 1)
    do(book, rule, "ack", 2)
    stands_on(book, rule, range(3, 10), share(9.0))
    assert state(book) is SEEN
