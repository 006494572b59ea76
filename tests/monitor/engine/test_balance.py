"""The balance of a load against statics worked out by hand; forces, noise and rigs are invented."""

import random
import tomllib
from dataclasses import replace
from importlib.resources import files
from math import atan2, cos, degrees, radians, sin

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.engine.balance import Balance
from monitor.engine.estimate import PoseEstimate
from monitor.engine.mounts import Level
from monitor.engine.picture import BagPicture, ShorePicture, StackPicture
from monitor.rig.schema import Rig

HEIGHT = 0.5


def example():
    return tomllib.loads(files("monitor.drill").joinpath("rigs/yard-panel.toml").read_text(encoding="utf-8"))


def rig_of(document, *, stacks=((4.2, 0.0),), hinge=True, planned=True, weight="56 kN", shores=True):
    """The example's load on single bags at these points."""
    bag = document["stack"][0]["bag"][-1]
    document["stack"] = [
        {**document["stack"][0], "name": f"S{i}", "at": list(at), "head_tilt": None,
         "bag": [{**bag, "name": f"B{i}", "plate_tilt": None}]}
        for i, at in enumerate(stacks)
    ]  # fmt: skip
    document["step"] = []
    load = document["load"]
    if not hinge:
        load.pop("hinge")
    if not planned:
        load.pop("centre_of_gravity")
    if weight is None:
        load.pop("weight", None)
    else:
        load["weight"] = weight
    if not shores:
        document["shore"] = []
    return Rig.model_validate(document)


def pose(theta, level=0.0, rate=0.01, z=0.0):
    p = [[1e-10 if i == j else 0.0 for j in range(6)] for i in range(6)]
    a0 = sin(level)
    return PoseEstimate((z, sin(level + theta) - a0, 0.0, rate, 0.0, 0.0), p, Level(a0, 0.0))


def stack(it, force, lean=0.0, share=0.0):
    bag = BagPicture(it.bag[0].name, 3e5, 0.0, 0.3, 0.4, 3e5, 7e5, 8e5, "filling", None)
    return StackPicture(
        it.name, it.at, 0.15, 0.1, force, HEIGHT, None, lean, lean, 0.0, 0.001, 0.0, None, (), None, (bag,),
        force_sd_n=share * force, force_steady_sd_n=share * force,
    )  # fmt: skip


def shore(it, air=0.0):
    return ShorePicture(it.name, it.at, 0.0, 0.0001, 0.006, 0.1, air, 1.8e5, None, "following")


def needed(weight, e, z, t, arms=(4.2,), lean=0.0, thrust=0.0):
    """Force each of equal stacks gives: moments about the hinge at an absolute tilt, slanted by their lean."""
    moment = weight * (e * cos(t) - z * sin(t)) - thrust
    return moment / sum(arm * (cos(t) - lean / HEIGHT * sin(t)) for arm in arms)


def lifted(rig, weight, e, z, *, upto=0.15, level=0.0, lean=0.0, noise=0.0, rate=0.01, seconds=60, share=0.0, air=0.0):
    """Play a steady lift through the balance."""
    it, rng, picture = Balance(rig, rig.load.hinge), random.Random(1), None
    for k in range(seconds * 10):
        theta = upto * k / (seconds * 10)
        t = level + theta
        thrust = sum(air * s.piston_area * s.at[0] * cos(t) for s in rig.shore)
        force = needed(weight, e, z, t, [s.at[0] for s in rig.stack], lean, thrust)
        stacks = tuple(stack(s, force * (1 + noise * rng.gauss(0, 1)), lean, share) for s in rig.stack)
        shores = tuple(shore(s, air) for s in rig.shore)
        picture = it.tick(k * 100_000_000, pose(theta, level, rate), stacks, shores)
    return picture


def test_a_slab_lifted_at_its_end_weighs_twice_the_force(document):
    # Statics: a uniform slab of 4 m and 20 kN on a hinge needs 10 kN at its end, 13.333 kN at 3 m.
    document["load"]["centre_of_gravity"] = ["2 m", "0 m", "0 m"]
    for at, force in ((4.0, 10e3), (3.0, 40e3 / 3.0)):
        rig = rig_of(document, stacks=((at, 0.0),), shores=False)
        it = Balance(rig, rig.load.hinge)
        for k in range(80):
            said = it.tick(k * 100_000_000, pose(k * 1e-4), (stack(rig.stack[0], force),), ())
        assert said.weight_n == pytest.approx(20e3, rel=1e-6)
        assert said.moment_nm == pytest.approx(40e3, rel=1e-4)


@settings(max_examples=30, deadline=None)
@given(
    st.floats(0.5, 2.5),
    st.floats(-0.2, 1.5),
    st.floats(20e3, 100e3),
    st.floats(-0.05, 0.05),
    st.floats(-0.1, 0.1),
)
def test_the_tip_angle_comes_out_of_forces_alone(e, z, weight, level, lean):
    rig = rig_of(example(), weight=None, planned=False)
    said = lifted(rig, weight, e, z, level=level, lean=lean, air=1.8e5)
    assert said.tip_rad == pytest.approx(atan2(e, z) - level, abs=1e-6)
    assert said.weight_n is None, "no weight without a plan of either"


