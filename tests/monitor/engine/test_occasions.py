"""What the watch does not ask has nothing to say: every look is taken, at every tick of recordings, as if all were listened to."""

from __future__ import annotations

from math import inf
from pathlib import Path

import pytest

from monitor.engine.conditions import Measured, Outcome, Scene
from monitor.engine.engine import Engine
from monitor.engine.occasions import WAITS_FOR, Occasions, given
from monitor.engine.picture import Blind
from monitor.engine.rules import RULES, Rule
from monitor.engine.watch import Watch
from monitor.rig.load import parse_rig
from replay.codec import AlarmLine
from replay.recording import read_recording

RECORDINGS = Path(__file__).parents[3] / "recordings"
SESSIONS = ("called-stop", "full-disk", "lost-sensor", "lowering", "over-centre", "wrong-order")


def ask(rule: Rule, scene: Scene, about: str, above: float) -> Outcome:
    scene.above = above
    return rule.look(scene, about)


def quiet(rule: Rule, it: Outcome) -> bool:
    return it is None or (isinstance(it, Measured) and it.share <= rule.set_at)


class AsksAll(Watch):
    """The watch, which before every look of its own takes all of them, and holds what would be left out to be nothing."""

    def __init__(self) -> None:
        super().__init__()
        self.seen: set[Occasions] = set()
        self.sounding: set[str] = set()

    def look(self, scene: Scene) -> tuple[Blind, ...]:
        occasions = given(scene)
        self.seen.add(occasions)
        for rule in self.rules:
            waits = WAITS_FOR.get(rule.look)
            for about in rule.about(scene):
                it = ask(rule, scene, about, -inf)
                if quiet(rule, it):
                    assert ask(rule, scene, about, rule.set_at) in (None, it), (rule.name, about)
                else:
                    self.sounding.add(rule.name)
                    assert waits is None or getattr(occasions, waits), (rule.name, about, it)
                    assert ask(rule, scene, about, rule.set_at) == it, (rule.name, about)
        return super().look(scene)


@pytest.mark.parametrize("name", SESSIONS)
def test_what_is_not_asked_has_nothing_to_say(name):
    recording = read_recording(RECORDINGS / f"{name}.jsonl")
    watch = AsksAll()
    engine = Engine(parse_rig(recording.header.rig), watch)
    for line in recording.lines():
        if not isinstance(line, AlarmLine):
            engine.feed(line)
    assert not watch._failed
    assert len(watch.seen) > 1
    assert watch.sounding


def test_every_look_that_waits_is_one_of_the_table_and_waits_for_what_there_is():
    assert set(WAITS_FOR) <= {rule.look for rule in RULES}
    assert set(WAITS_FOR.values()) == set(Occasions._fields)
