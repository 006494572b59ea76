"""The virtual rig's equilibrium against worked examples, moments by numpy, and the energy of air and load."""

from __future__ import annotations

import math

import numpy as np
import pytest

from monitor.drill.balance import STEEPEST
from monitor.drill.physics import P_ATM, T_REFERENCE, VENT_CONDUCTANCE, Truth, flow


def inflate(truth: Truth, pressures: dict[str, float]) -> None:
    """Put air into bags at their flat height, and let the load find its place."""
    for name, pressure in pressures.items():
        bag = truth.bags[name]
        bag.air = (pressure + P_ATM) * bag.volume(bag.flat)
    for _ in range(3):
        truth.advance(0.05)


def test_three_supports_carry_what_statics_says(make_rig):
    # W 30 kN at (0.6, 0.5) on (0,0), (2,0), (0,1.5): 11, 9 and 10 kN, by moments about two sides (statics, worked by hand).
    truth = Truth(make_rig({"A": (0, 0), "B": (2, 0), "C": (0, 1.5)}, cg=(0.6, 0.5, 0.0)))
    inflate(truth, {"A0": 4e5, "B0": 3e5, "C0": 3.4e5})
    assert [truth.forces[name] for name in "ABC"] == pytest.approx([11e3, 9e3, 10e3], rel=1e-6)
    assert min(truth.rise(stack.at) for stack in truth.rig.stack) > 0.005, "all three lift"
    assert truth.force == pytest.approx(30e3, rel=1e-6)


def test_two_supports_carry_what_statics_says(make_rig):
    # Two supports 5 m apart under 30 kN at 3 m: 12 and 18 kN (statics, worked by hand).
    truth = Truth(make_rig({"A": (0, 0), "B": (5, 0)}, cg=(3.0, 0.0, 0.0)))
    inflate(truth, {"A0": 4e5, "B0": 5e5})
    assert [truth.forces["A"], truth.forces["B"]] == pytest.approx([12e3, 18e3], rel=1e-6)
    assert truth.tilt((0.0, 1.0)) == 0.0, "across the line of the stacks nothing is simulated"


def test_a_high_centre_of_gravity_moves_over_the_lower_support(make_rig):
    # The centre of gravity 0.8 m up goes h a / c toward the low side: moments about A at the load's own tilt.
    truth = Truth(make_rig({"A": (0, 0), "B": (5, 0)}, cg=(3.0, 0.0, 0.8)))
    inflate(truth, {"A0": 2e5, "B0": 6e5})
    tilt = truth.tilt((1.0, 0.0))
    assert tilt > 0.005
    assert truth.forces["B"] == pytest.approx(30e3 * (3.0 - 0.8 * math.tan(tilt)) / 5.0, rel=1e-6)


def test_the_height_of_the_centre_of_gravity_by_tilting(make_rig):
    # W 30 kN, x 3 m, z 1.2 m, support at 5 m, raised to 5 deg: W (x - z tan 5)/L = 17.370082 kN; level it is 18 (worked by hand).
    # The stack is made so tall that its lean turns its force by nothing.
    hinge = [[0, -1], [0, 1]]
    truth = Truth(make_rig({"S": (5, 0)}, hinge=hinge, cg=(3.0, 0.0, 1.2), tall=1e4))
    bag, low, high = truth.bags["S0"], 1e3, 5e4
    for _ in range(60):
        bag.air = (low + high) / 2.0
        truth.advance(0.05)
        low, high = (bag.air, high) if truth.theta < math.radians(5) else (low, bag.air)
    assert truth.theta == pytest.approx(math.radians(5), abs=1e-9)
    assert truth.forces["S"] == pytest.approx(17370.082, rel=1e-6)
    assert truth.tip_rad() == pytest.approx(math.atan2(3.0, 1.2))


def about(axis: np.ndarray, angle: float) -> np.ndarray:
    """Rotation about a unit axis (Rodrigues)."""
    x, y, z = axis
    k = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    return np.eye(3) + math.sin(angle) * k + (1 - math.cos(angle)) * k @ k


