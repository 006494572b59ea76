"""The watch alone, on tables of a few rows and a scene that nothing was read in. All invented."""

from __future__ import annotations

from dataclasses import replace
from math import inf

import pytest

from monitor.engine.conditions import Measured, Scene, Unknown
from monitor.engine.engine import Engine
from monitor.engine.occasions import WAITS_FOR
from monitor.engine.picture import AlarmPicture, Blind, Priority
from monitor.engine.rules import Rule
from monitor.engine.watch import Watch
from replay.entries import Tick

S = 1_000_000_000
DANGER, WARNING = Priority.DANGER, Priority.WARNING
ON, OFF = Measured(2.0, "far gone", {}), Measured(0.0, "well", {})


@pytest.fixture
def scene(rig) -> Scene:
    engine = Engine(rig)
    return engine._scene(engine.tick(Tick(0)), None, 0)


def at(scene: Scene, seconds: float) -> Scene:
    return replace(scene, picture=replace(scene.picture, time_ns=round(seconds * S)), dark={})


class Says:
    """A condition that says of each place what it is told to; what is an error it raises."""

    def __init__(self, **said) -> None:
        self.said = said

    def __call__(self, _: Scene, about: str):
        it = self.said[about]
        if isinstance(it, Exception):
            raise it
        return it


def row(name: str, look: Says, priority=WARNING, **more) -> Rule:
    more = {"on_s": 0.0, "off_s": 0.0} | more
    return Rule(name, priority, lambda _: tuple(look.said), look, "hold", **more)


def alarms(watch: Watch) -> list[tuple[str, str, str, bool]]:
    return [(it.rule, it.about, it.priority.word, it.active) for it in watch.book.pictures()]


def only(watch: Watch) -> AlarmPicture:
    (it,) = watch.book.pictures()
    return it


def test_places_are_known_from_the_first_look_on_each_once(scene):
    watch = Watch((row("a", Says(A=OFF, B=OFF), DANGER), row("b", Says(C=OFF)), row("a", Says(B=OFF, D=OFF))))
    assert watch.places("a") == ()
    watch.look(scene)
    assert (watch.places("a"), watch.places("b"), watch.places("c")) == (("A", "B", "D"), ("C",), ())


def test_places_are_asked_for_once(scene):
    asked = []
    rule = replace(row("a", Says(A=OFF)), about=lambda _: asked.append(1) or ("A",))
    watch = Watch((rule,))
    for _ in range(3):
        watch.look(scene)
    assert len(asked) == 1


def test_the_book_knows_what_holds_what(scene):
    watch = Watch((row("wide", Says(load=ON), DANGER, group="g"), row("near", Says(S1=ON), group="g")))
    watch.look(scene)
    assert [(it.rule, it.under) for it in watch.book.pictures()] == [("wide", None), ("near", "wide load")]


def test_what_cannot_be_judged_is_told_each_once(scene):
    first, second = Says(A=Unknown("no gauge", ("p",)), B=OFF), Says(A=Unknown("no head"), B=Unknown("no head"))
    watch = Watch((row("a", first, DANGER), row("a", second)))
    assert watch.look(scene) == (Blind("a", "A", "no gauge"), Blind("a", "B", "no head"))
    assert alarms(watch) == []


def test_a_channel_is_dark_where_a_danger_is_blind_without_it(scene):
    blind = Unknown("?", ("p", "q"))
    watch = Watch(
        (row("a", Says(A=blind, B=Unknown("?", ("p",))), DANGER), row("b", Says(A=Unknown("?", ("r",))), WARNING))
    )
    watch.look(scene)
    assert scene.dark == {"p": ["a A", "a B"], "q": ["a A"]}


def test_a_rule_that_breaks_is_a_danger_at_its_place_until_it_works_again(scene):
    look = Says(A=KeyError("gone"), B=OFF)
    watch = Watch((row("a", look, latch=True, off_s=7.0), row("b", Says(A=ON))))
    assert watch.look(scene) == (Blind("a", "A", "rule failed: KeyError"),)
    assert alarms(watch) == [("a", "A", "danger", True), ("b", "A", "warning", True)]
    broken = watch.book.pictures()[0]
    assert broken.text == "DANGER  a A: rule failed: KeyError - watch it"
    assert broken.evidence == (("failed", "rule failed: KeyError"),)
    look.said["A"] = OFF
    assert watch.look(at(scene, 1.0)) == ()
    assert alarms(watch)[0] == ("a", "A", "danger", True)  # for the row's own off-delay
    watch.look(at(scene, 7.9))
    assert alarms(watch)[0][3]
    watch.look(at(scene, 8.0))
    assert alarms(watch) == [("a", "A", "danger", False), ("b", "A", "warning", True)]
    watch.book.acknowledge("a", "A", 9 * S)
    assert alarms(watch) == [("b", "A", "warning", True)]  # seen and gone: it is not latched, though the row is


