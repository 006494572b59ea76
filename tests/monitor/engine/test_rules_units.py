"""What a row of the table says of itself: its places, its cause, when it asks again, its line. All invented."""

from __future__ import annotations

import pytest

from monitor.engine.engine import Engine
from monitor.engine.guidance import GUIDANCE
from monitor.engine.picture import Priority
from monitor.engine.rules import RULES, WIDTH, Rule, line
from monitor.rig.schema import Rig
from replay.entries import Tick

PLACES = {
    "load": "uncaptured tilt cross-tilt hinge-shift over-centre overload shore-air-high hung-on-shores not-held moved-alone"
    " uneven rise-rate",
    "crew": "stop-called unticked",
    "monitor": "recorder behind-time flood",
    "supply": "air-short",
    "S1": "lean slip sinking lean-ahead reach",
    "S1-lower S1-upper": "bag-pressure bag-order bag-early no-lift out-of-step",
    "N1 N2": "shore-behind shore-drop shore-lifting shore-air-low lower-not-freed",
    "C1": "crib-limit",
    "S1 C1": "ground-limit",
}


@pytest.fixture
def scene(document):
    document["crib"] = [{"name": "C1", "at": ["4.0 m", "0 m"], "width": "0.6 m"}]
    engine = Engine(Rig.model_validate(document))
    return engine._scene(engine.tick(Tick(0)), None, 0)


def places(scene, name):
    (every,) = {rule.about(scene) for rule in RULES if rule.name == name}
    return every


@pytest.mark.parametrize(
    ("about", "name"), [(about, name) for about, names in PLACES.items() for name in names.split()]
)
def test_what_a_rule_watches(scene, about, name):
    assert places(scene, name) == tuple(about.split())


def test_every_port_and_every_channel_is_watched(scene):
    assert places(scene, "link-lost") == tuple(port.name for port in scene.rig.port)
    every = tuple(channel.name for channel in scene.rig.channel)
    assert len(every) > 10
    for name in ("sensor-lost", "sensor-range", "sensor-frozen", "sensor-noisy"):
        assert places(scene, name) == every


def test_only_what_was_zeroed_can_disagree(scene):
    assert places(scene, "sensor-disagrees") == ("H1", "H2", "H3", "load-x", "load-y", "N1-ext", "N2-ext")


def row(name="nobody-knows-it", priority=Priority.WARNING, **more):
    return Rule(name, priority, lambda _: (), lambda *_: None, "hold", **more)


@pytest.mark.parametrize("priority", Priority)
def test_a_danger_asks_again_after_a_minute(priority):
    assert row(priority=priority).asks_again_s == (60.0 if priority is Priority.DANGER else None)
    assert row(priority=priority, again_s=7.0).asks_again_s == 7.0


def test_guidance_is_that_of_the_name():
    assert row().guidance == ""
    assert row("lean").guidance == GUIDANCE["lean"]
    assert all(rule.guidance for rule in RULES)


def test_the_cause_is_the_rows_own_then_that_of_the_name_then_the_name():
    assert (row("lean", group="mine").cause, row("lean").cause, row().cause) == ("mine", "lean", "nobody-knows-it")


def test_a_line_fills_the_width_to_the_last_column():
    # 8 columns for the word, then "x S1: ", the words and " - hold".
    fits = "9" * (WIDTH - 8 - len("x S1: ") - len(" - hold"))
    assert line(row("x"), "S1", fits) == f"WARNING x S1: {fits} - hold"
    assert len(line(row("x"), "S1", fits)) == 80
    longer = line(row("x"), "S1", fits + "9")
    assert len(longer) < 80
    assert "…" in longer
