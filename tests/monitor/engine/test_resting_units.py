"""What cribs and ground have to bear, on scenes made by hand; shares of a beam from any statics text. All else invented."""

from __future__ import annotations

from dataclasses import replace
from math import asin, pi, tan

import pytest

from monitor.engine import resting
from monitor.engine.conditions import Scene, Unknown
from monitor.engine.engine import Engine
from monitor.engine.shores import Crib
from monitor.rig.schema import Ground, Rig
from monitor.rig.timber import crib_guidance, ground_area
from replay.entries import Tick

AT = (4.0, 0.0)
W, ARM = 56e3, 2.4
"""The example's load, and how far its centre of gravity is from the hinge; the crib is 4 m from it, in line with both."""
FLAT = W * ARM / 4.0


@pytest.fixture
def document(document: dict) -> dict:
    document["crib"] = [{"name": "C1", "at": ["4.0 m", "0 m"], "width": "0.6 m"}]
    return document


@pytest.fixture
def scene(document) -> Scene:
    """A crib packed below a load at no rise, on ground that bears 5 bar; shores hold nothing."""
    engine = Engine(Rig.model_validate(document))
    scene = engine._scene(engine.tick(Tick(0)), None, 0)
    return replace(ground(scene), cribs=(Crib(AT, 0.0),))


def ground(scene: Scene) -> Scene:
    return replace(scene, rig=scene.rig.model_copy(update={"ground": Ground(bearing=5e5)}))


def with_rig(scene: Scene, document: dict) -> Scene:
    return ground(replace(scene, rig=Rig.model_validate(document)))


def picture(scene: Scene, **values) -> Scene:
    return replace(scene, picture=replace(scene.picture, **values))


def risen(scene: Scene, rise: float) -> Scene:
    return picture(scene, load=replace(scene.picture.load, rise_m=rise))


def stack(scene: Scene, **values) -> Scene:
    return picture(scene, stacks=(replace(scene.picture.stacks[0], **values),))


def balance(scene: Scene, **values) -> Scene:
    return picture(scene, balance=replace(scene.picture.balance, **values))


def most(scene: Scene) -> float:
    return resting.crib_limit(scene, "C1").evidence["most_n"]


def test_what_is_not_packed_bears_nothing(scene):
    bare = replace(scene, cribs=(Crib((1.0, 0.0), 0.0),))
    assert resting.crib_limit(bare, "C1") is None
    assert resting.ground_limit(bare, "C1") is None


def test_a_crib_at_the_end_of_a_beam_about_its_hinge(scene):
    guide = crib_guidance(scene.rig.crib[0])
    it = resting.crib_limit(scene, "C1")
    assert it.share == pytest.approx(FLAT / guide.capacity_n)
    assert it.what == "up to 33.6 kN, guides say 106.8 kN"  # two by two of 4x4: 24 000 lbf
    assert it.evidence == {"most_n": pytest.approx(FLAT), "limit_n": guide.capacity_n}


def test_a_load_that_has_turned_rests_nearer_to_its_hinge(scene):
    turned = asin(0.3 / 4.2)  # the stack's head is 4.2 m from the hinge, the centre of gravity 0.10 m up
    assert most(risen(scene, 0.3)) == pytest.approx(W * (ARM - 0.10 * tan(turned)) / 4.0)
    assert most(risen(scene, -0.3)) == pytest.approx(FLAT)


@pytest.mark.parametrize(
    ("packed", "tall", "too"), [(0.979, 1.219, False), (0.9795, 1.2195, True), (-0.1, 0.24, False)]
)
def test_a_crib_is_no_taller_than_its_timber_allows(scene, packed, tall, too):
    # 4x4: four feet, 1.2192 m. Flat bags and plates are 0.24 m high.
    it = resting.crib_limit(replace(scene, cribs=(Crib(AT, packed),)), "C1")
    if too:
        assert it.share == pytest.approx(tall / 1.2192)
        assert it.what == "1.22 m high, guides say 1.22 m"
        assert it.evidence == {"height_m": pytest.approx(tall), "limit_m": pytest.approx(1.2192)}
    else:
        assert "most_n" in it.evidence


@pytest.mark.parametrize(
    ("near", "nearer"),
    [
        ((4.0, 0.5), True),
        ((4.5, 0.0), True),
        ((3.5, 0.0), True),
        ((4.0, 0.7), False),
        ((4.7, 0.0), False),
        ((4.5, 0.5), False),
    ],
)
def test_a_crib_is_as_high_as_the_stack_nearest_to_it(scene, near, nearer):
    # All of it half a metre to one side.
    first = scene.rig.stack[0].model_copy(update={"at": (4.0, -0.1)})
    second = first.model_copy(update={"name": "S2", "at": (near[0], near[1] + 0.5), "height_at_zero": 1.5})
    crib = scene.rig.crib[0].model_copy(update={"at": (4.0, 0.5)})
    two = replace(scene, rig=scene.rig.model_copy(update={"stack": [first, second], "crib": [crib]}))
    two = replace(two, cribs=(Crib((4.0, 0.5), 0.0),))
    assert resting.crib_limit(two, "C1").evidence.get("height_m") == (1.5 if nearer else None)


