"""Slip, hinge, tipping and weight, each alone on scenes made by hand: share, words, evidence. All invented."""

from __future__ import annotations

from dataclasses import replace
from math import asin, atan2, degrees, hypot, radians, sin

import pytest

from monitor.engine import going as going_rules
from monitor.engine.conditions import Scene, Unknown
from monitor.engine.engine import Engine
from monitor.engine.estimate import PoseEstimate
from monitor.engine.mounts import Level
from monitor.rig.schema import Rig
from replay.entries import Tick

from .listened import Listened

going = Listened(going_rules)
LINE = ((0.0, -1.25), (0.0, 1.25))
PLANNED = atan2(2.4, 0.10)
"""The example's centre of gravity is 2.4 m from the hinge and 0.10 m above the underside (any statics text)."""


def pose(
    a: float = 0.0, b: float = 0.0, sd: float = 0.0, a0: float = 0.0, b0: float = 0.0, disputed=()
) -> PoseEstimate:
    p = [[sd * sd if i == j and i in (1, 2) else 0.0 for j in range(6)] for i in range(6)]
    return PoseEstimate((0.0, a, b, 0.0, 0.0, 0.0), p, Level(a0, b0), disputed=frozenset(disputed))


@pytest.fixture
def blank(rig: Rig) -> Scene:
    """Before anything was read."""
    engine = Engine(rig)
    return engine._scene(engine.tick(Tick(0)), None, 0)


@pytest.fixture
def scene(blank: Scene) -> Scene:
    return hinge(replace(blank, pose=pose()), line=LINE)


def stack(scene: Scene, **values) -> Scene:
    return replace(scene, picture=replace(scene.picture, stacks=(replace(scene.picture.stacks[0], **values),)))


def hinge(scene: Scene, **values) -> Scene:
    return replace(scene, picture=replace(scene.picture, hinge=replace(scene.picture.hinge, **values)))


def balance(scene: Scene, **values) -> Scene:
    return replace(scene, picture=replace(scene.picture, balance=replace(scene.picture.balance, **values)))


@pytest.mark.parametrize(
    ("slipping", "gone", "share"),
    [
        (False, None, 0.0),
        (False, 0.004, 0.2),  # half of what a slip is measured against
        (False, -0.004, 0.2),
        (False, 0.02, 0.6),
        (True, 0.004, 1.2),
        (True, -0.02, 2.0),
        (True, None, 1.2),
    ],
)
def test_slip(scene, slipping, gone, share):
    it = going.slip(stack(scene, slipping=slipping, slip_m=gone), "S1")
    assert it.share == pytest.approx(share)
    assert it.what == f"{abs(1e3 * (gone or 0.0)):.0f} mm in a second on the load"
    assert it.evidence == {"slip_m": gone}


def test_a_slip_that_nothing_sees(scene, blank):
    assert going.slip(stack(blank, slipping=None), "S1") == blank.no_pose()
    blind = stack(replace(scene, lean_missing={"S1": ("S1-head-x", "S1-head-y")}), slipping=None)
    said = Unknown("slip of S1 not seen without S1-head-x", ("S1-head-x", "S1-head-y"))
    assert going.slip(blind, "S1") == said
    bare = replace(blind, lean_missing={"S1": ()})
    assert going.slip(bare, "S1") == Unknown("slip of S1 not seen without a sensor at its head", ())


SHIFTED = {"shift_m": -0.006, "shift_limit_m": 0.004, "walk_m": 0.03}


def test_hinge_shift(scene, blank):
    assert going.hinge_shift(blank, "load") == blank.no_pose()
    said = {"walk_m": 0.03, "shift_m": -0.006, "limit_m": 0.004}
    it = going.hinge_shift(hinge(scene, **SHIFTED), "load")
    assert (it.share, it.what, it.evidence) == (pytest.approx(1.5), "walked 30 mm or sank 6 mm", said)
    it = going.hinge_shift(hinge(scene, **SHIFTED | {"shift_m": 0.002, "walk_m": -0.01}), "load")
    assert (it.share, it.what) == (pytest.approx(0.5), "walked 10 mm or rose 2 mm")


