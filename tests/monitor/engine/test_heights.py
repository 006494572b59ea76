"""Heights of bags, the stack's force and the agreement of its gauges, against closed forms and random stacks."""

import math
import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.engine.heights import Air, Heights
from monitor.engine.sharing import share_height
from monitor.rig.capacity import AreaTable
from monitor.rig.schema import Bag

TICK_NS = 100_000_000


def bag(capacity, *, error=0.01, name="b"):
    return Bag.model_validate(
        {
            "name": name,
            "working_pressure": 8e5,
            "height_flat": capacity[0][0],
            "pressure": "p",
            "capacity": capacity,
            "capacity_error": error,
        }
    )


def strip(length: float, **kwargs) -> Bag:
    """A pillow strip: F = p B (L - pi h/2), B = 1 m, 8 bar (two inextensible sheets; see any text on air springs)."""
    return bag([[h, 8e5 * (length - math.pi * h / 2)] for h in (0.0, 0.1, 0.2, 0.3)], **kwargs)


def even(**kwargs) -> Bag:
    """A bag that keeps its contact area: 0.1 m^2 at any height, so that its pressure says nothing of it (invented)."""
    return bag([[0.1, 80e3], [0.5, 80e3]], **kwargs)


def test_equal_pressure_gives_a_pillow_pair_its_known_difference():
    # L1 - pi h1/2 = L2 - pi h2/2, so h1 - h2 = 2 (L1 - L2)/pi = 0.127324 m for 0.6 and 0.4 (computed).
    tables = [AreaTable(strip(0.6)), AreaTable(strip(0.4))]
    force, (h1, h2) = share_height(tables, [3e5, 3e5], 0.35)
    assert h1 - h2 == pytest.approx(0.127324, abs=1e-6)
    assert h1 + h2 == pytest.approx(0.35)
    assert force == pytest.approx(3e5 * (0.6 - math.pi * h1 / 2))


@given(st.floats(1e5, 8e5), st.floats(1e5, 8e5), st.floats(0.0, 1.0))
def test_every_open_bag_carries_one_force_and_heights_sum(p1, p2, share):
    tables = [AreaTable(strip(0.6)), AreaTable(strip(0.5))]
    total = 0.05 + share * 0.5
    force, heights = share_height(tables, [p1, p2], total)
    assert sum(heights) == pytest.approx(total)
    for table, pressure, height in zip(tables, (p1, p2), heights, strict=True):
        if 1e-9 < height < table.heights[-1] - 1e-9:
            assert pressure * table.area(height) == pytest.approx(force, rel=1e-9)
        elif height <= 1e-9:
            assert force >= pressure * table.areas[0] * (1 - 1e-9)


def test_a_bag_without_air_is_a_spacer():
    tables = [AreaTable(strip(0.6)), AreaTable(strip(0.4))]
    force, heights = share_height(tables, [None, 4e5], 0.1)
    assert heights == pytest.approx([0.0, 0.1])
    assert force == pytest.approx(4e5 * (0.4 - math.pi * 0.1 / 2))


def test_where_a_table_is_flat_the_force_is_still_known():
    force, heights = share_height([AreaTable(even()), AreaTable(even())], [2e5, 2e5], 0.5)
    assert force == pytest.approx(20e3)
    assert sum(heights) == pytest.approx(0.5)


class Stack:
    """Bags under one force, each at a height of its own: what their gauges then read. Invented."""

    def __init__(self, bags, force=30e3, seed=1):
        self.it, self.bags, self.force = Heights(bags), bags, force
        self.tables = [AreaTable(b) for b in bags]
        self.h = [t.heights[0] for t in self.tables]
        self.random = random.Random(seed)
        self.count = 0
        self.plate_error = [0.0] * len(bags)
        self.wrong = [1.0] * len(bags)
        self.noise = 300.0
        self.split = None

    def air(self, i, active, **known):
        area = np.interp(self.h[i], self.tables[i].heights, self.tables[i].areas) * (1.0 + self.plate_error[i])
        full = self.h[i] > self.tables[i].heights[0] + 1e-9 or i == active
        pressure = self.force / area * self.wrong[i] + self.random.gauss(0.0, self.noise) if full else 0.0
        return Air(**{"pressure": pressure, "noise": self.noise, "active": i == active} | known)

    def tick(self, active=None, rise=0.0, known=lambda i: {}):
        if active is not None:
            self.h[active] += rise
        self.count += 1
        air = [self.air(i, active, **known(i)) for i in range(len(self.bags))]
        self.split = self.it.tick(self.count * TICK_NS, sum(self.h), 0.0003, air)
        return self.split

    def fill(self, i, by, **kwargs):
        for _ in range(round(by / 0.001)):
            self.tick(i, 0.001, **kwargs)
        return self.split


