"""Each occasion by itself: given where it is, and no other with it. All invented."""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.engine.conditions import Scene
from monitor.engine.engine import Engine
from monitor.engine.occasions import Occasions, given
from monitor.engine.picture import PortPicture
from monitor.rig.schema import Ground, Rig, Step, Supply
from replay.entries import Tick

SILENT = Supply.model_construct(name="bottle")
GAUGED = Supply.model_construct(name="bottle", pressure="p")


def seen(scene: Scene, **more: object) -> Scene:
    return replace(scene, picture=replace(scene.picture, **more))


def ports(*ups: bool | None) -> tuple[PortPicture, ...]:
    return tuple(PortPicture(f"p{i}", up, "") for i, up in enumerate(ups))


def of(rig: Rig, scene: Scene, **more: object) -> Scene:
    return replace(scene, rig=rig.model_copy(update=more))


@pytest.fixture
def scene(rig) -> Scene:
    """A free lift by one stack that rests: nothing is worked, every port is up, and the file says little."""
    free = rig.model_copy(update={"load": rig.load.model_copy(update={"hinge": None}), "ground": None, "supply": []})
    engine = Engine(free)
    it = engine._scene(engine.tick(Tick(0)), None, 0)
    return replace(seen(it, ports=ports(True, True)), step=None)


def step(do: str) -> Step:
    return Step.model_construct(do=do)


NOTHING: tuple[str, ...] = ()
CHANGES = [
    (("stop",), lambda it: seen(it, stop_called="crew")),
    (("trouble",), lambda it: replace(it, notices={"recorder": "full"})),
    (("alarms",), lambda it: replace(it, raises=1)),
    (("port",), lambda it: seen(it, ports=ports(True, False))),
    (("port",), lambda it: seen(it, ports=ports(None, True))),
    (("port",), lambda it: seen(it, ports=ports(False))),
    (NOTHING, lambda it: seen(it, ports=())),
    (("asked",), lambda it: seen(it, questions=("a question",))),
    (("crib",), lambda it: replace(it, cribs=("a crib",))),
    (("venting",), lambda it: replace(it, descent="a descent")),
    (("lifting",), lambda it: seen(it, load=replace(it.picture.load, rate_m_s=0.01, rate_sd_m_s=0.001))),
    (NOTHING, lambda it: seen(it, load=replace(it.picture.load, rate_m_s=0.001, rate_sd_m_s=0.0))),
    (("worked",), lambda it: replace(it, step=step("fill"))),
    (("worked",), lambda it: replace(it, step=step("vent"))),
    (("worked",), lambda it: replace(it, step=step("lower"))),
    (NOTHING, lambda it: replace(it, step=step("hold"))),
    (("people",), lambda it: replace(it, step=step("work"))),
    (NOTHING, lambda it: of(it.rig, it, supply=[GAUGED])),
    (("counted",), lambda it: replace(of(it.rig, it, supply=[GAUGED]), step=step("hold"))),
    (NOTHING, lambda it: replace(of(it.rig, it, supply=[GAUGED, SILENT]), step=step("hold"))),
    (("ground",), lambda it: of(it.rig, it, ground=Ground.model_construct(bearing=1e5))),
    (("stacks",), lambda it: seen(it, stacks=it.picture.stacks * 2)),
    (NOTHING, lambda it: seen(it, stacks=())),
]


@pytest.mark.parametrize(("expected", "change"), CHANGES)
def test_an_occasion_is_given_by_what_it_is_named_for_and_by_nothing_else(scene, expected, change):
    assert not any(given(scene))
    found = given(change(scene))
    assert tuple(name for name in Occasions._fields if getattr(found, name)) == expected


def test_a_hinge_that_the_plan_names_is_one(scene, rig):
    found = given(of(scene.rig, scene, load=rig.load))
    assert found == given(scene)._replace(hinge=True)
