"""Where points of the virtual load go, and what every mounting of a sensor sees of it, against rotations by numpy."""

from __future__ import annotations

import math

import numpy as np
import pytest

from monitor.drill.body import Hinge, Placement, free_placement, hinge_of
from monitor.drill.physics import P_ATM, Truth
from monitor.drill.sensors import meanings


def about(axis: np.ndarray, angle: float) -> np.ndarray:
    """Rotation about a unit axis (Rodrigues)."""
    x, y, z = axis
    k = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    return np.eye(3) + math.sin(angle) * k + (1 - math.cos(angle)) * k @ k


@pytest.mark.parametrize("seed", range(6))
def test_a_load_turns_about_its_hinge_as_a_rotation_does(seed):
    rng = np.random.default_rng(seed)
    p0, p1, cg = rng.uniform(-2, 2, 2), rng.uniform(-2, 2, 2), rng.uniform(-3, 3, 3)
    theta = rng.uniform(-0.3, 0.6)
    hinge = hinge_of((tuple(p0), tuple(p1)), tuple(cg))
    along = np.array([*(p1 - p0), 0.0]) / np.linalg.norm(p1 - p0)
    base = np.array([*p0, 0.0])
    sign = 1.0 if np.cross(along, np.array([*cg[:2], 0.0]) - base)[2] >= 0.0 else -1.0
    turn = about(along, sign * theta)
    placed = hinge.placement(theta)
    for _ in range(10):
        point = rng.uniform(-4, 4, 3)
        assert placed.place(tuple(point)) == pytest.approx(tuple(base + turn @ (point - base)), abs=1e-12)
    assert placed.place(tuple(p1)) == pytest.approx((*p1, 0.0), abs=1e-12), "the hinge itself stays"
    assert (placed.a, placed.b, placed.c) == pytest.approx(tuple(turn[2]), abs=1e-12)
    # The centre of gravity's side goes up for a positive angle.
    flat = (*cg[:2], 0.0)
    assert placed.place(flat)[2] * theta >= 0.0


def test_where_the_hinge_goes_points_of_the_load_follow():
    # Hinge along y at x = 0: a point at d and height h. Slid by s: d -> (d-s)cos - h sin; walked: that and the walk on top.
    theta, s, w, c = 0.1, 0.2, 0.3, 0.02
    hinge = Hinge((0.0, 0.0), (1.0, 0.0), slid=s, walked=w, sunk=c)
    x, y, z = hinge.placement(theta).place((4.0, 0.7, 0.5))
    assert x == pytest.approx(w + (4.0 - s - w) * math.cos(theta) - 0.5 * math.sin(theta))
    assert y == pytest.approx(0.7)
    assert z == pytest.approx((4.0 - s - w) * math.sin(theta) + 0.5 * math.cos(theta) - c)
    assert hinge.placement(theta).no_rise_at() == pytest.approx(s + w + c / math.sin(theta))
    assert hinge.placement(0.0).no_rise_at() is None
    assert hinge.placement(0.0).place((4.0, 0.0)) == pytest.approx((4.0 - s, 0.0, -c)), (
        "slid while level: moved, no rise"
    )


def test_a_free_load_turns_about_a_level_axis_and_its_contacts_stay_on_average():
    z, a, b = 0.05, 0.06, -0.09
    held = [(0.2, 0.1), (2.0, 0.3), (1.0, 1.8)]
    placed = free_placement(z, a, b, held)
    steep = math.hypot(a, b)
    turn = about(np.array([b, -a, 0.0]) / steep, math.asin(steep))
    assert (placed.a, placed.b, placed.c) == pytest.approx(tuple(turn[2]))
    gone = [np.array(placed.place(p)) - np.array([*p, 0.0]) for p in held]
    assert np.mean(gone, axis=0)[:2] == pytest.approx([0.0, 0.0], abs=1e-15)
    for p, g in zip(held, gone, strict=True):
        assert g[2] == pytest.approx(z + a * p[0] + b * p[1]), "rise is linear for points of the underside"
    shift = np.array(placed.place((0.0, 0.0, 0.0)))
    assert placed.place((1.0, -2.0, 0.4)) == pytest.approx(tuple(shift + turn @ np.array([1.0, -2.0, 0.4])))


