"""Shores that drop, that lift and that could, each condition alone on scenes made by hand. All invented.

The example's hinge lies along y at x = 0; shores N1 and N2 stand 4.6 m from it, lock by 1 mm and tremble by `NOISE`.
"""

from __future__ import annotations

from dataclasses import replace
from math import cos, sin

import pytest

from monitor.engine import lowering
from monitor.engine.alone import Moved
from monitor.engine.conditions import Scene, Unknown
from monitor.engine.engine import Engine
from monitor.engine.estimate import PoseEstimate
from monitor.engine.mounts import Level
from monitor.engine.picture import ZeroPicture
from monitor.rig.schema import Rig
from replay.entries import Tick

NOISE = 0.0004
"""Of both extensions (m): a smoothed length may be off by 1.5 of it, 0.6 mm."""
W, ARM, UP = 56e3, 2.4, 0.10
PISTON, AT = 28e-4, 4.6
STILL = (("N1", 0.0, 0.0), ("N2", 0.0, 0.0))
"""Of each shore: how far the load rose there, how far it grew."""


def pose(a: float = 0.0, b: float = 0.0) -> PoseEstimate:
    return PoseEstimate((0.0, a, b, 0.0, 0.0, 0.0), [[0.0] * 6 for _ in range(6)], Level(0.0, 0.0))


@pytest.fixture
def document(document: dict) -> dict:
    for channel in document["channel"]:
        if channel["name"] in ("N1-ext", "N2-ext"):
            channel["noise"] = f"{NOISE * 1e3} mm"
    return document


@pytest.fixture
def blank(document: dict) -> Scene:
    """Zeroed, and the pose is not known."""
    engine = Engine(Rig.model_validate(document))
    scene = engine._scene(engine.tick(Tick(0)), None, 0)
    return picture(scene, zero=ZeroPicture(1, ready=False, why_not=""))


@pytest.fixture
def scene(blank: Scene) -> Scene:
    """The pose is known; both shores stand close below the load, 100 mm out."""
    it = replace(blank, pose=pose())
    for name in ("N1", "N2"):
        it = shore(it, name, gap_m=0.0, gap_sd_m=0.0, extension_m=0.1, shortened_m=0.0, doing="locked")
    return it


def picture(scene: Scene, **values) -> Scene:
    return replace(scene, picture=replace(scene.picture, **values))


def shore(scene: Scene, name: str, **values) -> Scene:
    return picture(scene, shores=tuple(replace(it, **values) if it.name == name else it for it in scene.picture.shores))


def shores(scene: Scene, **values) -> Scene:
    return shore(shore(scene, "N1", **values), "N2", **values)


def balance(scene: Scene, **values) -> Scene:
    return picture(scene, balance=replace(scene.picture.balance, **values))


def moved(scene: Scene, by: float, **more) -> Scene:
    values = {"bound_m": 0.001, "alone": True, "by_air": True, "unheard": (), "air_fell": False, "shores": STILL} | more
    return replace(scene, moved=Moved(by, **values))


def unhinged(scene: Scene) -> Scene:
    return replace(scene, rig=scene.rig.model_copy(update={"load": scene.rig.load.model_copy(update={"hinge": None})}))


def without(scene: Scene, document: dict, *names: str) -> Scene:
    for name in names:
        document["load"].pop(name, None)
    return replace(scene, rig=Rig.model_validate(document))


def gauged(scene: Scene) -> Scene:
    """Of the bags the upper has a pressure, the lower none."""
    first = scene.picture.stacks[0]
    low, high = first.bags
    return picture(scene, stacks=(replace(first, bags=(low, replace(high, pressure_pa=2e5))),))


# A shore that drops.


def test_shore_drop(scene, blank):
    # One pitch and two millimetres of seating; the length's own error of 0.2 mm three times.
    it = lowering.shore_drop(shore(scene, "N1", dropped_m=0.006), "N1")
    assert (it.share, it.what) == (pytest.approx(6.6 / 3.0), "6 mm shorter, locked")
    assert it.evidence == {"dropped_m": 0.006, "limit_m": pytest.approx(0.003), "gap_m": 0.0}
    assert lowering.shore_drop(shore(scene, "N1", dropped_m=0.006, told_released=True), "N1") is None
    assert lowering.shore_drop(shore(scene, "N1", dropped_m=None), "N1") == Unknown(
        "length of N1 not known", ("N1-ext",)
    )
    unzeroed = picture(blank, zero=ZeroPicture(None, ready=True, why_not=""))
    assert lowering.shore_drop(unzeroed, "N1") == Unknown("no zero taken yet")


