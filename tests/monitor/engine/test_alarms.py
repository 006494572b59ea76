"""The life of an alarm against ANSI/ISA-18.2 and IEC 62682, and delays and deadbands against OPC 10000-9 B.1.5."""

from dataclasses import replace

import pytest

from monitor.engine.alarms import AlarmBook
from monitor.engine.conditions import Measured, Suppressed, Unknown
from monitor.engine.picture import AlarmState, Priority
from monitor.engine.rules import Rule

S = 1_000_000_000
NORMAL, NEW, SEEN, RETURNED, SHELVED, SUPPRESSED, OUT = AlarmState


def make(priority=Priority.WARNING, **more) -> tuple[AlarmBook, Rule]:
    rule = Rule(
        "lean",
        priority,
        lambda _: ("S1",),
        lambda *_: None,
        "hold",
        **{"set_at": 1.0, "clear_at": 0.9, "on_s": 0.0, "off_s": 0.0, **more},
    )
    return AlarmBook((rule,)), rule


def share(value: float) -> Measured:
    return Measured(value, f"{value} of ring", {"share": value})


def state(book: AlarmBook) -> AlarmState:
    return next((alarm.state for alarm in book.pictures()), NORMAL)


def do(book: AlarmBook, rule: Rule, what: str, t: int) -> None:
    if what == "on":
        book.look(rule, "S1", share(1.5), t * S)
    elif what == "off":
        book.look(rule, "S1", share(0.5), t * S)
    elif what == "suppress":
        book.look(rule, "S1", Suppressed("another says it"), t * S)
    elif what == "ack":
        book.acknowledge("lean", "S1", t * S)
    elif what == "shelve":
        book.shelve("lean", "S1", t * S, (t + 5) * S)
    elif what == "out":
        book.take_out("lean", "S1", t * S)
    elif what == "in":
        book.put_back("lean", "S1", t * S)
    elif what == "reset":
        book.reset("lean", "S1", t * S)


# ANSI/ISA-18.2-2016 clause 5 / IEC 62682, the state diagram (from memory): A normal, B unacknowledged, C acknowledged,
# D returned unacknowledged, E shelved, F suppressed by design.
TABLE = [
    ([], NORMAL),
    (["on"], NEW),  # A -> B
    (["on", "ack"], SEEN),  # B -> C
    (["on", "off"], RETURNED),  # B -> D
    (["on", "ack", "off"], NORMAL),  # C -> A
    (["on", "off", "ack"], NORMAL),  # D -> A
    (["on", "off", "on"], NEW),  # D -> B
    (["on", "ack", "off", "on"], NEW),  # C -> A -> B
    (["on", "shelve"], SHELVED),  # B -> E
    (["on", "ack", "shelve"], SHELVED),  # C -> E
    (["on", "off", "shelve"], SHELVED),  # D -> E
    (["on", "shelve", "off", "wait", "off"], NORMAL),  # E -> A when the time is up and the condition gone
    (["on", "shelve", "wait", "on"], NEW),  # E -> B when the time is up and it stands
    (["on", "suppress"], SUPPRESSED),  # B -> F
    (["on", "suppress", "on"], NEW),  # F -> B
    (["on", "ack", "suppress", "on"], SEEN),  # F -> C
    (["on", "suppress", "off"], RETURNED),
    (["on", "shelve", "suppress"], SHELVED),  # what another alarm says better does not end the shelving
    (["on", "shelve", "suppress", "wait", "on"], NEW),
    (["suppress"], NORMAL),
    (["ack"], NORMAL),
    (["shelve"], NORMAL),
    (["on", "ack", "ack"], SEEN),
    (["on", "ack", "shelve", "wait", "on"], NEW),  # E -> B, though it was seen before
    (["on", "ack", "shelve", "wait", "on", "off"], RETURNED),  # and then seen no more
    (["out"], OUT),  # A -> G, before it ever sounded
    (["on", "out"], OUT),  # B -> G
    (["on", "ack", "out"], OUT),  # C -> G
    (["on", "off", "out"], OUT),  # D -> G
    (["on", "shelve", "out"], OUT),  # E -> G
    (["on", "suppress", "out"], OUT),  # F -> G
    (["out", "on", "off", "ack", "shelve", "suppress"], OUT),
    (["on", "shelve", "out", "wait", "on"], OUT),  # the shelf's time means nothing any more
    (["out", "in"], NORMAL),  # G -> A
    (["on", "ack", "out", "in"], NEW),  # G -> B: it stands, and begins anew
    (["on", "ack", "out", "in", "off"], RETURNED),
    (["on", "out", "off", "in"], NORMAL),
    (["on", "in"], NEW),
]


