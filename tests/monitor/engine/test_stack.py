"""A stack of bags: force, heights, reach and lean against closed forms."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.engine.stack import lean_of, share_height
from monitor.rig.capacity import AreaTable
from monitor.rig.schema import Bag


def strip(length: float) -> Bag:
    """A pillow strip: F = p B (L - pi h/2), B = 1 m, 8 bar (two inextensible sheets; see any text on air springs)."""
    heights = [0.0, 0.1, 0.2, 0.3]
    return Bag.model_validate(
        {
            "name": "b",
            "working_pressure": 8e5,
            "height_flat": 0.0,
            "pressure": "p",
            "capacity": [[h, 8e5 * (length - math.pi * h / 2)] for h in heights],
        }
    )


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
    flat = Bag.model_validate(
        {
            "name": "b",
            "working_pressure": 8e5,
            "height_flat": 0.1,
            "pressure": "p",
            "capacity": [[0.1, 80e3], [0.5, 80e3]],
        }
    )
    force, heights = share_height([AreaTable(flat), AreaTable(flat)], [2e5, 2e5], 0.5)
    assert force == pytest.approx(20e3)
    assert sum(heights) == pytest.approx(0.5)


def test_a_tilted_plate_leans_the_stack_to_its_low_side():
    # A plate whose +x side is up has its normal toward -x. One bag, 0.3 m, its top at 10 degrees: mean 5 degrees.
    it = lean_of([0.3], [(0.0, 0.0), (math.radians(10), 0.0)], 0.0, 0.0)
    assert (it.x, it.y) == (pytest.approx(-0.3 * math.tan(math.radians(5))), 0.0)
    # atan(30 mm over 300 mm) is 5.7106 degrees (computed): both plates at that tilt lean it by 30 mm.
    slope = math.radians(5.710593)
    it = lean_of([0.3], [(slope, 0.0), (slope, 0.0)], 0.0, 0.0)
    assert it.x == pytest.approx(-0.03, abs=1e-8)


def test_the_chord_of_a_bent_bag_is_near_its_arc():
    # A circular arc turning by t over its height: head offset = h tan(t/2) exactly.
    heights, turn = [0.2, 0.2], 0.4
    it = lean_of(heights, [(0.0, 0.0), (0.0, -turn / 2), (0.0, -turn)], 0.0, 0.0)
    assert it.y == pytest.approx(0.2 * math.tan(turn / 4) + 0.2 * math.tan(3 * turn / 4))
    assert it.plates[-1] == (pytest.approx(0.0), pytest.approx(it.y), pytest.approx(0.4))


def test_the_lean_knows_its_error():
    sd = math.radians(0.05)
    it = lean_of([0.2, 0.2], [(0.0, 0.0)] * 3, sd, 0.01)
    assert it.sd == pytest.approx(math.hypot(0.2 * sd, 0.1 * sd))
    assert lean_of([0.2, 0.2], [(0.0, 0.0), (0.3, 0.0), (0.3, 0.0)], sd, 0.01).sd > it.sd


def test_force_height_and_reach_of_the_example(lift, clean_script):
    picture = lift.play(clean_script, 12.0)
    stack = picture.stacks[0]
    assert stack.force_n == pytest.approx(32_000, rel=0.01)
    assert stack.height_m == pytest.approx(0.24 + 0.036, abs=0.002)
    assert stack.reach_m == pytest.approx(1.04)
    lower, upper = stack.bags
    assert lower.height_m == pytest.approx(0.12)
    assert upper.height_m == pytest.approx(0.156, abs=0.002)
    assert upper.needed_pa == pytest.approx(upper.pressure_pa, rel=0.01)
    assert upper.use == pytest.approx(upper.pressure_pa / 8e5)


def test_two_open_bags_share_the_height(lift, clean_script):
    stack = lift.play(clean_script, 45.0).stacks[0]
    assert [bag.height_m for bag in stack.bags] == pytest.approx([0.21, 0.18], abs=0.015)
    assert sum(bag.height_m for bag in stack.bags) == pytest.approx(stack.height_m)


def test_before_it_lifts_the_force_is_not_known(lift, clean_script):
    assert lift.play(clean_script, 5.0).stacks[0].force_n is None


def test_a_lost_gauge_does_not_blind_the_lean(lift, clean_script):
    lift.play(clean_script, 30.0)

    def silent(t):
        it = clean_script(t)
        it.silent = ("S1-lower-p",)
        return it

    stack = lift.play(silent, 33.0).stacks[0]
    assert stack.force_n is None
    assert stack.bags[0].pressure_pa is None
    assert stack.lean_m is not None
    assert stack.lean_sd_m > 0.0