def test_a_length_whose_noise_nobody_gave_may_be_off_by_half_a_millimetres(scene):
    channels = [it.model_copy(update={"noise": None}) for it in scene.rig.channel]
    bare = replace(scene, rig=scene.rig.model_copy(update={"channel": channels}))
    it = lowering.shore_drop(shore(bare, "N1", dropped_m=0.006), "N1")
    assert it.share == pytest.approx(6.75 / 3.0)


# Shores that lift.


def lifts(scene: Scene, rose: float = 0.008, grew: float | None = 0.008, air: float | None = 3e5, **more):
    shape = (("N2", 0.0, 0.0), ("N1", rose, grew))
    return lowering.shore_lifting(shore(moved(scene, rose, shores=shape, **more), "N1", air_pa=air), "N1")


def test_shore_lifting(scene, blank):
    it = lifts(scene)
    assert (it.share, it.what) == (pytest.approx(2.0), "load up 8 mm, no bag filling")
    assert it.evidence == {"rise_m": 0.008, "grown_m": 0.008, "limit_m": 0.004, "air_pa": 3e5}
    assert lowering.shore_lifting(blank, "N1") == blank.no_pose()
    assert lifts(scene, grew=None) == Unknown("length of N1 not known", ("N1-ext",))
    said = Unknown("pressure in S1-lower not known", ("S1-lower-p",))
    assert lifts(gauged(scene), alone=None, unheard=("S1-lower", "S1-upper")) == said


@pytest.mark.parametrize(
    ("values", "lifted"),
    [
        ({"alone": False}, False),
        ({"grew": 0.004}, True),  # half as far, met exactly
        ({"grew": 0.0039}, False),
        ({"by_air": False, "bound_m": 0.0079}, True),
        ({"by_air": False, "bound_m": 0.008}, False),
        ({"by_air": False, "bound_m": None}, False),
        ({"by_air": True, "bound_m": None}, True),
        ({"air": None}, True),
        ({"air": 2.25e5}, False),  # one and a quarter of what it follows with, met exactly
        ({"air": 2.26e5}, True),
    ],
)
def test_a_shore_lifts_where_nothing_else_does_and_it_can(scene, values, lifted):
    assert lifts(scene, **values).share == pytest.approx(2.0 if lifted else 0.5)


@pytest.mark.parametrize(("moment", "lifted"), [(13e3, True), (14e3, False), (None, False)])
def test_a_shore_at_its_own_air_lifts_a_light_load(scene, moment, lifted):
    # 2 bar on 28 cm^2, 4.6 m from the hinge: 2.58 kN m, more than a fifth of 12.9 kN m, and N2 adds 0.1 of it.
    light = balance(shore(scene, "N2", air_pa=0.1e5), moment_nm=moment)
    assert (lifts(light, air=2e5).share > 1.0) is lifted


@pytest.mark.parametrize(("rose", "share"), [(0.001, 0.25), (0.003, 0.5), (-0.003, 0.0)])
def test_a_load_that_hardly_rises_is_not_lifted(scene, rose, share):
    assert lifts(scene, rose=rose, grew=-1.0).share == pytest.approx(share)


def test_what_would_lift_is_not_known_without_a_weight(scene, document):
    bare = without(scene, document, "weight")
    assert lifts(bare, air=2e5).share == 0.5


# Air that could lift.


def push(bar: float) -> float:
    return bar * 1e5 * PISTON * AT


def test_shore_air_high(scene):
    it = lowering.shore_air_high(balance(shores(scene, air_pa=2e5), moment_nm=10e3), "load")
    share = 2 * push(2.0) / 10e3
    assert it.share == pytest.approx(share / 0.5)
    assert it.what == f"{share:.0%} of what lifts it, 50% allowed"
    assert it.evidence == {"push": pytest.approx(2 * push(2.0)), "lifts": 10e3, "limit": 0.5, "by": "forces"}
    none = replace(scene, rig=scene.rig.model_copy(update={"shore": []}))
    assert lowering.shore_air_high(none, "load") is None
    for moment in (0.0, -1.0):
        assert lowering.shore_air_high(balance(shores(scene, air_pa=2e5), moment_nm=moment), "load") is None