@pytest.mark.parametrize(("a", "b", "h"), [(0.2, 0.0, 0.0), (0.15, -0.1, 0.3), (0.0, 0.0, 0.2)])
def test_a_rangefinder_sees_where_a_vertical_line_meets_the_face(a, b, h):
    placed = Placement(a, b, 0.03, -0.02, 0.4)
    # Independently: three points of the face, their plane, and the height of that plane at (x, y).
    p, q, r = (np.array(placed.place((u, v, h))) for u, v in ((0, 0), (1, 0), (0, 1)))
    normal = np.cross(q - p, r - p)
    x, y = 1.7, -0.6
    expected = p[2] - (normal[0] * (x - p[0]) + normal[1] * (y - p[1])) / normal[2]
    assert placed.seen_from_below(x, y, h) == pytest.approx(expected, abs=1e-12)


def sensing(make_rig, make_channel, **more):
    names = {
        "L": ("length", {"at": [4.5, 0.5], "mount": "load", "height": 0.3}),
        "G": ("length", {"at": [4.5, -0.5], "mount": "ground", "height": 0.2}),
        "W": ("length", {"at": [3.0, 0.0], "mount": "wire", "anchor": [3.1, 0.4, -0.7], "height": 0.1}),
    }
    tilts = {"TX": ([1.0, 0.0], 0.0), "TD": ([2.0, 1.0], 0.02)}
    return make_rig(
        {"S": (4, 0.0)}, hinge=[[0, -1], [0.3, 1]], cg=(2.0, 0.0, 0.3), weight=5e4, shores={"N": (4.4, 0.0)}, bags=2,
        height=[{"channel": name, **it} for name, (_, it) in names.items()],
        tilt=[{"channel": name, "axis": axis, "mounting": mounting} for name, (axis, mounting) in tilts.items()],
        channels=[make_channel(n, q) for n, (q, _) in names.items()] + [make_channel(n, "angle") for n in tilts], **more,
    )  # fmt: skip


def lifted(rig) -> Truth:
    truth = Truth(rig)
    for bag in truth.bags.values():
        bag.air = (3e6 + P_ATM) * bag.volume(bag.flat)
    for _ in range(3):
        truth.advance(0.05)
    assert truth.theta > 0.04
    return truth


def test_each_mounting_of_a_sensor_reads_what_is_there(make_rig, make_channel):
    rig = sensing(make_rig, make_channel)
    truth, reads = lifted(rig), meanings(rig)
    along = np.array([0.3, 2.0, 0.0]) / math.hypot(0.3, 2.0)
    base = np.array([0.0, -1.0, 0.0])
    turn = about(along, -truth.theta)  # raises +x

    def where(*point: float) -> np.ndarray:
        return base + turn @ (np.array(point) - base)

    level = Truth(rig)
    assert reads["L"](truth) - reads["L"](level) == pytest.approx(where(4.5, 0.5, 0.3)[2] - 0.3, abs=1e-12)
    corners = [where(u, v, 0.2) for u, v in ((0, 0), (1, 0), (0, 1))]
    normal = np.cross(corners[1] - corners[0], corners[2] - corners[0])
    seen = corners[0][2] - normal[:2] @ (np.array([4.5, -0.5]) - corners[0][:2]) / normal[2]
    assert reads["G"](truth) - reads["G"](level) == pytest.approx(seen - 0.2, abs=1e-12)
    wire = np.linalg.norm(where(3.0, 0.0, 0.1) - np.array([3.1, 0.4, -0.7]))
    assert reads["W"](truth) == pytest.approx(wire, abs=1e-12)
    assert reads["TX"](truth) == pytest.approx(math.asin(turn[2, 0]), abs=1e-12)
    assert reads["TD"](truth) == pytest.approx(
        0.02 + math.asin((2 * turn[2, 0] + turn[2, 1]) / math.sqrt(5)), abs=1e-12
    )
    assert reads["N-load"](truth) == truth.shore_loads["N"]
    assert truth.rise((4.5, 0.5, 0.3)) == pytest.approx(where(4.5, 0.5, 0.3)[2] - 0.3, abs=1e-12)


def test_bags_tell_their_height_and_temperature_and_a_head_its_offset(make_rig, make_channel):
    rig = make_rig({"S": (4, 0)}, hinge=[[0, -1], [0, 1]], channels=[make_channel("hgt", "length"),
                   make_channel("tmp", "temperature"), make_channel("ox", "length"), make_channel("oy", "length")])  # fmt: skip
    bag = rig.stack[0].bag[0].model_copy(update={"height": "hgt", "temperature": "tmp"})
    stack = rig.stack[0].model_copy(update={"bag": [bag], "head_offset": ("ox", "oy")})
    truth, reads = (
        lifted(rig.model_copy(update={"stack": [stack]})),
        meanings(rig.model_copy(update={"stack": [stack]})),
    )
    assert reads["hgt"](truth) == truth.heights["S0"] > 0.2
    assert reads["tmp"](truth) == 293.15
    assert (reads["ox"](truth), reads["oy"](truth)) == truth.lean(stack)