@pytest.mark.parametrize(("steps", "expected"), TABLE, ids=["-".join(steps) or "none" for steps, _ in TABLE])
def test_the_states_of_isa_18_2(steps, expected):
    book, rule = make()
    t = 1
    for what in steps:
        t += 10 if what == "wait" else 1
        if what != "wait":
            do(book, rule, what, t)
    assert state(book) is expected


# OPC 10000-9 5.8.5: a latched alarm is reset once it has returned to normal and been acknowledged.
LATCHED = [
    (["on"], NEW),
    (["on", "ack"], SEEN),
    (["on", "off"], RETURNED),
    (["on", "off", "ack"], SEEN),
    (["on", "ack", "off"], SEEN),
    (["on", "ack", "off", "ack"], SEEN),
    (["on", "ack", "off", "reset"], NORMAL),
    (["on", "off", "ack", "reset"], NORMAL),
    (["on", "off", "reset"], RETURNED),
    (["on", "reset"], NEW),
    (["on", "ack", "reset"], SEEN),
    (["on", "ack", "off", "on"], NEW),
    (["on", "ack", "off", "reset", "on"], NEW),
    (["on", "ack", "off", "shelve"], SEEN),
    (["on", "shelve"], NEW),
    (["on", "suppress", "off", "ack"], SEEN),
    (["on", "ack", "off", "out", "in"], NORMAL),
]


@pytest.mark.parametrize(("steps", "expected"), LATCHED, ids=["-".join(steps) for steps, _ in LATCHED])
def test_a_latched_alarm_waits_for_its_reset(steps, expected):
    book, rule = make(latch=True)
    for t, what in enumerate(steps, start=1):
        do(book, rule, what, t)
    assert state(book) is expected


def test_a_reset_is_answered_and_told():
    book, rule = make(Priority.DANGER, latch=True)
    do(book, rule, "on", 1)
    do(book, rule, "ack", 2)
    assert not book.reset("lean", "S1", 3 * S), "it stands"
    do(book, rule, "off", 4)
    assert [(it.state, it.active, it.cleared_ns) for it in book.pictures()] == [(SEEN, False, 4 * S)]
    assert not book.reset("lean", "S2", 5 * S)
    assert book.reset("lean", "S1", 5 * S)
    assert not book.reset("lean", "S1", 6 * S)
    assert [(t.time_ns, t.alarm.state) for t in book.tell()][-2:] == [(4 * S, SEEN), (5 * S, NORMAL)]
    assert book.pictures() == ()


def test_a_danger_is_never_shelved():
    book, rule = make(Priority.DANGER)
    do(book, rule, "on", 1)
    assert not book.shelve("lean", "S1", 2 * S, 9 * S)
    assert state(book) is NEW


def test_a_danger_is_never_out_of_service():
    book, rule = make(Priority.DANGER)
    do(book, rule, "on", 1)
    assert not book.take_out("lean", "S1", 2 * S)
    assert state(book) is NEW


def test_out_of_service_is_answered_and_told_once():
    book, _ = make()
    assert not book.put_back("lean", "S1", S)
    assert book.take_out("lean", "S1", 2 * S)
    assert not book.take_out("lean", "S1", 3 * S)
    assert not book.acknowledge("lean", "S1", 3 * S)
    assert not book.shelve("lean", "S1", 3 * S, 9 * S)
    assert book.put_back("lean", "S1", 4 * S)
    assert not book.put_back("lean", "S1", 5 * S)
    assert [(t.time_ns, t.alarm.state, t.alarm.raised_ns) for t in book.tell()] == [
        (2 * S, OUT, None),
        (4 * S, NORMAL, None),
    ]
    assert book.pictures() == ()