@pytest.mark.parametrize("seed", range(8))
def test_moments_about_any_hinge_vanish(make_rig, seed):
    # Independently: rotate every point by numpy, take each force along its own line, sum r x F along the hinge.
    rng = np.random.default_rng(seed)
    turned = rng.uniform(0, 2 * math.pi)
    at = np.array([math.cos(turned), math.sin(turned)])
    side = np.array([-at[1], at[0]])
    origin = rng.uniform(-1, 1, 2)

    def spot(d: float, e: float) -> tuple[float, float]:
        return tuple(origin + d * at + e * side)

    places = {"S": spot(4.0, -0.5), "T": spot(4.4, 0.6)}
    shores = {"N": spot(4.7, 1.0), "M": spot(4.6, -1.0)}
    cg = (*spot(2.3, 0.1), 0.4)
    rig = make_rig(places, hinge=[list(spot(0, -1)), list(spot(0, 1))], cg=cg, shores=shores, weight=6e4, bags=2)
    truth = Truth(rig)
    truth.slip("S", (0.03, -0.02), 0.0)
    truth.roll = 0.2
    inflate(truth, {"S0": 1.5e6, "S1": 3e6, "T0": 2.5e6, "T1": 1e6})
    for _ in range(50):  # the bags' heights and how far a roll carries their head agree after a few steps
        truth.advance(0.05)
    assert truth.theta > 0.02
    u = np.array([*side, 0.0])
    turn = about(np.cross(np.array([*at, 0.0]), [0, 0, 1.0]), truth.theta)
    base = np.array([*origin, 0.0])

    def where(point) -> np.ndarray:
        return base + turn @ (np.array([*point, 0.0][:3]) - base)

    total = np.cross(where(cg) - base, [0, 0, -6e4]) @ u
    for stack in rig.stack:
        head = where(truth.contact(stack))
        foot = np.array([*stack.at, -stack.height_at_zero])
        assert truth.lean(stack) == pytest.approx(tuple((head - foot)[:2]), abs=1e-12)
        along = (head - foot) / (head - foot)[2]
        total += np.cross(head - base, truth.forces[stack.name] * along) @ u
        bags = [truth.bags[bag.name] for bag in stack.bag]
        open_bags = [b for b in bags if b.height > b.flat]
        for b in open_bags:
            assert b.force(b.height) == pytest.approx(truth.forces[stack.name], rel=1e-6)
        assert sum(b.height for b in bags) == pytest.approx(0.2 + head[2], abs=1e-8)
    for shore in rig.shore:
        total += np.cross(where(shore.at) - base, [0, 0, truth.shore_loads[shore.name]]) @ u
    assert abs(total) < 1e-6 * 6e4 * 2.3


def volume(bag, height: float) -> float:
    """A bag's volume by numpy: its dead space and the area under its data plate."""
    heights, forces = np.array(bag.bag.capacity).T
    areas = forces / bag.bag.working_pressure
    grid = np.union1d(np.linspace(heights[0], height, 2001), heights[heights < height])
    return 0.02 * areas[0] + float(np.trapezoid(np.interp(grid, heights, areas), grid))


def test_the_energy_of_air_and_load_is_least_where_a_free_load_stands(make_rig):
    # Isothermal air: the work of dV against the atmosphere is n ln V - p_atm V. The load's potential is W z of its centre.
    cg = (0.9, 0.45, 0.5)
    rig = make_rig(
        {"A": (0, 0), "B": (2, 0), "C": (0, 1.5), "D": (2, 1.5)}, cg=cg, shores={"N": (1.0, 1.4)}, weight=4e4
    )
    truth = Truth(rig)
    inflate(truth, {"A0": 3.5e5, "B0": 2e5, "C0": 3.4e5, "D0": 3e5})
    placed, shore = truth.placement, truth.shores["N"]
    shore.carried = 0.0
    assert truth.gap("N") > 0.0, "its lock carries nothing"

    def energy(z: float, a: float, b: float) -> float:
        c = math.sqrt(1 - a * a - b * b)
        total = 4e4 * (z + a * cg[0] + b * cg[1] + cg[2] * c)
        total -= shore.thrust * (z + a * shore.shore.at[0] + b * shore.shore.at[1])
        for stack in rig.stack:
            bag = truth.bags[stack.bag[0].name]
            v = volume(bag, bag.flat + z + a * stack.at[0] + b * stack.at[1])
            total -= bag.air * math.log(v) - P_ATM * v
        return total

    here, step = (placed.oz, placed.a, placed.b), 1e-5
    assert min(truth.rise(s.at) for s in rig.stack) > 0.002
    for i in range(3):
        up, down = ([v + sign * step * (i == k) for k, v in enumerate(here)] for sign in (1, -1))
        slope = (energy(*up) - energy(*down)) / (2 * step)
        assert abs(slope) < 1e-4 * 4e4
        assert energy(*up) > energy(*here) < energy(*down), "a minimum, no saddle"