def test_the_height_of_the_centre_by_tilting_is_found(document):
    # Weighing a tilted load: W = 30 kN, x = 3 m, z = 1.2 m, L = 5 m give 17.370082 kN at 5 degrees (18 kN level), a text-book case.
    rig = rig_of(document, stacks=((5.0, 0.0),), weight="30 kN", planned=False, shores=False)
    assert needed(30e3, 3.0, 1.2, radians(5), (5.0,)) == pytest.approx(17.370082e3, rel=1e-7)
    said = lifted(rig, 30e3, 3.0, 1.2, upto=radians(10))
    assert said.cg_m[0] == pytest.approx(3.0, abs=1e-4)
    assert said.cg_m[1] is None, "where along the hinge is not seen"
    assert said.cg_m[2] == pytest.approx(1.2, abs=1e-3)


def test_leaving_out_the_lean_would_bend_the_tip_angle(document):
    rig = rig_of(document, weight=None, planned=False)
    straight = lifted(rig, 50e3, 1.5, 1.0, lean=0.1)
    assert degrees(straight.tip_rad) == pytest.approx(degrees(atan2(1.5, 1.0)), abs=1e-4)
    bent = Balance(rig, rig.load.hinge)
    for k in range(600):
        theta = 0.15 * k / 600
        said = bent.tick(
            k * 100_000_000, pose(theta), (stack(rig.stack[0], needed(50e3, 1.5, 1.0, theta, lean=0.1)),), ()
        )
    assert abs(degrees(said.tip_rad) - degrees(atan2(1.5, 1.0))) > 1.0


def test_nothing_is_said_of_the_tip_angle_before_it_is_known(document):
    rig = rig_of(document)
    assert lifted(rig, 50e3, 1.5, 1.0, upto=0.005, noise=0.01).tip_rad is None
    assert lifted(rig, 50e3, 1.5, 1.0, share=0.02).weight_n is None, (
        "forces known to 2 % leave the weight worse than 3 %"
    )
    assert lifted(rig, 50e3, 1.5, 1.0, rate=0.0).weight_n is None, "a load that does not rise may stand on its shores"


def test_what_is_claimed_of_the_tip_angle_holds(document):
    rig, off = rig_of(document, weight=None, planned=False), []
    for seed in range(60):
        rng = random.Random(seed)
        e, z, it = rng.uniform(0.5, 2.5), rng.uniform(0.2, 1.5), Balance(rig, rig.load.hinge)
        for k in range(900):
            theta = 0.25 * k / 900
            force = needed(50e3, e, z, theta) * (1 + 0.005 * rng.gauss(0, 1))
            said = it.tick(k * 100_000_000, pose(theta), (stack(rig.stack[0], force),), ())
            if said.tip_rad is not None:
                off.append(abs(said.tip_rad - atan2(e, z)) / said.tip_sd_rad)
                assert abs(degrees(said.tip_rad - atan2(e, z))) < 1.0
    assert len(off) > 1000
    assert sum(v > 3.0 for v in off) / len(off) < 0.02


def test_a_free_load_weighs_the_sum_and_hangs_at_the_mean(document):
    # Three supports at (0,0), (2,0), (0,1.5) with 11, 9 and 10 kN hold 30 kN at (0.6, 0.5): statics.
    rig = rig_of(document, stacks=((0.0, 0.0), (2.0, 0.0), (0.0, 1.5)), hinge=False, planned=False, shores=False)
    it = Balance(rig, None)
    for k in range(100):
        stacks = tuple(stack(s, f) for s, f in zip(rig.stack, (11e3, 9e3, 10e3), strict=True))
        said = it.tick(k * 100_000_000, pose(0.0, z=k * 1e-3), stacks, ())
    assert said.weight_n == pytest.approx(30e3)
    assert said.cg_m == (pytest.approx(0.6), pytest.approx(0.5), None)
    assert said.tip_rad is None


def test_a_stack_whose_force_is_unknown_silences_it(document):
    rig = rig_of(document, shores=False)
    it = Balance(rig, rig.load.hinge)
    for k in range(200):
        said = it.tick(k * 100_000_000, pose(k * 1e-3), (replace(stack(rig.stack[0], 0.0), force_n=None),), ())
    assert (said.weight_n, said.tip_rad) == (None, None)


def test_a_load_cell_counts_for_the_air(document):
    rig = rig_of(document)
    said = Balance(rig, rig.load.hinge)
    for k in range(200):
        theta = k * 5e-4
        cells = sum(5e3 * s.at[0] * cos(theta) for s in rig.shore)
        force = needed(56e3, 2.4, 0.1, theta, thrust=cells)
        shores = tuple(replace(shore(s, 1.8e5), load_n=5e3) for s in rig.shore)
        out = said.tick(k * 100_000_000, pose(theta), (stack(rig.stack[0], force),), shores)
    assert out.weight_n == pytest.approx(56e3, rel=1e-4)