def test_shares_are_not_known_without_a_place_or_a_weight(scene, document):
    nowhere = document | {"load": {k: v for k, v in document["load"].items() if k != "centre_of_gravity"}}
    said = Unknown("shares not known: no centre of gravity is planned")
    assert resting.crib_limit(with_rig(scene, nowhere), "C1") == said
    assert resting.ground_limit(with_rig(scene, nowhere), "C1") == said
    weightless = document | {"load": {k: v for k, v in document["load"].items() if k != "weight"}}
    said = Unknown("shares not known: no weight is planned or measured")
    light = stack(with_rig(scene, weightless), force_n=2e4)  # a stack's force beside a hinge is not the load's weight
    assert resting.crib_limit(light, "C1") == said
    assert most(balance(light, weight_n=1e4)) == pytest.approx(1e4 * ARM / 4.0)
    assert most(balance(light, moment_nm=8e4)) == pytest.approx(2e4)  # 80 kN m, 4 m from the hinge


def test_what_forces_say_goes_before_the_plan(scene):
    assert most(balance(scene, weight_n=1e4, moment_nm=8e4)) == pytest.approx(1e4 * ARM / 4.0)
    assert most(balance(scene, moment_nm=8e4)) == pytest.approx(2e4)


def test_a_moment_says_the_weight_however_near_the_hinge_it_is(scene, document):
    document["load"]["centre_of_gravity"] = ["0.5 m", "0 m", "0.1 m"]
    assert most(balance(with_rig(scene, document), moment_nm=8e3)) == pytest.approx(2e3)


def test_a_moment_about_a_hinge_under_the_centre_says_no_weight(scene, document):
    document["load"]["centre_of_gravity"] = ["0 m", "0 m", "0.1 m"]
    assert most(balance(with_rig(scene, document), moment_nm=8e4)) == pytest.approx(0.0, abs=1e-6)


def test_a_free_load_on_one_crib_falls_off(scene, document):
    document["load"].pop("hinge")
    off = Unknown("shares not known: what is packed does not stand on every side of the load's weight")
    assert resting.crib_limit(with_rig(scene, document), "C1") == off
    assert resting.ground_limit(with_rig(scene, document), "C1") == off


@pytest.mark.parametrize(("force", "weight"), [(None, W), (4e4, W), (7e4, 7e4)])
def test_a_free_load_weighs_what_its_bags_give_or_the_plan_says(scene, document, force, weight):
    document["load"].pop("hinge")
    cribs = (Crib(AT, 0.0), Crib((0.8, 0.0), 0.0))  # on either side of its weight, 1.6 m from each
    free = stack(replace(with_rig(scene, document), cribs=cribs), force_n=force)
    assert most(free) == pytest.approx(weight / 2.0)


SHORE = {"gap_m": 0.0, "gap_allowed_m": 0.006, "doing": "locked"}


@pytest.mark.parametrize(
    ("values", "holds"),
    [
        ({}, True),
        ({"gap_m": 0.006}, True),  # as far as allowed, met exactly
        ({"gap_m": 0.0061}, False),
        ({"gap_m": None}, False),
        ({"doing": "released"}, False),
    ],
)
def test_shores_that_follow_take_part(scene, document, values, holds):
    # A free load over its crib with shores on one side: without them, or they without a third, it goes over.
    document["load"].pop("hinge")
    free = replace(with_rig(scene, document), cribs=(Crib(AT, 0.0), Crib((1.0, 1.0), 0.0)))
    shores = tuple(
        replace(s, at=at, **SHORE | more)
        for s, at, more in zip(free.picture.shores, [(1.0, -1.0), (9.0, 9.0)], [values, {"gap_m": None}], strict=True)
    )
    it = resting.crib_limit(picture(free, shores=shores), "C1")
    if holds:  # moments about the line x = 1: 3 m to the crib, 1.4 m to the weight
        assert it.evidence["most_n"] == pytest.approx(W * 1.4 / 3.0)
    else:
        assert isinstance(it, Unknown)


def test_ground_is_judged_where_somebody_said_what_it_bears(scene):
    silent = replace(scene, rig=scene.rig.model_copy(update={"ground": None}))
    assert resting.ground_limit(silent, "C1") is None
    assert resting.ground_limit(silent, "S1") is None


def test_ground_below_a_crib(scene):
    pressure = FLAT / ground_area(scene.rig.crib[0])
    it = resting.ground_limit(scene, "C1")
    assert it.share == pytest.approx(pressure / 5e5)
    assert it.what == f"{pressure / 1e5:.2f} bar on ground for 5.00 bar"
    assert it.evidence == {"pressure_pa": pytest.approx(pressure), "limit_pa": 5e5}


def test_ground_below_a_stack(scene):
    it = resting.ground_limit(stack(scene, force_n=32e3, ring_m=0.15), "S1")
    assert it.evidence["pressure_pa"] == pytest.approx(32e3 / (pi * 0.15**2))
    gauges = ("S1-lower-p", "S1-upper-p")
    for rise in (0.005, 0.1):  # five millimetres, met exactly
        assert resting.ground_limit(stack(scene, rise_m=rise), "S1") == Unknown("force on S1 not known", gauges)
    for rise in (None, 0.0, 0.0049):
        assert resting.ground_limit(stack(scene, rise_m=rise), "S1") is None


def test_words_are_in_the_units_of_the_rig(scene, document):
    document["rig"]["units"] = "us"
    us = with_rig(scene, document)
    assert resting.crib_limit(us, "C1").what == "up to 7550 lbf, guides say 24000 lbf"
    assert resting.crib_limit(replace(us, cribs=(Crib(AT, 1.2),)), "C1").what.endswith("guides say 4 ft 0 in")
    assert resting.ground_limit(us, "C1").what.endswith("on ground for 73 psi")
