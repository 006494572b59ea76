"""A head that slides on its load: seen within a second, and not seen where there is none. All data invented."""

import itertools
import math
import random

import pytest

from monitor.engine.lean import lean_of
from monitor.engine.slip import SlipWatch, Turning

SD = math.radians(0.05)
TICK_NS = 100_000_000


class Stack:
    """Two or three bags, 0.25 to 0.45 m high, whose plates bend so that the head is where it is.

    Tilts are read 10 to 20 times a second with 0.05 degrees of noise; the plates between take what the head does.
    """

    def __init__(self, draw, watch=None):
        self.draw, self.watch, self.turning = draw, watch or SlipWatch(), Turning()
        self.n, self.height = draw.choice((2, 3)), draw.uniform(0.25, 0.45)
        self.arm, self.speed = draw.uniform(1.5, 5.0), draw.uniform(0.002, 0.012)
        self.shear = draw.uniform(-0.01, 0.01)
        self.way = draw.uniform(0.0, 2.0 * math.pi)
        self.every = draw.uniform(0.05, 0.1)
        self.next = [[draw.uniform(0.0, self.every) for _ in "xy"] for _ in range(self.n)]
        self.read = [[0.0, 0.0] for _ in range(self.n)]
        self.now = 0.0

    def truth(self, t, beyond, lifting):
        rise = min(0.15, self.speed * max(0.0, t - 3.0)) if lifting else 0.0
        theta = math.asin(rise / self.arm)
        load = self.arm * (math.cos(theta) - 1.0), 0.0
        head = (
            load[0] + self.shear * rise / 0.15 + beyond(t) * math.cos(self.way),
            load[1] + beyond(t) * math.sin(self.way),
        )
        bag = (self.height - 0.15 + rise if lifting else self.height) / self.n
        tilts = [[0.0, 0.0], *([i / self.n * theta, 0.0] for i in range(1, self.n + 1))]
        for axis in (0, 1):
            for _ in range(4):  # Newton: the plates between turn until the head is there
                off = -head[axis] - sum(bag * math.tan((a[axis] + b[axis]) / 2.0) for a, b in itertools.pairwise(tilts))
                for plate in tilts[1:-1]:
                    plate[axis] += off / (bag * (self.n - 1))
        return [bag] * self.n, tilts, load

    def tick(self, beyond, lifting=True, lowering=0.0):
        self.now += TICK_NS * 1e-9
        for i, plate in enumerate(self.next):
            for axis in (0, 1):
                while plate[axis] <= self.now:
                    tilt = self.truth(plate[axis], beyond, lifting)[1][i + 1][axis]
                    self.read[i][axis] = tilt + self.draw.gauss(0.0, SD)
                    plate[axis] += self.every
        heights, _, load = self.truth(self.now, beyond, lifting)
        tilts = [(0.0, 0.0), *((x, y) for x, y in self.read)]
        lean = lean_of(heights, tilts, [0.0] + [SD] * self.n)
        head = self.turning.tick(heights, tilts)
        self.watch.tick(
            round(self.now * 1e9), head, load, lean.sd, (lean.x, lean.y), sum(heights) - lowering * self.now
        )
        return self.watch

    def first(self, beyond, seconds, lifting=True, lowering=0.0):
        """When it is first called a slip (s), or None."""
        while self.now < seconds:
            if self.tick(beyond, lifting, lowering).slipping:
                return self.now
        return None


@pytest.mark.parametrize("takes", [0.01, 0.3, 1.0])
def test_a_slide_of_fifteen_millimetres_is_seen_within_a_second(takes):
    draw, late = random.Random(1), []
    for _ in range(25):
        at = draw.uniform(6.0, 8.0)
        seen = Stack(draw).first(lambda t, at=at: 0.015 * min(1.0, max(0.0, (t - at) / takes)), 11.0)
        assert seen is not None
        late.append(seen - at)
    assert min(late) > 0.0
    assert max(late) <= 1.0


def test_a_clean_lift_is_no_slide():
    draw = random.Random(2)
    assert [Stack(draw).first(lambda t: 0.0, 30.0) for _ in range(25)] == [None] * 25