def test_out_of_service_takes_only_the_place_that_was_named():
    book, rule = make()
    book.look(rule, "S2", share(1.5), S)
    assert book.take_out("lean", "S1", 2 * S)
    assert [(it.about, it.state, it.active, it.text) for it in book.pictures()] == [
        ("S2", NEW, True, "WARNING lean S2: 1.5 of ring - hold"),
        ("S1", OUT, False, "WARNING lean S1: out of service"),
    ]


def test_what_comes_and_goes_out_of_service_is_told():
    # OPC 10000-9 4.8: an alarm out of service is still evaluated.
    book, rule = make()
    for t, what in enumerate(["out", "on", "off", "on", "in"], start=1):
        do(book, rule, what, t)
    assert [(t.alarm.state, t.alarm.active, t.alarm.raised_ns, t.alarm.cleared_ns) for t in book.tell()] == [
        (OUT, False, None, None),
        (OUT, True, 2 * S, None),
        (OUT, False, 2 * S, 3 * S),
        (OUT, True, 4 * S, None),
        (NEW, True, 4 * S, None),
    ]


def test_set_and_clear_are_two_limits():
    # AlarmDeadband (OPC 10000-9 B.1.5): returns only when below the limit by the deadband.
    book, rule = make()
    for t, value, expected in (
        (1, 1.0, NORMAL),
        (2, 1.01, NEW),
        (3, 0.95, NEW),
        (4, 0.9, RETURNED),
        (5, 0.95, RETURNED),
    ):
        book.look(rule, "S1", share(value), t * S)
        assert state(book) is expected


