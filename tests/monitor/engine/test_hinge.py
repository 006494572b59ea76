"""Where the load turns, against lines laid by hand and against many noisy poses."""

import math
import random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.encode import picture as encoded
from monitor.engine.estimate import PoseEstimate
from monitor.engine.hinge import UNKNOWN, hinge_of
from monitor.engine.mounts import Level

SIGMA = (0.0002, 0.00005, 0.00008)
HEADS = [(4.2, 0.0)]


def pose(z, a, b, sigma=SIGMA):
    p = [[0.0] * 6 for _ in range(6)]
    for i, sd in enumerate(sigma):
        p[i][i] = sd * sd
    return PoseEstimate((z, a, b, 0.0, 0.0, 0.0), p, Level())


@given(st.floats(-math.pi, math.pi), st.floats(0.01, 3.0), st.floats(0.02, 0.2))
def test_it_is_the_line_it_was_laid_on(normal, distance, tilt):
    # Turning by `tilt` about the line n . r = distance: the rise there is zero, so z = -distance * tilt.
    a, b = tilt * math.cos(normal), tilt * math.sin(normal)
    found = hinge_of(pose(-distance * tilt, a, b, (1e-6,) * 3), 5.0, HEADS)
    assert found.distance_m == pytest.approx(distance)
    along = math.cos(found.direction_rad), math.sin(found.direction_rad)
    assert a * along[0] + b * along[1] == pytest.approx(0.0, abs=1e-9), "the line runs across the slope"
    assert -math.pi / 4 <= found.direction_rad < 3 * math.pi / 4 + 1e-12
    assert found.free is False


def test_its_error_is_what_noisy_poses_scatter_by():
    rng, z, a, b = random.Random(1), -0.03, 0.04, 0.01
    said = hinge_of(pose(z, a, b), 5.0, HEADS)
    many = [
        hinge_of(pose(*(v + rng.gauss(0, s) for v, s in zip((z, a, b), SIGMA, strict=True))), 5.0, HEADS).distance_m
        for _ in range(4000)
    ]
    assert np.std(many) == pytest.approx(said.sd_m, rel=0.05)
    assert np.mean(many) == pytest.approx(said.distance_m, abs=0.001)


def test_it_is_not_spoken_of_before_the_load_has_turned():
    assert hinge_of(pose(0.0, 0.0002, 0.0), 5.0, HEADS) == UNKNOWN
    assert hinge_of(pose(0.0, 0.0, 0.0), 5.0, HEADS) == UNKNOWN
    assert hinge_of(pose(0.0, 0.0, 0.0, (0.0,) * 3), 5.0, HEADS) == UNKNOWN


def test_a_load_that_rises_without_turning_is_a_free_lift():
    assert hinge_of(pose(0.05, 0.0001, 0.0), 5.0, [(0, 0), (3, 0), (0, 3)]).free is True
    assert hinge_of(pose(0.05, 0.001, 0.0), 5.0, [(0, 0), (3, 0), (0, 3)]).free is True, "about a line 50 m away"


def test_the_example_turns_about_its_west_edge(lift, moment):
    picture = lift.play(
        lambda t: moment(rise=min(0.1, max(0.0, (t - 3.0) * 0.006)), upper=2.7e5 if t > 2.5 else 0.0), 24.0
    )
    said = encoded(picture)["hinge"]
    assert abs(said["distance_m"]) < 4 * said["sd_m"] + 1e-3
    assert said["direction_rad"] == pytest.approx(math.pi / 2, abs=0.05)
    assert said["free"] is False
    assert encoded(lift.pictures[50])["hinge"]["distance_m"] is None
