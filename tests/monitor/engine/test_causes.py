"""First-out against OPC 10000-9 5.8.2, and which alarm stands under which (our own reading, no source)."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as some

from monitor.engine.alarms import AlarmBook
from monitor.engine.causes import wider_places
from monitor.engine.conditions import Measured
from monitor.engine.picture import AlarmState, Priority
from monitor.engine.rules import CAUSES, RULES, Rule

S = 1_000_000_000
ON, OFF = Measured(2.0, "2", {}), Measured(0.0, "0", {})
DANGER, WARNING, CAUTION = Priority.DANGER, Priority.WARNING, Priority.CAUTION


def row(name, group="", priority=WARNING, **more) -> Rule:
    return Rule(name, priority, lambda _: ("S1",), lambda *_: None, "hold", on_s=0.0, off_s=0.0, group=group, **more)


class Table:
    """A book of a few rows, and a second that passes with every word."""

    def __init__(self, *rows: Rule, wider=None) -> None:
        self.rows = {f"{it.name} {it.priority.word}": it for it in rows} | {it.name: it for it in rows}
        self.book, self.t = AlarmBook(rows), 0
        self.book.wider = wider or {}

    def say(self, words: str) -> None:
        """ "a on", "a off", "a ack", "a shelve", "a out": one after another, a second each."""
        for word in words.split(", "):
            self.t += S
            name, what = word.rsplit(" ", 1)
            name, _, about = name.partition("@")
            about = about or "S1"
            if what in ("on", "off"):
                self.book.look(self.rows[name], about, ON if what == "on" else OFF, self.t)
            elif what == "ack":
                self.book.acknowledge(name, about, self.t)
            elif what == "shelve":
                self.book.shelve(name, about, self.t, self.t + 600 * S)
            else:
                self.book.take_out(name, about, self.t)

    def first(self) -> list[str]:
        return [it.rule for it in self.book.pictures() if it.first]

    def under(self) -> dict[str, str | None]:
        return {f"{it.rule} {it.about} {it.priority.word}": it.under for it in self.book.pictures()}


@pytest.mark.parametrize(
    ("said", "first"),
    [
        ("a on", ["a"]),
        ("b on, a on", ["b"]),  # set once
        ("b on, a on, b off", ["b"]),  # kept while any stands or waits
        ("b on, a on, b ack, b off", []),  # the first is normal and out of the list, and nobody takes its place
        ("b on, a on, b ack, b off, b on", ["b"]),
        ("b on, b off, a on", ["b"]),  # b still waits to be seen
        ("b on, b off, b on, a on", ["b"]),
        ("b on, b off, b ack, a on", ["a"]),  # all were normal
        ("b on, a on, b ack, b off, a ack, a off, a on, b on", ["a"]),
        ("c on, a on", ["a", "c"]),  # another group
        ("b on, b shelve, a on", ["b"]),  # set aside, it still came first
        ("b on, b shelve, b off, a on", ["a"]),
        ("b out, b on, a on", ["a"]),  # what is out of service is not believed
        ("a on, b out, b on", ["a"]),
    ],
)
def test_the_first_of_a_group_is_marked_once_until_all_are_normal(said, first):
    table = Table(row("a", "g"), row("b", "g"), row("c"))
    table.say(said)
    assert table.first() == first


def test_the_first_is_told_with_its_rising():
    table = Table(row("a", "g"), row("b", "g"))
    table.say("b on, a on, b ack")
    assert [(it.alarm.rule, it.alarm.first) for it in table.book.tell()] == [("b", True), ("a", False), ("b", True)]


@given(
    some.lists(some.tuples(some.sampled_from("abc"), some.sampled_from(["on", "off", "ack", "shelve"])), max_size=40)
)
def test_a_group_never_has_two_that_came_first(said):
    table = Table(row("a", "g"), row("b", "g"), row("c", "g"))
    for name, what in said:
        table.say(f"{name} {what}")
        assert len(table.first()) <= 1


WIDER = {"U": frozenset(("S1", "load")), "S1": frozenset(("load",)), "S2": frozenset(("load",)), "H": frozenset(("p",))}
LEAN = (row("lean", "lean", DANGER), row("slip", "lean", DANGER), row("ahead", "lean"), row("lean", "lean", CAUTION))


@pytest.mark.parametrize(
    ("said", "under"),
    [
        ("slip on, ahead on", {"slip S1 danger": None, "ahead S1 warning": "slip S1"}),
        (
            "ahead on, slip on, lean danger on",
            {"lean S1 danger": None, "slip S1 danger": "lean S1", "ahead S1 warning": "lean S1"},
        ),
        ("lean danger on, lean caution on", {"lean S1 danger": None, "lean S1 caution": "lean S1"}),
        ("slip on, ahead@S2 on", {"slip S1 danger": None, "ahead S2 warning": None}),  # elsewhere
        ("slip on, ahead@load on", {"slip S1 danger": None, "ahead load warning": "slip S1"}),  # holds it
        ("slip on, ahead@U on", {"slip S1 danger": None, "ahead U warning": "slip S1"}),  # lies in it
        ("slip on, slip off, ahead on", {"slip S1 danger": None, "ahead S1 warning": None}),  # a root stands
        ("ahead on, lean caution on, ahead shelve", {"ahead S1 warning": None, "lean S1 caution": None}),  # in sight
        ("ahead on, lean caution on, ahead out", {"ahead S1 warning": None, "lean S1 caution": None}),
        ("ahead on, ahead ack, lean caution on", {"ahead S1 warning": None, "lean S1 caution": "ahead S1"}),
        (
            "slip on, ahead@load on, lean caution@S2 on",  # what stands under one is no root itself
            {"slip S1 danger": None, "ahead load warning": "slip S1", "lean S2 caution": None},
        ),
    ],
)
def test_the_root_of_a_group_is_named(said, under):
    table = Table(*LEAN, wider=WIDER)
    table.say(said)
    assert table.under() == under


def test_a_row_may_be_the_root_of_another_group():
    table = Table(
        row("link", "link", root_of="sensors"), row("lost", "sensors"), row("range", "sensors", DANGER), wider=WIDER
    )
    table.say("lost@H on, lost@K on, range@H on, link@p on")
    assert table.under() == {
        "range H danger": None,  # never under a lesser one
        "link p warning": None,
        "lost H warning": "link p",
        "lost K warning": None,
    }


@given(
    some.lists(
        some.tuples(some.sampled_from(range(4)), some.sampled_from(["S1", "S2", "load", "U"]), some.booleans()),
        max_size=20,
    )
)
def test_nothing_is_hidden_and_nothing_stands_under_a_lesser_one(said):
    table = Table(*LEAN, wider=WIDER)
    standing = set()
    for t, (rank, about, on) in enumerate(said):
        table.book.look(LEAN[rank], about, ON if on else OFF, t * S)
        (standing.add if on else standing.discard)((rank, about))
    pictures = table.book.pictures()
    shown = {(it.rule, it.about, it.priority) for it in pictures}
    assert {(LEAN[rank].name, about, LEAN[rank].priority) for rank, about in standing} <= shown
    for it in pictures:
        if it.under is not None:
            root = next(root for root in pictures if f"{root.rule} {root.about}" == it.under and root.under is None)
            assert root.active
            assert root.priority >= it.priority
            assert root.state is AlarmState.UNACKNOWLEDGED


def test_what_holds_what_on_a_rig(rig):
    wider = wider_places(rig)
    assert wider["S1"] == {"load"}
    assert wider["S1-upper"] == {"S1", "load"}
    assert wider["N1"] == {"load"}
    assert wider["H1"] == {next(channel.source.port for channel in rig.channel if channel.name == "H1")}


def test_every_rule_has_one_cause():
    names = [name for names in CAUSES.values() for name in names]
    assert len(names) == len(set(names))
    assert {rule.name for rule in RULES} <= set(names)
    assert row("nobody-names-it").cause == "nobody-names-it"
    assert row("lean").cause == "lean"
    assert row("lean", "mine").cause == "mine"


def test_the_shore_that_sticks_is_the_root_of_what_it_brings(lift, clean_script):
    def stuck(t):
        it = clean_script(t)
        it.gap_n1 = max(0.001, it.rise * 4.6 / 4.2 - 0.020)
        return it

    lift.play(stuck, 36.0)
    alarms = [it for it in lift.pictures[-1].alarms if it.rule in CAUSES["shores"]]
    assert [(it.rule, it.about, it.priority.word, it.first, it.under) for it in alarms] == [
        ("shore-behind", "N1", "danger", False, None),
        ("uncaptured", "load", "danger", False, "shore-behind N1"),
        ("shore-behind", "N1", "warning", True, "shore-behind N1"),
        ("uncaptured", "load", "warning", False, "shore-behind N1"),
    ]
    ranks = [it.priority for it in alarms]
    assert all(a >= b for a, b in pairwise(ranks))
