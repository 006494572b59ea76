"""What every way of mounting sees, against three-dimensional rotation by numpy, which shares nothing with the engine."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from monitor.engine.mounts import GroundMount, Level, LoadMount, TiltMount, WireMount

ANGLE = st.floats(-0.26, 0.26)  # fifteen degrees
PLACE = st.floats(-5.0, 5.0)


def turned(a: float, b: float) -> np.ndarray:
    """The rotation without yaw whose third row is (a, b, c): about the level axis, by the angle from the vertical."""
    c = math.sqrt(1.0 - a * a - b * b)
    axis = np.array([b, -a, 0.0])  # takes the body's up axis (-a, -b, c) from the vertical
    size = np.linalg.norm(axis)
    if size == 0.0:
        return np.eye(3)
    return Rotation.from_rotvec(axis / size * math.atan2(size, c)).as_matrix()


class Load:
    """A load before and after, turning about a load-fixed point that goes nowhere, and lifted by `up` there."""

    def __init__(self, a0, b0, a, b, still, up):
        self.before, self.after = turned(math.sin(a0), math.sin(b0)), turned(math.sin(a0 + a), math.sin(b0 + b))
        pin = np.array([*still, 0.0])
        self.origin = self.before @ pin - self.after @ pin + np.array([0.0, 0.0, up])
        self.level = Level(math.sin(a0), math.sin(b0), still)
        self.pose = (self.origin[2], *(self.after[2, :2] - self.before[2, :2]))

    def place(self, point):
        return self.origin + self.after @ np.array(point)


@pytest.fixture(name="load")
def _load():
    return Load


@given(ANGLE, ANGLE, ANGLE, ANGLE, PLACE, PLACE, PLACE, PLACE, st.floats(-0.3, 0.3), st.floats(-0.1, 0.4))
def test_every_mount_is_exact_at_any_angle(a0, b0, a, b, x, y, sx, sy, h, up):
    it = Load(a0, b0, a, b, (sx, sy), up)
    point = (x, y, h)
    rise = (it.place(point) - it.before @ np.array(point))[2]
    assert_sees(it, LoadMount((x, y), h), rise)

    # Straight up from the ground at (x, y): where that line meets the plane `h` above the underside.
    def hit(rotation, origin):
        normal = rotation[:, 2]
        return origin[2] + (h + normal[0] * (origin[0] - x) + normal[1] * (origin[1] - y)) / normal[2]

    assert_sees(it, GroundMount((x, y), h), hit(it.after, it.origin) - hit(it.before, np.zeros(3)))

    anchor = (x + 0.4, y - 0.3, h - 0.7)
    length = np.linalg.norm(it.place(point) - it.before @ np.array(anchor))
    assert_sees(it, WireMount((x, y), h, anchor), length - math.sqrt(0.4**2 + 0.3**2 + 0.7**2))

    axis = np.array([0.6, 0.8, 0.0])
    tilt = TiltMount((0.6, 0.8), 0.02)
    reads = [math.asin((rotation @ axis)[2]) + 0.02 for rotation in (it.before, it.after)]
    assert tilt.change(reads[1], reads[0]) == pytest.approx(tilt.see(*it.pose)[1], abs=1e-12)


def assert_sees(it, mount, truth):
    mount.set_level(it.level)
    row, predicted = mount.see(*it.pose)
    assert predicted == pytest.approx(truth, abs=1e-12)
    step = 1e-6
    for i in range(3):
        up, down = list(it.pose), list(it.pose)
        up[i] += step
        down[i] -= step
        slope = (mount.see(*up)[1] - mount.see(*down)[1]) / (2 * step)
        assert row[i] == pytest.approx(slope, abs=1e-6)


def test_a_ground_sensor_at_fifteen_degrees_differs_by_three_and_a_half_per_cent():
    # 1/cos(15 deg) = 1.0353: trigonometry.
    it = Load(0.0, 0.0, math.radians(15), 0.0, (0.0, 0.0), 0.0)
    mount = GroundMount((4.0, 0.0), 0.0)
    mount.set_level(it.level)
    assert mount.see(*it.pose)[1] / (4.0 * it.pose[1]) == pytest.approx(1.0353, abs=1e-4)