@pytest.mark.parametrize("unknown", SHIFTED)
def test_a_hinge_of_which_nothing_was_learned(scene, unknown):
    assert going.hinge_shift(hinge(scene, **SHIFTED | {unknown: None}), "load") is None


def test_whether_a_hinge_walks_is_not_known_while_two_disagree(scene):
    it = hinge(replace(scene, pose=pose(disputed=("H3", "H1", "H2"))), **SHIFTED)
    said = Unknown("whether the hinge walks is not known while H1 and H2 disagree", ("H1", "H2", "H3"))
    assert going.hinge_shift(it, "load") == said
    assert going.hinge_shift(hinge(it, line=None), "load").share == pytest.approx(1.5)


def test_over_centre_without_pose_or_line(scene, blank, document):
    assert going.over_centre(blank, "load") == blank.no_pose()
    assert going.over_centre(hinge(scene, line=None), "load") is None
    document["load"].pop("hinge")
    free = Rig.model_validate(document)
    assert going.over_centre(replace(blank, rig=free), "load") is None


def test_what_a_calibration_leaves_uncertain_counts_against_gravity_and_not_between_tilts(scene):
    """The plan's angle is one against gravity; what the forces say was measured with the same inclinometers."""
    turned = replace(scene, pose=replace(pose(sin(radians(10.0)), 0.0, 1e-3), level_sd=0.02))
    planned = going.over_centre(turned, "load")
    assert planned.share == pytest.approx((radians(10.0) + 3.0 * hypot(1e-3, 0.02)) / PLANNED, rel=1e-6)
    forces = going.over_centre(balance(turned, tip_rad=0.5, tip_sd_rad=0.0), "load")
    assert forces.share == pytest.approx((radians(10.0) + 3e-3) / 0.5, rel=1e-3)


def test_over_centre_as_planned(scene):
    turned = replace(scene, pose=pose(sin(radians(10.0)), 0.3, 1e-3))
    it = going.over_centre(turned, "load")
    assert it.share == pytest.approx((radians(10.0) + 3e-3) / PLANNED)
    assert it.what == f"10.00°, goes over at {degrees(PLANNED):.2f}°"
    assert it.evidence == {
        "tilt_rad": pytest.approx(radians(10.0)),
        "tip_rad": pytest.approx(PLANNED),
        "least_rad": pytest.approx(PLANNED),
        "by": "plan",
    }


def test_over_centre_counts_how_the_load_lay(scene):
    # At the zero it lay 5 degrees up already; b is along the hinge and counts for nothing.
    sloped = replace(scene, pose=pose(a0=sin(radians(5.0)), b0=0.1))
    assert going.over_centre(sloped, "load").evidence["tip_rad"] == pytest.approx(PLANNED - radians(5.0))


@pytest.mark.parametrize("line", [((1.0, -0.5), (2.2, 1.1)), ((2.2, 1.1), (1.0, -0.5))])
def test_over_centre_about_a_line_askew(scene, line):
    # Its normal toward the stack at (4.2, 0) is (0.8, -0.6): the centre of gravity is (2.4 - 1, 0 + 0.5) from it.
    sloped = hinge(replace(scene, pose=pose(0.08, -0.06, a0=0.04, b0=-0.03)), line=line)
    it = going.over_centre(sloped, "load")
    assert it.evidence["tip_rad"] == pytest.approx(atan2(0.8 * 1.4 - 0.6 * 0.5, 0.10) - asin(0.05))
    assert it.evidence["tilt_rad"] == pytest.approx(asin(0.15) - asin(0.05))