def test_the_energy_of_air_and_load_is_least_where_a_hinged_load_stands(make_rig):
    truth = Truth(make_rig({"S": (4, 0)}, hinge=[[0, -1], [0, 1]], cg=(2.0, 0.0, 0.6), weight=5e4, tall=1e5))
    inflate(truth, {"S0": 3e6})
    bag = truth.bags["S0"]

    def energy(theta: float) -> float:
        v = volume(bag, bag.flat + 4.0 * math.sin(theta))
        return 5e4 * (2.0 * math.sin(theta) + 0.6 * math.cos(theta)) - (bag.air * math.log(v) - P_ATM * v)

    assert truth.theta > 0.02
    slope = (energy(truth.theta + 1e-5) - energy(truth.theta - 1e-5)) / 2e-5
    assert abs(slope) < 1e-4 * 5e4


def test_stacks_behind_one_hinge_share_by_their_own_air(make_rig):
    truth = Truth(make_rig({"S": (4, -0.5), "T": (4, 0.5)}, hinge=[[0, -1], [0, 1]], cg=(2.0, 0.0, 0.0), weight=5e4))
    inflate(truth, {"S0": 6e5, "T0": 2e5})
    assert truth.forces["S"] > truth.forces["T"] > 0.0
    assert truth.force == pytest.approx(5e4 * 2.0 / 4.0, rel=1e-3)
    assert truth.heights["S0"] == pytest.approx(truth.heights["T0"], abs=1e-9), "one rigid load, level across its hinge"


def test_a_load_rests_until_its_bags_can_lift_it(make_rig):
    for hinge, cg in ((None, (0.6, 0.5, 0.3)), ([[-1, -1], [-1, 2]], (0.6, 0.5, 0.3))):
        truth = Truth(make_rig({"A": (0, 0), "B": (2, 0), "C": (0, 1.5)}, hinge=hinge, cg=cg))
        inflate(truth, {"A0": 2e4})
        assert all(truth.rise(s.at) == pytest.approx(0.0, abs=1e-4) for s in truth.rig.stack)
        assert truth.forces["A"] == pytest.approx(2e4 * 1e5 / 8e5, rel=3e-3), "less what the ground's give lets it open"
        assert truth.shore_loads == {}


def test_locked_shores_carry_what_the_bags_let_go(make_rig):
    # Hinge at x = 0, W 50 kN at 2 m; shores at 4 m and 5 m give in proportion to their arms: S1 4 + S2 5 = 100 kN m at least.
    shores = {"N": (4.0, 1.0), "M": (4.0, -1.0), "K": (5.0, 0.0)}
    truth = Truth(make_rig({"S": (4.5, 0)}, hinge=[[0, -1], [0, 1]], cg=(2.0, 0.0, 0.0), weight=5e4, shores=shores))
    truth.bags["S0"].filling = 1.0
    for _ in range(400):
        truth.advance(0.05)
    truth.bags["S0"].filling, truth.bags["S0"].venting = 0.0, 1.0
    high = truth.rise((4.5, 0.0))
    for _ in range(2000):
        truth.advance(0.05)
    assert truth.forces["S"] < 300.0
    assert truth.rise((4.5, 0.0)) == pytest.approx(high, abs=0.0013)
    loads = truth.shore_loads
    assert 4 * loads["N"] + 4 * loads["M"] + 5 * loads["K"] + 4.5 * truth.forces["S"] == pytest.approx(1e5, rel=1e-3)
    touching = [name for name, shore in truth.shores.items() if shore.carried > 0.0]
    assert touching, "somebody carries it"
    for name in loads:
        assert loads[name] == pytest.approx(504.0 + truth.shores[name].carried)
        assert (truth.gap(name) < 6e-5) == (name in touching)


