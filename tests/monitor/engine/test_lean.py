"""The lean of a stack: arcs against integration, the load's motion against rotations, and what is made of both."""

import math
import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from monitor.engine.estimate import PoseEstimate
from monitor.engine.lean import HeadOnLoad, Lean, LeanTrend, carried_to, lean_of, put_together
from monitor.engine.mounts import Level
from monitor.rig.schema import Load

SD = math.radians(0.05)
angles = st.floats(-0.5, 0.5)


def walked(h, t0, t1, steps=20_000):
    """Offset of the end of an arc of vertical height h whose tilt goes evenly, along its length, from t0 to t1: walked along
    in little steps, midpoint rule. A plate whose + side is up leans the stack to its - side."""
    tilt = t0 + (t1 - t0) * (np.arange(steps) + 0.5) / steps
    return -h * np.sin(tilt).sum() / np.cos(tilt).sum()


@given(st.floats(0.05, 0.5), angles, angles)
def test_a_bag_bends_as_a_circular_arc(h, t0, t1):
    it = lean_of([h], [(t0, -t1), (t1, -t0)], [0.0, 0.0])
    assert it.x == pytest.approx(walked(h, t0, t1), abs=1e-8)
    assert it.y == pytest.approx(walked(h, -t1, -t0), abs=1e-8)


def test_a_tilted_plate_leans_the_stack_to_its_low_side():
    # A plate whose +x side is up has its normal toward -x. One bag, 0.3 m, its top at 10 degrees: mean 5 degrees.
    it = lean_of([0.3], [(0.0, 0.0), (math.radians(10), 0.0)], [0.0, 0.0])
    assert (it.x, it.y) == (pytest.approx(-0.3 * math.tan(math.radians(5))), 0.0)
    # atan(30 mm over 300 mm) is 5.7106 degrees (computed): both plates at that tilt lean it by 30 mm.
    slope = math.radians(5.710593)
    assert lean_of([0.3], [(slope, 0.0), (slope, 0.0)], [0.0, 0.0]).x == pytest.approx(-0.03, abs=1e-8)


@given(
    st.lists(st.tuples(angles, angles), min_size=4, max_size=4), st.lists(st.floats(0.05, 0.3), min_size=3, max_size=3)
)
def test_turned_by_a_quarter_everything_turns_with_it(tilts, heights):
    split = np.diag([1e-4, 2e-4, 3e-4]).tolist()
    sds = [0.001, 0.002, 0.003, 0.004]
    it = lean_of(heights, tilts, sds, split, 0.004)
    turned = lean_of(heights, [(-y, x) for x, y in tilts], sds, split, 0.004)
    assert (turned.x, turned.y) == (pytest.approx(-it.y), pytest.approx(it.x))
    assert turned.cov == (pytest.approx(it.cov[2]), pytest.approx(-it.cov[1]), pytest.approx(it.cov[0]))
    mirrored = lean_of(heights, [(-x, -y) for x, y in tilts], sds, split, 0.004)
    assert (mirrored.x, mirrored.y) == (pytest.approx(-it.x), pytest.approx(-it.y))


def test_the_covariance_is_that_of_many_draws():
    draw = np.random.default_rng(4)
    heights, tilts, sds = np.array([0.2, 0.15]), np.array([(0.0, 0.0), (0.3, -0.1), (0.2, 0.2)]), [0.001, 0.004, 0.003]
    split = np.array([[4e-4, -4e-4], [-4e-4, 4e-4]])
    leans = []
    for _ in range(4000):
        h = heights + draw.normal(0.0, 0.02) * np.array([1.0, -1.0])
        t = tilts + draw.normal(size=(3, 2)) * np.array(sds)[:, None]
        leans.append([sum(walked(h[i], t[i, k], t[i + 1, k], 200) for i in (0, 1)) for k in (0, 1)])
    xx, xy, yy = lean_of(list(heights), [tuple(t) for t in tilts], sds, split.tolist()).cov
    seen = np.cov(np.array(leans).T)
    assert (xx, yy) == (pytest.approx(seen[0, 0], rel=0.15), pytest.approx(seen[1, 1], rel=0.15))
    assert xy == pytest.approx(seen[0, 1], abs=0.15 * math.sqrt(xx * yy))


def test_what_tilts_cannot_see_is_in_the_error():
    upright = [(0.0, 0.0)] * 3
    assert lean_of([0.2, 0.2], upright, [0.0] * 3).sd == 0.0
    assert lean_of([0.2, 0.2], upright, [0.0] * 3, None, 0.008).sd == pytest.approx(0.008)


def evenly_with_height(h, t0, t1, steps=2_000):
    """Offset of the end of an axis whose tilt goes evenly with height from t0 to t1, in little steps, midpoint rule."""
    return -h / steps * np.tan(t0 + (t1 - t0) * (np.arange(steps) + 0.5) / steps).sum()


steep = st.floats(-1.0, 1.0)