@settings(max_examples=30, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 2), st.floats(-0.03, 0.06)), min_size=1, max_size=8), st.integers(0, 99))
def test_heights_always_sum_to_the_total_and_no_bag_is_lower_than_flat(moves, seed):
    it = Stack([strip(0.6), even(), strip(0.5)], seed=seed)
    it.fill(0, 0.02)
    for i, by in moves:
        step = math.copysign(0.001, by)
        for _ in range(round(abs(by) / 0.001)):
            if it.h[i] + step >= it.tables[i].heights[0] + (0.01 if i == 0 else 0.0):
                it.tick(i, step)
        split = it.tick()
        assert split is not None
        assert sum(split.heights) == pytest.approx(sum(it.h), abs=1e-9)
        assert all(h >= t.heights[0] - 1e-9 for h, t in zip(split.heights, it.tables, strict=True))
        cov = np.array(split.cov)
        assert cov == pytest.approx(cov.T, abs=1e-15)
        assert np.linalg.eigvalsh(cov).min() > -1e-12
        assert cov.sum() == pytest.approx(0.0, abs=1e-9)  # what one bag has too much another lacks


def test_on_steep_plates_pressures_alone_place_the_rise():
    # Nobody says who fills: the closed form of two pillow strips does, 0.35 m over both.
    it = Stack([strip(0.6, error=1e-4), strip(0.4, error=1e-4)])
    it.h = [0.2, 0.1]
    it.force = 3e5 * (0.6 - math.pi * 0.1)
    for _ in range(100):
        it.tick()
    assert it.split.heights == pytest.approx([0.2, 0.1], abs=0.002)
    assert it.split.force == pytest.approx(it.force, rel=1e-3)
    pushes = [it.air(i, None, noise=0.0).pressure * t.area(it.split.heights[i]) for i, t in enumerate(it.tables)]
    assert pushes[0] == pytest.approx(pushes[1], rel=0.01)


def test_on_level_plates_the_bag_that_is_filled_gets_the_rise_and_the_doubt_grows():
    it = Stack([even(), even()])
    it.fill(1, 0.05)
    assert it.split.sd(1) < 0.001  # the other is flat: it is the only one that can have risen
    sds = []
    for _ in range(4):
        it.fill(0, 0.03)
        sds.append(it.split.sd(0))
    assert it.split.heights == pytest.approx([0.22, 0.15], abs=0.003)
    assert sds == sorted(sds)
    assert 0.01 < sds[-1] < 0.05
    held = it.split.sd(0)
    for _ in range(3000):  # holding costs nothing
        it.tick()
    assert it.split.sd(0) == pytest.approx(held, abs=1e-4)


def test_a_rise_that_nobody_causes_is_shared_and_is_the_less_sure():
    causes, alone = Stack([even(), even()]), Stack([even(), even()])
    for it in (causes, alone):
        it.fill(1, 0.05)
        it.fill(0, 0.02)
    before = list(alone.split.heights)
    for _ in range(60):
        causes.tick(0, 0.001)
        alone.h[0] += 0.001
        alone.tick()
    assert np.subtract(alone.split.heights, before) == pytest.approx([0.03, 0.03], abs=0.002)
    assert alone.split.sd(0) > 1.3 * causes.split.sd(0)


