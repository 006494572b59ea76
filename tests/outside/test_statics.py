"""Levers, supports, tipping, planes and weights: textbook statics through the project's own functions."""

import math
import random
import tomllib
from importlib.resources import files

import pytest

from monitor.engine.algebra import dot, information, inverse, times
from monitor.engine.estimate import PoseEstimate
from monitor.engine.fall import Support, fall_free
from monitor.engine.mounts import GroundMount, Level, LoadMount, TiltMount, upright
from monitor.engine.shores import Below, Crib
from monitor.rig.parts import MATERIALS, centre_of_gravity, total_weight
from monitor.rig.plan import plan
from monitor.rig.schema import Load, Rig

TEXT = files("monitor.drill").joinpath("rigs/yard-panel.toml").read_text(encoding="utf-8")
LBF = 4.4482216152605


def lever(weight, length, lift_at, rise=None):
    """The plan of a uniform slab hinged at its end, lifted by one stack."""
    document = tomllib.loads(TEXT)
    document["load"] |= {
        "weight": weight,
        "centre_of_gravity": [length / 2, 0.0, 0.1],
        "hinge": [[0.0, -1.0], [0.0, 1.0]],
    }
    document["stack"][0]["at"] = [lift_at, 0.0]
    for step in document["step"]:
        if rise is not None and "rise" in step.get("until", {}):
            step["until"]["rise"] = rise
    return plan(Rig.model_validate(document))


@pytest.mark.parametrize(("length", "weight"), [(4.0, 20e3), (2.5, 7e3), (9.0, 310e3)])
def test_a_hinged_uniform_slab_lifted_at_its_end_takes_half_its_weight_and_nearer_more(length, weight):
    # Moments about the hinge, F = W xcg / xlift (any statics text, such as Meriam and Kraige, Statics; FM 5-125); that a
    # hinged lift takes half at most is trade practice. 20 kN, 4 m: 10 kN at the end, 13.333 kN at 3 m.
    assert lever(weight, length, length).stacks[0].force_n == pytest.approx(weight / 2)
    assert lever(weight, length, 0.75 * length).stacks[0].force_n == pytest.approx(weight / 1.5)


@pytest.mark.parametrize(("degrees", "rise"), [(5.0, 0.348623), (10.0, 0.694593)])
def test_the_rise_of_a_lifted_end_and_its_angle(degrees, rise):
    # L sin(angle), 4 m (trigonometry).
    assert math.degrees(lever(20e3, 4.0, 4.0, rise).tilt_rad) == pytest.approx(degrees, abs=2e-5)


def reactions(supports, weight, at):
    """What the supports carry: of all loads that balance the weight, the one with least squares."""
    rows = [(1.0, *point) for point in supports]
    balance = times(inverse(information((row, 1.0) for row in rows)), (weight, weight * at[0], weight * at[1]))
    return [dot(row, balance) for row in rows]


def test_three_supports_share_a_weight():
    # Forces and moments balance (any statics text): 30 kN at (0.6, 0.5) on (0, 0), (2, 0), (0, 1.5).
    assert reactions([(0, 0), (2, 0), (0, 1.5)], 30e3, (0.6, 0.5)) == pytest.approx([11e3, 9e3, 10e3])


def test_a_support_that_would_have_to_pull_is_where_the_load_goes_over():
    # Three supports push all three exactly while the weight stands inside their triangle.
    rng = random.Random(8)
    over = 0
    for _ in range(500):
        supports = [(rng.uniform(-3, 3), rng.uniform(-3, 3)) for _ in range(3)]
        (ax, ay), (bx, by), (cx, cy) = supports
        if abs((bx - ax) * (cy - ay) - (cx - ax) * (by - ay)) < 0.2:
            continue
        at = sum(x for x, _ in supports) / 3 + rng.uniform(-1, 1), sum(y for _, y in supports) / 3 + rng.uniform(-1, 1)
        pulls = min(reactions(supports, 1.0, at)) < 0.0
        falls = fall_free(at, [Support(it, 0.0) for it in supports], [], [((0.0, 0.0), 0.4)])
        assert falls == (0.4 if pulls else 0.0)
        over += pulls
    assert 50 < over < 450


def tilted(degrees, rise):
    """A load turned up about its y axis so far, and raised, from a level zero."""
    x = (rise, math.sin(math.radians(degrees)), 0.0, 0.0, 0.0, 0.0)
    return PoseEstimate(x, [[0.0] * 6 for _ in range(6)], Level())