@given(st.floats(0.05, 0.5), steep, steep)
def test_how_an_axis_bends_between_its_plates_is_in_the_error(h, t0, t1):
    # Two shapes that fit the same plates: an arc, and one that turns evenly with height. Neither is known to be the true one.
    it = lean_of([h], [(t0, 0.0), (t1, 0.0)], [0.0, 0.0])
    assert abs(evenly_with_height(h, t0, t1) - it.x) <= 1.001 * it.sd + 1e-5


def test_the_shape_of_an_axis_counts_for_nothing_where_plates_are_nearly_level():
    # 5 degrees, more than a slab is raised by at once: below a thousandth of the offset (computed).
    it = lean_of([0.3], [(0.0, 0.0), (math.radians(5), 0.0)], [0.0, 0.0])
    assert 0.0 < it.sd < 0.001 * abs(it.x)


def pose(z, a, b, level=None, sd=1e-4):
    p = np.diag([sd**2, (sd / 3) ** 2, (sd / 3) ** 2, 1e-8, 1e-8, 1e-8]).tolist()
    return PoseEstimate((z, a, b, 0.0, 0.0, 0.0), p, level or Level())


def load(hinge=None, outline=()):
    return Load.model_validate({"hinge": hinge, "outline": list(outline)})


@given(st.floats(0.0, 0.35), st.floats(-0.3, 0.3), st.floats(0.0, 6.2))
def test_the_load_carries_its_point_around_the_hinge(theta, theta0, phi):
    # A hinge along any level direction through (1, 2), the load at theta0 at the zero and theta more now: the head, 4.2 m
    # off in the load plane, stands 4.2*cos(angle) off as seen from above, whatever the rest of the load does.
    n = np.array([math.cos(phi), math.sin(phi)])
    along = np.array([-n[1], n[0]])
    ends = [tuple(np.array([1.0, 2.0]) + k * along) for k in (-1.0, 2.0)]
    head = np.array([1.0, 2.0]) + 0.3 * along + 4.2 * n
    level = Level(n[0] * math.sin(theta0), n[1] * math.sin(theta0))
    a, b = n * (math.sin(theta0 + theta) - math.sin(theta0))
    it = HeadOnLoad(load(ends), tuple(head)).moved(pose(-a * 1.0 - b * 2.0, a, b, level))
    gone = 4.2 * (math.cos(theta0 + theta) - math.cos(theta0))
    assert (it.x, it.y) == (pytest.approx(gone * n[0], abs=1e-9), pytest.approx(gone * n[1], abs=1e-9))
    assert it.sd >= 0.003


def test_it_goes_as_a_rotation_takes_it():
    # Another's rotation about a level axis, the load turned both ways: no yaw, as the pose has none.
    turn = Rotation.from_rotvec([0.05, -0.2, 0.0]).as_matrix()
    it = HeadOnLoad(load([(0.0, -1.0), (0.0, 1.0)]), (4.2, 0.0)).moved(pose(0.0, turn[2, 0], turn[2, 1]))
    gone = (turn - np.eye(3)) @ [4.2, 0.0, 0.0]
    assert (it.x, it.y) == (pytest.approx(gone[0]), pytest.approx(gone[1]))


def test_a_hinge_that_is_only_seen_serves_too_but_less_surely():
    theta = math.radians(5.0)
    it = HeadOnLoad(load(outline=[(0, -1), (5, -1), (5, 1), (0, 1)]), (4.2, 0.0)).moved(pose(0.0, math.sin(theta), 0.0))
    assert it.x == pytest.approx(4.2 * (math.cos(theta) - 1.0))  # -15.98 mm (computed)
    assert it.sd > 0.009


@pytest.mark.parametrize("z", [0.1, 0.5])
def test_a_free_lift_has_no_hinge_to_go_about(z):
    outline = [(0, -1), (5, -1), (5, 1), (0, 1)]
    head = HeadOnLoad(load(outline=outline), (4.2, 0.0))
    assert head.moved(pose(z, 0.0, 0.0)) is None
    assert head.moved(pose(z, 0.05, 0.0)) is None  # no rise 2 m beside the load


leans = st.tuples(st.floats(-0.1, 0.1), st.floats(-0.1, 0.1), st.floats(0.001, 0.01), st.floats(0.001, 0.01))


def a_lean(x, y, sx, sy):
    return Lean(x, y, (sx * sx, 0.2 * sx * sy, sy * sy))


@given(leans, leans)
def test_two_leans_that_agree_are_weighed_and_of_two_that_do_not_the_larger_holds(one, other):
    a, b = a_lean(*one), a_lean(*other)
    it = put_together(a, b)
    (A, B), (u, v) = (
        (np.array([[c[0], c[1]], [c[1], c[2]]]) for c in (a.cov, b.cov)),
        (np.array([lean.x, lean.y]) for lean in (a, b)),
    )
    apart = math.sqrt((v - u) @ np.linalg.solve(A + B, v - u))
    if apart < 2.0:
        both = np.linalg.inv(np.linalg.inv(A) + np.linalg.inv(B))
        mean = both @ (np.linalg.solve(A, u) + np.linalg.solve(B, v))
        assert (it.x, it.y) == (pytest.approx(mean[0], abs=1e-9), pytest.approx(mean[1], abs=1e-9))
        assert it.cov == pytest.approx((both[0, 0], both[0, 1], both[1, 1]), abs=1e-12)
    elif apart > 3.0:
        assert it.length == pytest.approx(max(a.length, b.length))