def test_a_bag_that_lost_its_air_is_flat_again():
    it = Stack([even(), even()])
    it.fill(1, 0.05)
    it.fill(0, 0.05)
    for _ in range(50):
        it.tick(0, -0.001)
    it.tick()
    assert it.split.heights == pytest.approx([0.1, 0.15])
    assert it.split.sd(0) < 0.001


def test_a_height_sensor_of_the_bag_settles_the_split():
    it = Stack([even(), even()])
    it.fill(1, 0.05)

    def seen(i):
        return {"height": it.h[0] + it.random.gauss(0.0, 0.002), "height_sd": 0.002} if i == 0 else {}

    for _ in range(60):  # rises with the other's valve open: the sensor knows better
        it.h[0] += 0.001
        it.tick(1, 0.0, known=seen)
    for _ in range(20):
        it.tick(known=seen)
    assert it.split.heights == pytest.approx([0.16, 0.15], abs=0.003)
    assert 0.0005 < it.split.sd(0) < 0.002


def test_an_isolated_bag_has_a_height_and_the_others_give_the_force():
    it = Stack([even(), even()])
    it.fill(1, 0.05)
    it.fill(0, 0.04)

    def isolated(i):
        return {"pressure": None, "isolated": True} if i == 0 else {}

    it.fill(1, 0.03, known=isolated)
    assert it.split.heights == pytest.approx([0.14, 0.18], abs=0.003)
    assert it.split.force == pytest.approx(30e3, rel=0.02)
    assert it.split.disagree == ()


def test_the_force_of_a_stack_that_no_gauge_sees_is_not_known():
    it = Stack([even()])
    it.fill(0, 0.05)
    split = it.tick(known=lambda i: {"pressure": None, "isolated": True})
    assert split.force is None
    assert split.heights == pytest.approx([0.15])


def test_no_bag_holds_what_none_has_air_for():
    it = Heights([even(), even()])
    assert it.tick(0, 0.25, 0.0003, [Air(0.0), Air(0.0)]) is None


@pytest.mark.parametrize(("count", "wrong", "named"), [(2, 1, (0, 1)), (3, 1, (1,)), (3, 2, (2,))])
def test_the_reading_that_fits_none_is_named_after_a_second(count, wrong, named):
    it = Stack([even(name=f"b{i}") for i in range(count)])
    for i in range(count):
        it.fill(i, 0.05)
    for _ in range(50):
        it.tick()
    assert it.split.disagree == ()
    it.wrong[wrong] = 1.15
    for _ in range(9):
        assert it.tick().disagree == ()
    for _ in range(4):
        it.tick()
    assert it.split.disagree == named
    if count == 3:  # two that agree outvote it
        assert it.split.force == pytest.approx(30e3, rel=0.02)
    else:  # either may be right
        assert it.split.force_sd > 0.06 * 30e3
    it.wrong[wrong] = 1.0
    assert it.tick().disagree == ()


def test_over_random_stacks_the_errors_are_honest_and_good_gauges_agree():
    # 150 lifts (invented): plates off by their stated 1 %, bags filled in turn. Chi-square: of a standard normal error
    # 95.4 % lie within two standard deviations; the model is rather careful than exact.
    draw = random.Random(3)
    within, forces, blamed = [], [], 0
    for seed in range(150):
        falls = [draw.uniform(0.02, 0.3) for _ in range(2)]
        bags = [bag([[0.1, 90e3], [0.5, 90e3 * (1.0 - fall)]], name=f"b{i}") for i, fall in enumerate(falls)]
        it = Stack(bags, force=draw.uniform(15e3, 45e3), seed=seed)
        it.plate_error = [draw.gauss(0.0, 0.01) for _ in range(2)]
        it.fill(1, draw.uniform(0.02, 0.1))
        it.fill(0, draw.uniform(0.02, 0.1))
        for _ in range(30):
            blamed += bool(it.tick().disagree)
        within.append(abs(it.split.heights[0] - it.h[0]) < 2.0 * it.split.sd(0))
        forces.append((it.split.force - it.force) / it.split.force_sd)
    assert blamed == 0
    assert np.mean(within) > 0.93
    assert np.mean(np.square(forces)) == pytest.approx(1.0, abs=0.4)