@pytest.mark.parametrize(
    ("base", "height", "degrees"), [(1, 2, 26.565051), (2, 1, 63.434949), (3, 4, 36.869898), (0.6, 1.8, 18.434949)]
)
def test_a_block_tips_at_base_over_height(base, height, degrees):
    # tan(angle) = b/h, centre of gravity in the middle (any statics text). Cribs stand under the edge it
    # tips over, and far beyond the other.
    document = tomllib.loads(TEXT)
    del document["load"]["hinge"]
    document["load"]["centre_of_gravity"] = [base / 2, 0.5, height / 2]
    rig = Rig.model_validate(document)
    for off, stands in ((-1e-4, True), (1e-4, False)):
        pose = tilted(degrees + off, 0.2)
        corners = [(x, y) for x in (0.0, 3.0 * base) for y in (0.0, 1.0)]
        cribs = [Crib(corner, pose.rise(*corner)) for corner in corners]
        low = Below(rig).fall(pose, (), cribs)
        assert (low == pytest.approx(0.0, abs=1e-9)) is stands


PLANE = {(0.0, 0.0): 0.10, (2.0, 0.0): 0.12, (0.0, 1.5): 0.07}
"""Heights over three places of the ground: slopes +0.01 and -0.02, tilt 1.280959 degrees = atan(hypot) = acos(nz)."""


def test_a_plane_through_three_points_by_rangefinders_from_the_ground():
    # Analytic geometry; solved for the pose by Newton's method over the mounts' own rows.
    mounts = [GroundMount(at, 0.0) for at in PLANE]
    pose = (0.0, 0.0, 0.0)
    for _ in range(6):
        seen = [mount.see(*pose) for mount in mounts]
        back = inverse(information((row, 1.0) for row, _ in seen))
        left = [height - predicted for height, (_, predicted) in zip(PLANE.values(), seen, strict=True)]
        step = times(back, tuple(sum(row[i] * v for (row, _), v in zip(seen, left, strict=True)) for i in range(3)))
        pose = tuple(a + b for a, b in zip(pose, step, strict=True))
    z, a, b = pose
    assert (a / upright(a, b), b / upright(a, b)) == pytest.approx((0.01, -0.02), abs=1e-12)
    assert math.degrees(math.acos(upright(a, b))) == pytest.approx(1.280959, abs=5e-7)
    assert z == pytest.approx(0.10, abs=1e-12)


def test_combined_tilt_is_the_product_of_cosines():
    # cos(t) = cos(pitch) cos(roll): 10 and 5 degrees make 11.168953; the root of squares would say 11.180340.
    pitch, roll = math.radians(10), math.radians(5)
    a, b = math.sin(pitch), math.cos(pitch) * math.sin(roll)
    assert math.degrees(math.acos(upright(a, b))) == pytest.approx(11.168953, abs=5e-7)
    # A point 2 m above the underside comes down by 2 m less its upright share.
    assert LoadMount((0.0, 0.0), 2.0).see(0.0, a, b)[1] == pytest.approx(2 * math.cos(math.radians(11.168953)) - 2)


def test_an_inclinometer_is_an_accelerometers_tilt():
    # Tilt from gravity's components, atan2(hypot(ax, ay), az): (0.1, 0.05, 0.9937) is 6.419478 degrees, in any unit of g.
    size = math.hypot(0.1, 0.05, 0.9937)
    along_x, along_y = (
        TiltMount(axis, 0.0).change(math.asin(g / size), 0.0) for axis, g in (((1, 0), 0.1), ((0, 1), 0.05))
    )
    assert math.degrees(math.acos(upright(along_x, along_y))) == pytest.approx(6.419478, abs=5e-7)


@pytest.mark.parametrize(
    ("material", "density"), [("steel", 7849.047), ("cast iron", 7208.309), ("reinforced concrete", 2402.770)]
)
def test_densities(material, density):
    # Iowa DOT IM 569: steel 490 lb/ft3, cast iron 450; FEMA HERS student manual and USACE FOG: reinforced concrete 150.
    assert MATERIALS[material] == pytest.approx(density, abs=5e-4)


def part(material, size, at=(0.0, 0.0, 0.0)):
    return {"shape": "slab", "size": list(size), "at": list(at), "material": material}


def test_a_slab_of_concrete():
    # 10 ft x 4 ft x 6 in at 150 lb/ft3 is 3,000 lb, 13.345 kN (FEMA HERS student manual's way to estimate).
    slab = part("reinforced concrete", ["10 ft", "4 ft", "6 in"])
    assert total_weight(Load.model_validate({"part": [slab]})) == pytest.approx(3000 * LBF, rel=1e-12)
    assert total_weight(Load.model_validate({"part": [slab] * 3})) == pytest.approx(40.034e3, abs=0.5)


def test_the_centre_of_gravity_is_where_two_scales_would_put_it():
    # Two supports 5 m apart that read 12 and 18 kN: the weight stands 3.000 m from the first (any statics text).
    steel_ft3 = 490 * LBF
    feet = [(kn * 1e3 / steel_ft3, x) for kn, x in ((12, 0.0), (18, 5.0))]
    parts = [part("steel", ["1 ft", "1 ft", f"{cubic:.12f} ft"], (x, 0.0, 0.0)) for cubic, x in feet]
    load = Load.model_validate({"part": parts})
    assert total_weight(load) == pytest.approx(30e3, rel=1e-9)
    assert centre_of_gravity(load) == pytest.approx((3.0, 0.0, 0.0), rel=1e-9)