def test_a_rule_that_breaks_again_sounds_again(scene):
    look = Says(A=ValueError())
    watch = Watch((row("a", look),))
    for t, said in enumerate((ValueError(), OFF, ValueError())):
        look.said["A"] = said
        watch.look(at(scene, t))
    assert (only(watch).active, only(watch).raised_ns) == (True, 2 * S)


def test_a_rule_that_broke_is_judged_as_it_was_before_once_it_works(scene):
    look = Says(A=ValueError(), B=OFF)
    watch = Watch((row("a", look),))
    watch.look(scene)
    assert watch.look(scene)[0].because == "rule failed: ValueError"
    look.said.update(A=OFF, B=ON)
    watch.look(at(scene, 1.0))
    assert alarms(watch) == [("a", "A", "danger", False), ("a", "B", "warning", True)]


def test_what_breaks_is_no_dark_channel_and_no_root(scene):
    watch = Watch((row("a", Says(load=ValueError()), DANGER, group="g"), row("b", Says(S1=ON), group="g")))
    watch.look(scene)
    assert scene.dark == {}
    assert [(it.rule, it.under) for it in watch.book.pictures()] == [("a", None), ("b", None)]


class Heard(Says):
    """The same, which keeps each place it was asked of, and up to which share nobody listened."""

    def __init__(self, **said) -> None:
        super().__init__(**said)
        self.asked: list[tuple[str, float]] = []

    def __call__(self, scene: Scene, about: str):
        self.asked.append((about, scene.above))
        return super().__call__(scene, about)

    def since(self) -> list[tuple[str, float]]:
        asked, self.asked = self.asked, []
        return asked


def test_of_a_channel_that_is_not_odd_nothing_is_asked_until_it_sounded(scene):
    look = Heard(p=OFF, q=ON)
    watch = Watch((row("a", look, odd_only=True),))
    watch.look(scene)
    assert look.since() == []
    watch.look(replace(scene, odd=frozenset({"q"})))
    assert look.since() == [("q", 1.0)]
    watch.look(scene)
    assert look.since() == [("q", -inf)], "it sounded, and is to clear"
    watch.look(replace(scene, odd=frozenset({"p", "q"})))
    assert look.since() == [("p", 1.0), ("q", -inf)]


@pytest.mark.parametrize("odd_only", [False, True])
def test_what_waits_is_asked_on_its_occasion_and_for_ever_once_it_sounded(scene, monkeypatch, odd_only):
    look = Heard(p=OFF)
    monkeypatch.setitem(WAITS_FOR, look, "alarms")
    watch = Watch((row("a", look, odd_only=odd_only),))
    quiet, loud = (replace(scene, raises=it, odd=frozenset({"p"})) for it in (0, 1))
    watch.look(quiet)
    assert look.since() == []
    watch.look(loud)
    assert look.since() == [("p", 1.0)]
    watch.look(replace(loud, odd=frozenset()))
    assert look.since() == ([] if odd_only else [("p", 1.0)])
    look.said["p"] = ON
    watch.look(loud)
    watch.look(replace(quiet, odd=frozenset()))
    assert look.since() == [("p", 1.0), ("p", -inf)]


def test_two_priorities_look_once_and_the_lesser_limit_is_listened_to(scene):
    look, other = Heard(A=OFF, B=OFF), Heard(A=OFF)
    rows = row("z", other, set_at=0.7), row("a", look, DANGER, set_at=1.0), row("a", look, set_at=0.8)
    watch = Watch(rows)
    watch.look(scene)
    assert look.since() == [("A", 0.8), ("B", 0.8)]
    assert other.since() == [("A", 0.7)]
    look.said["A"] = Measured(0.9, "near", {})
    watch.look(scene)
    assert alarms(watch) == [("a", "A", "warning", True)]
    look.since()
    watch.look(scene)
    assert look.since() == [("A", -inf), ("B", 0.8)]


def test_what_is_seen_at_one_place_is_not_taken_for_another(scene):
    look = Heard(A=ON, B=OFF)
    watch = Watch((row("a", look, DANGER, set_at=1.0), row("a", look, set_at=0.8)))
    watch.look(scene)
    assert look.since() == [("A", 0.8), ("B", 0.8)]
    assert alarms(watch) == [("a", "A", "danger", True), ("a", "A", "warning", True)]


def test_what_sounded_and_is_watched_no_more_is_over(scene):
    look = Says(A=ON)
    watch = Watch((row("a", look),))
    watch.look(scene)
    look.said["A"] = None
    watch.look(at(scene, 1.0))
    assert alarms(watch) == [("a", "A", "warning", False)]


def test_a_share_at_its_limit_begins_nothing(scene):
    watch = Watch((row("a", Says(A=Measured(1.0, "there", {}))),))
    watch.look(scene)
    assert alarms(watch) == []