def test_a_rolling_stack_under_a_load_that_stays_is_not_averaged_and_does_not_jump():
    load_says, before = Lean(0.0, 0.0, (9e-6, 0.0, 9e-6)), 0.0
    for millimetre in range(200):
        it = put_together(Lean(millimetre * 1e-3, 0.0, (25e-6, 0.0, 25e-6)), load_says).length
        assert 0.0 <= it - before < 0.003
        before = it
        if millimetre > 18:
            assert it == pytest.approx(millimetre * 1e-3)


def test_the_plates_end_where_the_head_is():
    it = carried_to(Lean(0.02, 0.01, (0.0, 0.0, 0.0)), ((0.0, 0.0, 0.0), (0.002, 0.0, 0.1), (0.01, 0.0, 0.3)))
    assert it.plates[0] == (0.0, 0.0, 0.0)
    assert it.plates[-1] == pytest.approx((0.02, 0.01, 0.3))


@settings(max_examples=20)
@given(st.floats(0.1, 1.0), st.floats(0.0, 0.04), st.floats(0.002, 0.012))
def test_the_rise_at_which_the_cone_is_left(slope, start, speed):
    # Lean = start + slope * rise comes to 150 mm at (0.15 - start)/slope.
    it, draw = LeanTrend(), random.Random(1)
    for k in range(400):
        rise = 0.01 + k * 0.05 * speed
        lean = start + slope * rise
        it.tick(k * 50_000_000, rise, lean + draw.gauss(0.0, 0.0002))
        if rise > 0.06:
            break
    at = it.reaches(k * 50_000_000, rise, lean, 0.15)
    assert at == pytest.approx(rise + (0.15 - lean) / slope, rel=0.15)
    assert it.reaches(k * 50_000_000 + 4_000_000_000, rise, lean, 0.15) is None  # it rises no more


def test_a_lean_that_does_not_grow_has_no_such_rise():
    it, draw, told = LeanTrend(), random.Random(2), 0
    for k in range(3000):
        it.tick(k * 50_000_000, k * 3e-4, 0.02 + draw.gauss(0.0, 0.0003))
        told += it.reaches(k * 50_000_000, k * 3e-4, 0.02, 0.15) is not None
    assert told < 0.02 * 3000


def test_it_is_right_within_five_millimetres_on_a_stack_of_forty_centimetres():
    # 300 stacks (invented): the head goes with the load, two or three bags bend and shear by 4 % of the rise to bring it
    # there; every plate has a sensor. Errors in their own covariance: chi-square with two degrees of freedom, mean 2.
    draw, squares, own, alone = random.Random(6), [], [], []
    for _ in range(300):
        n, arm, rise = draw.choice((2, 3)), draw.uniform(1.5, 5.0), draw.uniform(0.02, 0.16)
        theta = math.asin(rise / arm)
        true = (arm * (math.cos(theta) - 1.0) + draw.gauss(0.0, 0.003), draw.gauss(0.0, 0.003))
        shear = draw.gauss(0.0, 0.04 * rise), draw.gauss(0.0, 0.04 * rise)
        tilts = [(0.0, 0.0), *((i / n * theta, 0.0) for i in range(1, n + 1))]
        bend = [sum(walked(0.4 / n, tilts[i][k], tilts[i + 1][k], 400) for i in range(n)) for k in (0, 1)]
        turn = [-(true[k] - shear[k] - bend[k]) / (0.4 * (n - 1) / n) for k in (0, 1)]  # by the plates between (small)
        read = [tilts[0]] + [
            tuple(t + (turn[k] if i < n - 1 else 0.0) + draw.gauss(0.0, SD) for k, t in enumerate(tilt))
            for i, tilt in enumerate(tilts[1:])
        ]
        by_tilts = lean_of([0.4 / n] * n, read, [0.0] + [SD] * n, None, 0.04 * rise)
        by_load = HeadOnLoad(load([(0.0, -1.0), (0.0, 1.0)]), (arm, 0.0)).moved(
            pose(0.0, math.sin(theta) + draw.gauss(0.0, 3e-5), 0.0)
        )
        it = put_together(by_tilts, by_load)
        off = np.array([it.x - true[0], it.y - true[1]])
        squares.append(off @ off)
        own.append(off @ np.linalg.solve([[it.cov[0], it.cov[1]], [it.cov[1], it.cov[2]]], off))
        alone.append((by_tilts.x - true[0]) ** 2 + (by_tilts.y - true[1]) ** 2)
    assert math.sqrt(np.mean(squares)) < 0.005
    assert math.sqrt(np.mean(alone)) > math.sqrt(np.mean(squares))
    assert 1.2 < np.mean(own) < 2.6