def test_the_on_delay_must_hold_whole():
    # OnDelay (OPC 10000-9 B.1.5): past the limit for the whole delay.
    book, rule = make(on_s=1.0)
    for tenth, value in enumerate([1.5] * 9 + [0.5] + [1.5] * 11):
        book.look(rule, "S1", share(value), tenth * S // 10)
    assert [t.time_ns for t in book.tell()] == [20 * S // 10]


def test_the_off_delay_rides_over_a_brief_drop():
    # OffDelay (OPC 10000-9 B.1.5): stays active for a brief drop.
    book, rule = make(off_s=1.0)
    for tenth, value in enumerate([1.5] + [0.5] * 9 + [1.5] + [0.5] * 11):
        book.look(rule, "S1", share(value), tenth * S // 10)
    assert [(t.alarm.state, t.time_ns) for t in book.tell()] == [(NEW, 0), (RETURNED, 21 * S // 10)]


def test_unknown_neither_raises_nor_clears():
    book, rule = make()
    book.look(rule, "S1", Unknown("blind"), S)
    assert state(book) is NORMAL
    do(book, rule, "on", 2)
    book.look(rule, "S1", Unknown("blind"), 3 * S)
    assert state(book) is NEW


def test_what_is_unknown_for_a_while_has_not_cleared_meanwhile_and_is_not_raised_later_for_it():
    book, rule = make(on_s=1.0, off_s=1.0)
    for t, outcome in ((1.0, share(1.5)), (1.5, Unknown("blind")), (2.0, share(1.5))):
        book.look(rule, "S1", outcome, round(t * S))
    assert state(book) is NEW, "a danger is not put off by a gap"
    for t, outcome in ((3.0, share(0.5)), (3.5, Unknown("blind")), (4.0, share(0.5)), (4.9, share(0.5))):
        book.look(rule, "S1", outcome, round(t * S))
    assert state(book) is NEW
    book.look(rule, "S1", share(0.5), 5 * S)
    assert state(book) is RETURNED


def test_a_rule_that_no_longer_applies_returns():
    book, rule = make()
    do(book, rule, "on", 1)
    book.look(rule, "S1", None, 2 * S)
    assert state(book) is RETURNED


def test_every_raising_is_its_own_with_its_evidence():
    book, rule = make()
    book.look(rule, "S1", Measured(1.5, "x", {"offset_m": 0.25123456789}), S)
    do(book, rule, "ack", 2)
    do(book, rule, "off", 3)
    book.look(rule, "S1", Measured(1.7, "y", {"offset_m": 0.3}), 4 * S)
    told = book.tell()
    assert [(t.alarm.state, t.alarm.raised_ns, t.alarm.acknowledged_ns, t.alarm.cleared_ns) for t in told] == [
        (NEW, S, None, None),
        (SEEN, S, 2 * S, None),
        (NORMAL, S, 2 * S, 3 * S),
        (NEW, 4 * S, None, None),
    ]
    assert dict(told[0].alarm.evidence) == {"offset_m": 0.251235}
    assert dict(told[-1].alarm.evidence) == {"offset_m": 0.3}
    assert book.tell() == ()


def test_the_line_follows_the_value_while_it_stands():
    book, rule = make()
    book.look(rule, "S1", share(1.5), S)
    book.look(rule, "S1", share(1.75), 2 * S)
    assert "1.75 of ring" in book.pictures()[0].text
    assert len(book.tell()) == 1, "a new number is no transition"


def test_the_line_keeps_the_last_value_that_was_too_much():
    book, rule = make(off_s=1.0)
    for t, value in ((1, 1.5), (2, 1.75), (3, 0.5)):
        book.look(rule, "S1", share(value), t * S)
    assert "1.75 of ring" in book.pictures()[0].text
    for t in (4, 5):
        book.look(rule, "S1", share(0.25), t * S)
    assert state(book) is RETURNED
    assert "1.75 of ring" in book.pictures()[0].text


def test_the_shelf_ends_at_its_very_time():
    book, rule = make()
    do(book, rule, "on", 1)
    book.shelve("lean", "S1", 2 * S, 9 * S)
    book.look(rule, "S1", share(1.5), 9 * S - 1)
    assert state(book) is SHELVED
    book.look(rule, "S1", share(1.5), 9 * S)
    assert state(book) is NEW


def test_only_rows_of_that_name_are_taken_out_of_service():
    rows = [make()[1], make(Priority.CAUTION)[1], make(Priority.DANGER)[1], replace(make()[1], name="tilt")]
    book = AlarmBook(tuple(rows))
    assert book.take_out("lean", "S1", S)
    assert [(it.rule, it.priority, it.state) for it in book.pictures()] == [
        ("lean", Priority.WARNING, OUT),
        ("lean", Priority.CAUTION, OUT),
    ]


def test_a_shelved_alarm_is_still_followed():
    # OPC 10000-9 4.8: shelved and suppressed alarms are still evaluated.
    book, rule = make()
    do(book, rule, "on", 1)
    do(book, rule, "shelve", 2)
    book.look(rule, "S1", share(1.75), 3 * S)
    assert book.pictures()[0].active
    assert "1.75" in book.pictures()[0].text


def test_what_comes_and_goes_on_the_shelf_is_told():
    book, rule = make()
    for t, what in enumerate(["on", "shelve", "off", "on"], start=1):
        do(book, rule, what, t)
    assert [(t.time_ns, t.alarm.state, t.alarm.active, t.alarm.cleared_ns) for t in book.tell()] == [
        (1 * S, NEW, True, None),
        (2 * S, SHELVED, True, None),
        (3 * S, SHELVED, False, 3 * S),
        (4 * S, SHELVED, True, None),
    ]


def test_the_gravest_stand_first_and_root_causes_before_the_rest():
    rules = tuple(
        Rule(name, priority, lambda _: ("x",), lambda *_: None, "hold", on_s=0.0)
        for name, priority in (
            ("a", Priority.CAUTION),
            ("b", Priority.WARNING),
            ("c", Priority.WARNING),
            ("d", Priority.DANGER),
        )
    )
    book = AlarmBook(rules)
    for rule in rules:
        book.look(rule, "x", share(2.0), S)
    assert [alarm.rule for alarm in book.pictures()] == ["d", "b", "c", "a"]


def test_of_one_row_the_first_to_rise_stands_first_and_what_has_gone_stands_last():
    book, rule = make()
    for t, about in enumerate(("S3", "S1", "S2"), start=1):
        book.look(rule, about, share(1.5), t * S)
    assert [it.about for it in book.pictures()] == ["S3", "S1", "S2"]
    book.look(rule, "S3", share(0.5), 4 * S)
    assert [it.about for it in book.pictures()] == ["S1", "S2", "S3"]