@pytest.mark.parametrize(
    ("line", "turned"),
    [
        (((5.0, -1.0), (5.0, 1.0)), -asin(0.05)),  # the stack is 0.8 m short of it: x counts backwards
        (((4.0, -1.0), (4.0, 1.0)), asin(0.05)),
        (((0.0, 1.0), (2.0, 1.0)), -asin(0.02)),
        (((0.0, -1.0), (2.0, -1.0)), asin(0.02)),
    ],
)
def test_a_load_turns_toward_the_side_of_its_stacks(scene, line, turned):
    it = going.over_centre(balance(hinge(replace(scene, pose=pose(0.05, 0.02)), line=line), tip_rad=0.5), "load")
    assert it.evidence["tilt_rad"] == pytest.approx(turned)


def test_over_centre_as_forces_say(scene):
    by_forces = {"tip_rad": 0.5, "tip_sd_rad": 0.05, "tip_least_rad": 0.1}
    it = going.over_centre(balance(replace(scene, pose=pose(sin(0.07))), **by_forces), "load")
    assert it.evidence == {
        "tilt_rad": pytest.approx(0.07), "tip_rad": 0.5, "least_rad": pytest.approx(0.35), "by": "forces",
    }  # fmt: skip
    assert it.share == pytest.approx(0.07 / 0.35)
    it = going.over_centre(balance(scene, **by_forces | {"tip_sd_rad": None}), "load")
    assert it.evidence["least_rad"] == 0.5


@pytest.mark.parametrize(("least", "counted"), [(0.4, 0.4), (9.0, PLANNED)])
def test_the_least_that_forces_ever_said_is_kept_beside_the_plan(scene, least, counted):
    it = going.over_centre(balance(scene, tip_least_rad=least), "load")
    assert (it.evidence["by"], it.evidence["tip_rad"]) == ("plan", pytest.approx(PLANNED))
    assert it.evidence["least_rad"] == pytest.approx(counted)


def test_where_it_goes_over_without_a_plan_is_the_least_or_not_known(scene, document):
    document["load"].pop("centre_of_gravity")
    bare = replace(scene, rig=Rig.model_validate(document))
    assert going.over_centre(bare, "load") == Unknown(
        "where it goes over is not known: no centre of gravity is planned"
    )
    it = going.over_centre(balance(bare, tip_least_rad=0.4), "load")
    assert (it.evidence["tip_rad"], it.evidence["least_rad"]) == (0.4, 0.4)


@pytest.mark.parametrize(("sd", "over"), [(0.2, True), (0.19, False)])
def test_a_load_that_may_stand_over_centre_does(scene, sd, over):
    it = going.over_centre(balance(scene, tip_rad=0.6, tip_sd_rad=sd), "load")
    assert (it.what == "it stands over centre") is over
    assert it.share == (2.0 if over else pytest.approx(0.0))


def test_overload(scene, document):
    # 56 kN planned and a tenth more allowed: 61.6 kN. Of 64 kN two standard deviations of 1 kN are taken off.
    it = going.overload(balance(scene, weight_n=64e3, weight_sd_n=1e3), "load")
    assert it.share == pytest.approx(62e3 / 61.6e3)
    assert it.what == "64.0 kN, 56.0 kN planned"
    assert it.evidence == {"weight_n": 64e3, "planned_n": pytest.approx(56e3), "limit_n": pytest.approx(61.6e3)}
    assert going.overload(balance(scene, weight_n=64e3), "load").share == pytest.approx(64e3 / 61.6e3)
    assert going.overload(scene, "load") is None
    document["load"].pop("weight")
    bare = replace(scene, rig=Rig.model_validate(document))
    assert going.overload(balance(bare, weight_n=64e3), "load") is None


def test_words_are_in_the_units_of_the_rig(scene, document):
    document["rig"]["units"] = "us"
    us = replace(scene, rig=Rig.model_validate(document))
    assert going.slip(stack(us, slipping=True, slip_m=0.0254), "S1").what == "1 in in a second on the load"
    assert going.hinge_shift(hinge(us, **SHIFTED | {"walk_m": 0.0508}), "load").what == "walked 2 in or sank 1/4 in"
    assert going.overload(balance(us, weight_n=44482.2), "load").what.startswith("10000 lbf, ")
