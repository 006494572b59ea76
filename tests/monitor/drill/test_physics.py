"""The virtual rig's truth against closed forms. It shares nothing with the estimator; nor do these tests."""

import math
from importlib.resources import files

import pytest

from monitor.drill.physics import CRITICAL_RATIO, P_ATM, P_REFERENCE, AirBag, Truth, flow
from monitor.rig.load import parse_rig

TEXT = files("monitor.drill").joinpath("rigs/yard-panel.toml").read_text(encoding="utf-8")


@pytest.fixture
def truth():
    return Truth(parse_rig(TEXT))


def run(truth, seconds, dt=0.05):
    for _ in range(round(seconds / dt)):
        truth.advance(dt)


def test_boyle_with_absolute_pressure(truth):
    # 8 bar gauge, volume 100 to 90: 9.001472 bar gauge (Boyle, absolute; with gauge by mistake it would be 8.889).
    bag = truth.bags["S1-upper"]
    bag.air = (8e5 + P_ATM) * bag.volume(0.3)
    height = 0.3
    while bag.volume(height) > 0.9 * bag.volume(0.3):
        height -= 1e-6
    assert bag.pressure(height) == pytest.approx(9.001472e5, rel=1e-4)


@pytest.mark.parametrize("height", [0.13, 0.2, 0.25, 0.33, 0.45, 0.51])
def test_virtual_work(truth, height):
    # F = p dV/dh at constant pressure, for any air spring.
    bag = truth.bags["S1-lower"]
    step = 1e-6
    slope = (bag.volume(height + step) - bag.volume(height - step)) / (2 * step)
    assert slope == pytest.approx(bag.area(height), rel=1e-5)


def test_flow_is_choked_below_the_critical_ratio_and_stops_at_equal_pressure():
    # ISO 6358: q = C p1 p0 when choked, less above the critical ratio, nothing backward.
    choked = 1e-9 * 8e5 * P_REFERENCE
    assert flow(1e-9, 8e5, 1e5) == pytest.approx(choked)
    assert flow(1e-9, 8e5, 8e5 * CRITICAL_RATIO) == pytest.approx(choked)
    middle = (1 + CRITICAL_RATIO) / 2
    assert flow(1e-9, 8e5, 8e5 * middle) == pytest.approx(choked * math.sqrt(0.75))
    assert flow(1e-9, 8e5, 8e5) == 0.0
    assert flow(1e-9, 8e5, 9e5) == 0.0


def test_the_stack_carries_what_moments_about_the_hinge_say(truth):
    # F d = W xg, less what the shores' own air pushes: 56 kN at 2.4 m, stack at 4.2 m, two shores of 504 N at 4.6 m.
    truth.bags["S1-upper"].filling = 1.0
    run(truth, 10.0)
    bag = truth.bags["S1-upper"]
    theta = truth.theta
    moment = 56e3 * (2.4 * math.cos(theta) - 0.1 * math.sin(theta)) - 2 * 1.8e5 * 28e-4 * 4.6 * math.cos(theta)
    assert bag.pressure() * bag.area(bag.height) == pytest.approx(moment / (4.2 * math.cos(theta)), rel=1e-3)
    assert truth.rise((4.2, 0.0)) == pytest.approx(bag.height - 0.12, abs=1e-6)


def test_it_rises_at_the_pace_of_a_careful_crew(truth):
    truth.bags["S1-upper"].filling = 1.0
    run(truth, 4.0)
    before = truth.rise((4.2, 0.0))
    run(truth, 5.0)
    assert (truth.rise((4.2, 0.0)) - before) / 5.0 == pytest.approx(0.006, abs=0.001)


def test_shores_follow_in_steps_of_their_pitch(truth):
    truth.bags["S1-upper"].filling = 1.0
    for _ in range(200):
        truth.advance(0.05)
        for shore in truth.shores.values():
            steps = shore.extension / shore.shore.lock_pitch
            assert steps == pytest.approx(round(steps))
            assert -1e-9 <= truth.gap(shore.shore.name) <= shore.shore.lock_pitch + 1e-9


def test_locked_shores_hold_what_the_bags_let_go(truth):
    truth.bags["S1-upper"].filling = 1.0
    run(truth, 10.0)
    high = truth.rise((4.2, 0.0))
    truth.bags["S1-upper"].filling, truth.bags["S1-upper"].venting = 0.0, 1.0
    run(truth, 60.0)
    assert truth.rise((4.2, 0.0)) == pytest.approx(high, abs=0.001)
    bag = truth.bags["S1-upper"]
    assert bag.pressure() * bag.area(bag.height) < 1000.0, "the bags are slack and the shores carry it"
    for shore in truth.shores.values():
        shore.released = True
    run(truth, 1.0)
    assert truth.rise((4.2, 0.0)) < high / 2


def test_a_stuck_shore_stays_and_one_without_air_does_not_follow(truth):
    truth.shores["N1"].stuck = True
    truth.shores["N2"].air = 0.2e5
    truth.bags["S1-upper"].filling = 1.0
    run(truth, 6.0)
    assert truth.shores["N1"].extension == truth.shores["N2"].extension == 0.0
    assert truth.gap("N1") > 0.005


def test_rolling_bags_lean_the_head_to_the_low_side(truth):
    truth.bags["S1-upper"].filling = 1.0
    run(truth, 8.0)
    truth.roll = -0.3
    x, y = truth.lean(truth.rig.stack[0])
    assert x > 0.03
    assert y == 0.0


def test_a_load_without_a_hinge_on_one_stack_is_held_level():
    # Without a hinge, a stack of its own holds no tilt: the load is held level, and all of it is on the stack.
    rig = parse_rig(TEXT)
    free = Truth(rig.model_copy(update={"load": rig.load.model_copy(update={"hinge": None})}))
    free.bags["S1-upper"].filling = 1.0
    run(free, 20.0)
    push = free.bags["S1-upper"].force(free.bags["S1-upper"].height)
    assert push == pytest.approx(56e3 - 2 * 1.8e5 * 28e-4, rel=1e-6)


def test_air_is_kept(truth):
    bag = AirBag(truth.rig.stack[0].bag[0])
    before = bag.air
    bag.height = 0.3
    assert bag.air == before
    assert bag.pressure() < 0.0  # pulled apart without air: below atmosphere, by Boyle