def test_locked_shores_under_a_free_load_carry_it_all(make_rig):
    truth = Truth(
        make_rig({"A": (0, 0), "B": (2, 0), "C": (0, 1.5)}, cg=(0.6, 0.5, 0.2),
                 shores={"N": (0.1, 0.1), "M": (1.9, 0.1), "K": (0.1, 1.4)})
    )  # fmt: skip
    inflate(truth, {"A0": 4e5, "B0": 3e5, "C0": 3.4e5})
    for bag in truth.bags.values():
        bag.venting = 1.0
    for _ in range(2000):
        truth.advance(0.05)
    assert truth.force < 300.0
    assert sum(truth.shore_loads.values()) + truth.force == pytest.approx(30e3, rel=1e-4)
    assert min(truth.gap(name) for name in truth.shores) > -1e-4


def test_past_its_tip_the_load_goes_over(make_rig):
    # A tall load: 0.5 m from the hinge, 1.5 m up: over centre at atan(1/3) = 18.4 deg; what lifts it needs no force there.
    truth = Truth(make_rig({"S": (1.0, 0)}, hinge=[[0, -1], [0, 1]], cg=(0.5, 0.0, 1.5), tall=1e4, travel=1.5))
    assert truth.tip_rad() == pytest.approx(math.atan(1 / 3))
    truth.bags["S0"].filling = 1.0
    forces = []
    while truth.theta < truth.tip_rad() - 0.005 and truth.time_s < 300:
        truth.advance(0.05)
        forces.append(truth.forces["S"])
    assert forces[-1] < 0.05 * max(forces)
    for _ in range(200):
        truth.advance(0.05)
    assert truth.theta == pytest.approx(STEEPEST)


def test_a_load_that_cannot_rest_or_rise_is_refused(make_rig):
    with pytest.raises(ValueError, match="outside them"):
        Truth(make_rig({"A": (0, 0), "B": (2, 0), "C": (0, 1.5)}, cg=(5.0, 5.0, 0.3)))
    with pytest.raises(ValueError, match="stack A stands on the hinge or beyond it"):
        Truth(make_rig({"A": (-1, 0)}, hinge=[[0, -1], [0, 1]]))


def test_a_leak_is_choked_flow_and_takes_air_and_nothing_else(make_rig):
    # ISO 6358: choked while p_atm / p_abs is below the critical ratio: dn/dt = C p1 p0 whatever is outside.
    truth = Truth(make_rig({"S": (4, 0)}, hinge=[[0, -1], [0, 1]], cg=(2.0, 0.0, 0.0), weight=1e6))
    inflate(truth, {"S0": 6e5})
    bag = truth.bags["S0"]
    bag.leaking, before, gone = 0.1, bag.air, 0.0
    rate = 0.1 * VENT_CONDUCTANCE * (bag.pressure() + P_ATM) * 1e5
    truth.advance(0.05)
    assert before - bag.air == pytest.approx(0.05 * rate, rel=1e-12)
    for _ in range(100):
        gone += 0.05 * flow(0.1 * VENT_CONDUCTANCE, bag.pressure() + P_ATM, P_ATM)
        truth.advance(0.05)
    assert before - bag.air == pytest.approx(gone + 0.05 * rate, rel=1e-9)


def test_a_shut_bag_that_cools_loses_pressure_in_proportion_to_kelvins(make_rig):
    # Gay-Lussac, absolute: 6 bar gauge from 293.15 to 273.15 K at one volume gives 5.5216 bar gauge.
    truth = Truth(make_rig({"S": (4, 0)}, hinge=[[0, -1], [0, 1]], cg=(2.0, 0.0, 0.0), weight=1e6))
    inflate(truth, {"S0": 6e5})
    truth.warm("S0", 273.15, 10.0)
    for _ in range(100):
        truth.advance(0.05)
    assert truth.bags["S0"].temperature == pytest.approx((T_REFERENCE + 273.15) / 2.0, abs=1e-6), "half way, evenly"
    for _ in range(200):
        truth.advance(0.05)
    assert truth.bags["S0"].pressure() == pytest.approx((6e5 + 101325) * 273.15 / 293.15 - 101325, rel=1e-9)
    assert truth.bags["S0"].pressure() == pytest.approx(5.5216e5, rel=1e-4)


def test_the_skin_of_a_bag_past_its_plate_carries_the_rest(make_rig):
    truth = Truth(make_rig({"S": (4, 0)}, hinge=[[0, -1], [0, 1]], cg=(0.2, 0.0, 0.0), weight=1e4))
    inflate(truth, {"S0": 4e6})
    assert 0.9 < truth.heights["S0"] < 0.902
    assert truth.forces["S"] < truth.bags["S0"].force(0.9)