def test_bags_that_roll_slowly_are_no_slide():
    draw = random.Random(3)
    for speed in (0.004, 0.006):
        for _ in range(10):
            assert Stack(draw).first(lambda t, speed=speed: speed * max(0.0, t - 5.0), 25.0) is None


def test_ten_minutes_of_holding_is_no_slide():
    stack = Stack(random.Random(4))
    assert stack.first(lambda t: 0.0, 600.0, lifting=False) is None


def comes_upright(t):
    return 0.1 if t < 3.0 else max(0.0, 0.1 - 0.03 * (t - 3.0))


def test_a_leaning_stack_that_comes_upright_while_let_down_is_no_slide_and_one_that_goes_through_is():
    stack = Stack(random.Random(5))
    assert stack.first(comes_upright, 8.0, lifting=False, lowering=0.005) is None
    assert stack.first(lambda t: -0.02 * max(0.0, t - 8.0), 10.0, lifting=False, lowering=0.005) is not None


def test_one_that_comes_back_and_is_not_let_down_slides():
    assert Stack(random.Random(5)).first(comes_upright, 8.0, lifting=False) is not None


def test_how_far_it_slid_is_what_is_said():
    watch = SlipWatch()
    for k in range(30):
        gone = 0.0 if k < 20 else 0.03
        watch.tick(k * TICK_NS, (0.002 + gone, -0.001), (0.002, 0.0), 0.0003)
    assert watch.slip_m == pytest.approx(0.03)
    assert watch.slipping is True
    for k in range(30, 45):  # a second later it stands where it stands
        watch.tick(k * TICK_NS, (0.032, -0.001), (0.002, 0.0), 0.0003)
    assert (watch.slip_m, watch.slipping) == (pytest.approx(0.0), False)


def test_what_the_load_explains_is_no_slide():
    watch = SlipWatch()
    for k in range(60):
        at = (-0.05 * k * 0.1, 0.0)
        watch.tick(k * TICK_NS, at, at, 0.0003)
        assert watch.slipping is False
        assert watch.slip_m == pytest.approx(0.0)


def test_one_wrong_reading_is_no_slide():
    watch = SlipWatch()
    for k in range(60):
        watch.tick(k * TICK_NS, (0.05 if k in (30, 31) else 0.0, 0.0), (0.0, 0.0), 0.0003)
        assert watch.slipping is False


def test_a_noisy_sensor_raises_the_limit():
    draw, false = random.Random(6), 0
    for noise in (0.0003, 0.004):
        watch = SlipWatch()
        for k in range(20_000):
            watch.tick(k * TICK_NS, (draw.gauss(0.0, noise), draw.gauss(0.0, noise)), (0.0, 0.0), noise)
            false += watch.slipping is True
    assert false == 0


def test_unseen_is_not_known_and_a_gap_begins_anew():
    watch = SlipWatch()
    watch.tick(0, (0.0, 0.0), (0.0, 0.0), 0.0003)
    assert watch.slipping is False
    watch.tick(TICK_NS, None, (0.0, 0.0), 0.0003)
    assert (watch.slip_m, watch.slipping) == (None, None)
    for k in range(2, 8):
        watch.tick(k * TICK_NS, (0.0, 0.0), (0.0, 0.0), 0.0003)
    watch.tick(3_000_000_000, (0.05, 0.0), (0.0, 0.0), 0.0003)
    assert watch.slip_m == 0.0


def test_turning_adds_up_what_plates_do_and_nothing_else():
    turning = Turning()
    turning.tick([0.2, 0.2], [(0.0, 0.0), (0.1, 0.0), (0.1, 0.0)])
    assert turning.tick([0.2, 0.3], [(0.0, 0.0), (0.1, 0.0), (0.1, 0.0)]) == (0.0, 0.0)  # only higher
    x, y = turning.tick([0.2, 0.3], [(0.0, 0.0), (0.2, 0.05), (0.1, 0.0)])
    after, before = 0.2 * math.tan(0.1) + 0.3 * math.tan(0.15), 0.2 * math.tan(0.05) + 0.3 * math.tan(0.1)
    assert x == pytest.approx(before - after)
    assert y == pytest.approx(-0.5 * math.tan(0.025))