def test_a_head_follows_the_load_and_tilts_tell_all_but_millimetres_of_it(make_rig):
    truth = lifted(make_rig({"S": (4, 0)}, hinge=[[0, -1], [0, 1]], cg=(2.0, 0.0, 0.3), weight=5e4, bags=2))
    stack = truth.rig.stack[0]
    # The contact goes on a circle about the hinge: r (cos - 1), nothing across.
    assert truth.lean(stack) == pytest.approx((4 * (math.cos(truth.theta) - 1), 0.0), abs=1e-12)
    foot, _, head = truth.plates(stack)
    assert foot == (0.0, 0.0)
    assert head == pytest.approx((truth.theta, 0.0)), "the top plate turns with the load"
    shear = truth.lean(stack)[0] - truth.tilt_lean(stack)[0]
    assert 0.001 < abs(shear) < 0.05 * sum(truth.heights.values())


def test_a_slip_is_seen_by_tilts_as_by_the_head(make_rig):
    truth = lifted(make_rig({"S": (4, 0)}, hinge=[[0, -1], [0, 1]], cg=(2.0, 0.0, 0.3), weight=5e4, bags=3))
    stack = truth.rig.stack[0]
    lean, tilts, plates = truth.lean(stack), truth.tilt_lean(stack), truth.plates(stack)
    truth.slip("S", (0.06, -0.03), 0.5)
    for _ in range(5):
        truth.advance(0.05)
    assert truth.slips["S"] == pytest.approx((0.03, -0.015)), "half way"
    for _ in range(15):
        truth.advance(0.05)
    assert truth.slips["S"] == pytest.approx((0.06, -0.03)), "and no further"
    for k, by in enumerate((0.06, -0.03)):
        assert truth.lean(stack)[k] - lean[k] == pytest.approx(by, rel=0.01)
        # What the air does as the head goes a little up the slope is in it besides.
        assert truth.tilt_lean(stack)[k] - tilts[k] == pytest.approx(by, rel=0.01)
    after = truth.plates(stack)
    assert after[0] == plates[0]
    assert after[-1] == (truth.tilt((1.0, 0.0)), truth.tilt((0.0, 1.0))), "the top plate still turns with the load"
    assert after[1][0] < plates[1][0] - 0.02, "the plates between lean after the head"


def test_the_load_keeps_its_air_and_its_moments_while_the_hinge_walks(make_rig):
    rig = make_rig({"S": (4, 0)}, hinge=[[0, -1], [0, 1]], cg=(2.0, 0.0, 0.0), weight=5e4, tall=1e5)
    for what in ("walk", "slide"):
        truth = lifted(rig)
        lean, force, before = truth.lean(rig.stack[0])[0], truth.forces["S"], truth.rise((4.0, 0.0))
        getattr(truth, what)(0.4, 4.0)
        for _ in range(80):
            truth.advance(0.05)
            assert abs(truth.rise((4.0, 0.0)) - before) < 0.002, "no jump"
            before = truth.rise((4.0, 0.0))
        assert truth.hinge_distance() == pytest.approx(0.4)
        assert truth.tip_rad() == pytest.approx(math.pi / 2)
        assert truth.forces["S"] == pytest.approx(5e4 * 1.6 / 3.6, rel=1e-6), "levers from where the hinge is now"
        assert truth.forces["S"] < force
        moved = truth.lean(rig.stack[0])[0] - lean
        assert moved == pytest.approx(-0.4 if what == "slide" else 0.0, abs=0.005)


def test_a_crushed_support_takes_the_hinge_down(make_rig):
    truth = lifted(make_rig({"S": (4, 0)}, hinge=[[0, -1], [0, 1]], cg=(2.0, 0.0, 0.0), weight=5e4))
    before, theta = truth.rise((4.0, 0.0)), truth.theta
    truth.crush(0.03, 1.0)
    for _ in range(30):
        truth.advance(0.05)
    assert truth.rise((0.0, 0.0)) == pytest.approx(-0.03)
    assert truth.rise((4.0, 0.0)) == pytest.approx(before, abs=0.001), "the bags hold their end where it was"
    assert truth.theta > theta + 0.007
    assert truth.hinge_distance() == pytest.approx(0.03 / math.sin(truth.theta))
    resting = Truth(truth.rig)
    resting.crush(0.02, 0.0)
    resting.advance(0.05)
    assert resting.rise((4.0, 0.0)) == pytest.approx(0.0), "a flat stack is a support too"
