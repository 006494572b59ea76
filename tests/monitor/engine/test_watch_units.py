"""The watch alone, on tables of a few rows and a scene that nothing was read in. All invented."""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.engine.conditions import Measured, Scene, Unknown
from monitor.engine.engine import Engine
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