def test_air_below_none_pushes_nothing(scene):
    it = lowering.shore_air_high(balance(shore(shores(scene, air_pa=2e5), "N1", air_pa=-1e4), moment_nm=10e3), "load")
    assert it.evidence["push"] == pytest.approx(push(2.0))


def test_shore_air_that_is_not_known(scene):
    # One alone that is beyond it is beyond it; one that is not may be with the other.
    one = balance(shore(shores(scene, air_pa=None), "N1", air_pa=2e5), moment_nm=10e3)
    assert lowering.shore_air_high(one, "load") == Unknown("air at N2 not known", ("N2-p",))
    assert lowering.shore_air_high(balance(one, moment_nm=5e3), "load").share == pytest.approx(push(2.0) / 2.5e3)
    met = balance(one, moment_nm=2.0 * 2e5 * PISTON * AT)
    assert isinstance(lowering.shore_air_high(met, "load"), Unknown)
    both = balance(shores(scene, air_pa=None), moment_nm=10e3)
    assert lowering.shore_air_high(both, "load") == Unknown("air at N1 not known", ("N1-p", "N2-p"))


def test_what_lifts_a_load_by_its_plan(scene, document):
    it = lowering.shore_air_high(shores(scene, air_pa=2e5), "load")
    assert it.evidence["lifts"] == pytest.approx(W * ARM)
    assert it.evidence["by"] == "plan"
    turned = replace(shores(scene, air_pa=2e5), pose=pose(0.12, 0.16))
    least = W * (ARM * cos(0.2) - UP * sin(0.2))
    assert lowering.shore_air_high(turned, "load").evidence["lifts"] == pytest.approx(least)
    lying = replace(turned, pose=None)
    assert lowering.shore_air_high(lying, "load").evidence["lifts"] == pytest.approx(W * ARM)
    said = Unknown("what would lift the load is not known: no weight is planned or measured")
    assert lowering.shore_air_high(without(scene, document, "weight"), "load") == said


def test_what_lifts_a_load_is_not_known_without_its_centre(scene, document):
    said = Unknown("what would lift the load is not known: no weight is planned or measured")
    assert lowering.shore_air_high(without(scene, document, "centre_of_gravity"), "load") == said


def test_what_lifts_a_free_load_is_its_weight(scene, document):
    free = shores(unhinged(scene), air_pa=2e5)
    it = lowering.shore_air_high(free, "load")
    assert it.evidence == {
        "push": pytest.approx(2 * 2e5 * PISTON),
        "lifts": pytest.approx(W),
        "limit": 0.5,
        "by": "plan",
    }
    it = lowering.shore_air_high(balance(free, weight_n=1e3, moment_nm=7.0), "load")
    assert (it.evidence["lifts"], it.evidence["by"]) == (1e3, "forces")
    bare = unhinged(without(free, document, "weight"))
    assert isinstance(lowering.shore_air_high(bare, "load"), Unknown)


def test_arms_are_from_a_hinge_wherever_it_lies(scene):
    # From (1, -0.5) to (2.2, 1.1): N1 at (4.6, 1) is 0.8 * 3.6 - 0.6 * 1.5 = 1.98 m from it, N2 at (4.6, -1) 3.18 m.
    hinge = ((1.0, -0.5), (2.2, 1.1))
    askew = replace(
        scene, rig=scene.rig.model_copy(update={"load": scene.rig.load.model_copy(update={"hinge": hinge})})
    )
    it = lowering.shore_air_high(shores(askew, air_pa=2e5), "load")
    assert it.evidence["push"] == pytest.approx(2e5 * PISTON * (1.98 + 3.18))
    assert it.evidence["lifts"] == pytest.approx(W * (0.8 * 1.4 - 0.6 * 0.5))


def test_words_are_in_the_units_of_the_rig(scene, document):
    document["rig"]["units"] = "us"
    us = replace(shores(scene, dropped_m=0.0), rig=Rig.model_validate(document))
    assert lowering.shore_drop(shore(us, "N1", dropped_m=0.0254), "N1").what == "1 in shorter, locked"
    assert lifts(us, rose=0.0254, grew=0.0254).what == "load up 1 in, no bag filling"
