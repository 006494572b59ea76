"""What the sheet adds to the plan: lean and tip ahead, pressures at stops, shares and air, against statics and Boyle."""

import copy
import math
import tomllib
from importlib.resources import files

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from monitor.rig.air import P_ATM, bag_volume, carried, free_air
from monitor.rig.load import RigFaults, parse_rig
from monitor.rig.plan import plan
from monitor.rig.schema import Bag, Rig, Supply
from monitor.rig.sheet import sheet
from monitor.rig.statics import shares, stack_forces, tip

TEXT = files("monitor.drill").joinpath("rigs/yard-panel.toml").read_text(encoding="utf-8")
BASE = tomllib.loads(TEXT)
BEAM = tomllib.loads(files("monitor.drill").joinpath("rigs/precast-beam.toml").read_text(encoding="utf-8"))


def rig_of(base: dict = BASE, **tables) -> Rig:
    document = copy.deepcopy(base)
    for name, table in tables.items():
        document[name] = document.get(name, {}) | table if isinstance(table, dict) else table
    return Rig.model_validate(document)


def test_three_supports_share_a_weight_in_one_way():
    # Forces and moments balance (any statics text): 30 kN at (0.6, 0.5) on (0, 0), (2, 0), (0, 1.5) gives 11, 9 and 10 kN.
    found = shares(30e3, (0.6, 0.5), [(0.0, 0.0), (2.0, 0.0), (0.0, 1.5)])
    assert found == [pytest.approx((force, force)) for force in (11e3, 9e3, 10e3)]


def test_two_supports_share_a_weight_that_lies_between_them_and_no_other():
    # 30 kN at 3 m on supports at 0 and 5 m: 12 and 18 kN (any statics text).
    assert shares(30e3, (3.0, 0.0), [(0.0, 0.0), (5.0, 0.0)]) == [
        pytest.approx((12e3, 12e3)),
        pytest.approx((18e3, 18e3)),
    ]
    assert shares(30e3, (3.0, 0.1), [(0.0, 0.0), (5.0, 0.0)]) is None
    assert shares(30e3, (6.0, 0.0), [(0.0, 0.0), (5.0, 0.0)]) is None
    assert shares(30e3, (6.0, 0.0), []) is None


def test_four_supports_leave_the_sharing_open():
    # A square table with its weight in the middle: either diagonal may carry all of it, half at each end (by hand).
    found = shares(8e3, (0.0, 0.0), [(1.0, 1.0), (-1.0, 1.0), (-1.0, -1.0), (1.0, -1.0)])
    assert found == [pytest.approx((0.0, 4e3))] * 4


places = st.tuples(st.integers(-20, 20), st.integers(-20, 20)).map(lambda p: (p[0] / 10.0, p[1] / 10.0))


@settings(max_examples=40, deadline=None)
@given(st.lists(places, min_size=1, max_size=6), places)
def test_shares_are_those_of_an_independent_linear_programme(supports, centre):
    # scipy's HiGHS.
    found = shares(1.0, centre, supports)
    rows = [[1.0] * len(supports), [x for x, _ in supports], [y for _, y in supports]]
    for k in range(len(supports)):
        for sign, end in ((1.0, 0), (-1.0, 1)):
            cost = [sign if j == k else 0.0 for j in range(len(supports))]
            answer = linprog(cost, A_eq=rows, b_eq=[1.0, *centre], bounds=(0.0, None))
            assert (answer.status == 0) == (found is not None)
            if found is not None:
                assert found[k][end] == pytest.approx(sign * answer.fun, abs=1e-6)


def test_two_stacks_about_a_hinge_may_each_come_to_carry_it_all():
    # Moments about the hinge: 90 kN at 3 m is 50 kN at 5.4 m. One stack alone 0.4 m off the middle line needs the hinge's 40 kN
    # 0.5 m off on the other side (50 * 0.4 = 40 * 0.5), and the hinge is 0.7 m long on each side: it may.
    forces, why_not = stack_forces(rig_of(BEAM))
    assert why_not == ""
    assert forces == {name: pytest.approx((0.0, 50e3), abs=1e-6) for name in ("L", "R")}
    said = plan(rig_of(BEAM)).stacks[0]
    assert said.force_n is None
    assert said.force_most_n == pytest.approx(50e3)
    assert said.enough is True
    for document, told in ((BEAM, "the most to expect"), (BASE, "those to expect")):
        assert f"the pressures are {told}" in sheet(rig_of(document), plan(rig_of(document)))


def test_the_force_falls_as_the_load_turns():
    # Moments about the hinge, F d = W (x cos - z sin), arms upright (any statics text): 56 kN, 2.4 m, 0.1 m, 4.2 m, 10 degrees.
    turned = math.radians(10)
    forces, _ = stack_forces(rig_of(), turned)
    wanted = 56e3 * (2.4 * math.cos(turned) - 0.1 * math.sin(turned)) / (4.2 * math.cos(turned))
    assert forces["S1"] == pytest.approx((wanted, wanted))


@pytest.mark.parametrize(("base", "tall", "degrees"), [(1, 2, 26.565051), (3, 4, 36.869898), (0.6, 1.8, 18.434949)])
def test_a_block_goes_over_its_edge_where_its_middle_does(base, tall, degrees):
    # tan(angle) = base/height of a uniform block (any statics text), its middle at half of each.
    load = {"centre_of_gravity": [base / 2, 0.0, tall / 2]}
    assert math.degrees(tip(rig_of(load=load))[0]) == pytest.approx(degrees, abs=1e-6)
    # The same block on the other side of a hinge that is written the other way round.
    load = {"centre_of_gravity": [-base / 2, 0.0, tall / 2], "hinge": [[0.0, 1.0], [0.0, -1.0]]}
    document = copy.deepcopy(BASE)
    document["stack"][0]["at"] = [-4.2, 0.0]
    assert math.degrees(tip(rig_of(document, load=load))[0]) == pytest.approx(degrees, abs=1e-6)


def test_the_head_goes_toward_the_hinge_as_the_load_turns():
    # r (1 - cos(angle)), sin(angle) = rise/r (trigonometry): r 4.2 m, 150 mm.
    stack = plan(rig_of()).stacks[0]
    back = 4.2 * (1 - math.cos(math.asin(0.15 / 4.2)))
    assert stack.lean_m == pytest.approx((-back, 0.0))
    assert stack.lean_use == pytest.approx(back / 0.15)


def test_pressures_to_expect_at_the_stops_of_the_example():
    # By hand: 32 kN at lift-off, less by z tan(tilt)/x at 60 mm; upper bag at 180 mm: 96 - 4 * 60/130 kN at 8 bar.
    stop = plan(rig_of()).stops[0]
    angle = math.asin(0.06 / 4.2)
    force = 56e3 * (2.4 - 0.1 * math.tan(angle)) / 4.2
    assert stop.tilt_rad == pytest.approx(angle)
    assert dict(stop.pressures) == {"S1-upper": pytest.approx(force / ((96e3 - 4e3 * 60 / 130) / 8e5))}
    down = plan(rig_of()).stops[-1]
    assert (down.do, down.rise_m, down.pressures) == ("lower", 0.0, ())


def test_free_air_is_counted_in_absolute_pressure():
    # Boyle: a 40 L bag at 8 bar gauge holds (8 + 1.01325)/1.01325 * 40 L = 355.815 L of free air (computed).
    assert free_air(0.040, 8e5) == pytest.approx(0.355815, abs=1e-6)
    # A 6 L cylinder at 300 bar gives 6 * (300 - 8)/1.01325 = 1,729.09 L down to 8 bar, as an ideal gas (computed).
    cylinder = Supply.model_validate({"name": "c", "volume": "6 L", "filled": "300 bar"})
    assert carried(cylinder, 8e5) == pytest.approx(1.72909, abs=1e-5)
    # Named by its free air instead: 80 ft3 at 3000 psi, kept down to 300 psi, gives nine tenths (Boyle).
    cylinder = Supply.model_validate({"name": "c", "free_air": "80 ft3", "filled": "3000 psi"})
    assert carried(cylinder, 300 * 6894.757293168361) == pytest.approx(72 * 0.3048**3)
    assert carried(cylinder, 4e7) == 0.0


def test_a_bags_volume_is_the_work_it_does_over_its_pressure():
    # Virtual work F = p dV/dh: 80 kN at 8 bar over 200 mm, then falling to 40 kN over 200 mm: 0.1 * 0.2 + 0.075 * 0.2 m3.
    plate = [[0.1, 80e3], [0.3, 80e3], [0.5, 40e3]]
    bag = Bag.model_validate(
        {"name": "b", "working_pressure": 8e5, "height_flat": 0.1, "pressure": "p", "capacity": plate}
    )
    assert bag_volume(bag, 0.1) == 0.0
    assert bag_volume(bag, 0.3) == pytest.approx(0.02)
    assert bag_volume(bag, 0.5) == pytest.approx(0.035)
    assert bag_volume(bag, 0.4) == pytest.approx(0.02 + 0.1 * (0.1 + 0.075) / 2)


def test_the_air_of_a_lift_against_what_is_carried():
    # By hand: one bag of constant 0.1 m2 lifts 100 mm, 10 L, against 32 kN at 3.2 bar: 10 * 4.21325/1.01325 = 41.58 L.
    document = copy.deepcopy(BASE)
    document["stack"][0]["bag"][1]["capacity"] = [["0.12 m", "80 kN"], ["0.52 m", "80 kN"]]
    document["step"] = [{"do": "fill", "bag": "S1-upper", "until": {"rise": "100 mm"}}]
    document["shore"] = []
    it = plan(rig_of(document)).air
    assert it.bags_m3 == pytest.approx(0.04158, abs=1e-5)
    assert it.carried_m3 is None
    assert "names no supply" in it.carried_why_not
    # One litre at 100 bar, kept down to 7.5: 91.29 L. A tenth of that is not enough.
    for volume, enough in (("1 L", True), ("0.1 L", False)):
        rig = rig_of(document, supply=[{"name": "c", "volume": volume, "filled": "100 bar"}])
        assert plan(rig).air.enough is enough
        assert ("NOT ENOUGH" in sheet(rig, plan(rig))) is not enough
    # Above 200 bar real air holds about a tenth less (from memory), and that is what counts.
    rig = rig_of(document, supply=[{"name": "c", "volume": "9 L", "filled": "300 bar"}])
    assert plan(rig).air.carried_least_m3 == pytest.approx(0.9 * 9e-3 * 292.5e5 / P_ATM)


def test_shores_take_air_as_they_follow():
    # 28 cm2 at 1.8 bar, each following 150 mm * 4.6/4.2: free air by Boyle.
    rise = 0.15 * 4.6 / 4.2
    assert plan(rig_of()).air.shores_m3 == pytest.approx(2 * 28e-4 * rise * (1.8 + 1.01325) / 1.01325)


def test_a_crib_and_the_ground_under_it_against_guidance():
    # 20 kN in the middle of a slab 4 m long, hinged at its end, one crib at 3.2 m: 12.5 kN by moments (any statics text).
    document = copy.deepcopy(BASE)
    document["load"] |= {"weight": "20 kN", "centre_of_gravity": ["2 m", "0 m", "0.1 m"]}
    document["shore"] = []
    document["crib"] = [{"name": "C1", "at": ["3.2 m", "0 m"], "width": "0.4 m"}]
    document["ground"] = {"bearing": "100 kPa"}
    crib, foot = plan(rig_of(document)).rests
    assert crib.most_n == pytest.approx(12.5e3)
    assert crib.allowed_n == pytest.approx(24_000 * 4.4482216152605)  # California OES, Rescue Systems 1
    # Two planed four-by-fours (3.5 in) 0.4 m long touch the ground: 0.0711 m2.
    assert crib.ground_pa == pytest.approx(12.5e3 / (2 * 0.0889 * 0.4))
    assert crib.enough is False
    assert crib.height_m == pytest.approx(0.24 + 0.15 * 3.2 / 4.2)
    assert foot.ground_pa == pytest.approx(20e3 * 2 / 4.2 / (math.pi * 0.15**2))
    assert "crib C1: 12.5 kN" in sheet(rig_of(document), plan(rig_of(document)))
    document["ground"] = {"bearing": "2 bar"}
    assert plan(rig_of(document)).rests[0].enough is True


def test_supports_that_cannot_hold_the_load_alone_are_said():
    document = copy.deepcopy(BASE)
    document["shore"] = [document["shore"][0]]
    document["load"]["hinge"] = [["0 m", "-0.1 m"], ["0 m", "0.1 m"]]
    rig = rig_of(document)
    assert plan(rig).rests[0].most_n is None
    assert "cannot hold the load alone" in " ".join(sheet(rig, plan(rig)).split())


def test_a_shore_longer_than_its_table_is_said():
    document = copy.deepcopy(BASE)
    document["shore"][0]["rated"] = [["0.2 m", "90 kN"], ["0.3 m", "85 kN"]]
    first = plan(rig_of(document)).rests[0]
    assert first.allowed_n is None
    assert first.unsure == "longer than its table"
    assert first.enough is False
    # Linear between the points of the table (invented).
    document["shore"][0] |= {"rated": [["0.2 m", "90 kN"], ["0.6 m", "50 kN"]], "length_at_zero": "0.2 m"}
    length = 0.2 + 0.15 * 4.6 / 4.2
    assert plan(rig_of(document)).rests[0].allowed_n == pytest.approx(90e3 - (length - 0.2) * 100e3)


@pytest.mark.parametrize(
    ("table", "path"),
    [
        ('[ground]\nbearing = "0 kPa"', "ground.bearing"),
        ('[[supply]]\nname = "c"\nfilled = "300 bar"', "supply[0] (c)"),
        ('[[supply]]\nname = "c"\nfilled = "300 bar"\nvolume = "9 L"\nfree_air = "80 ft3"', "supply[0] (c)"),
        ('[[supply]]\nname = "c"\nfilled = "0 bar"\nvolume = "9 L"', "supply[0].filled (c)"),
        ('[[supply]]\nname = "c"\nfilled = "9 bar"\nvolume = "9 gal"', "supply[0].volume (c)"),
    ],
)
def test_what_the_new_tables_may_not_say(table, path):
    with pytest.raises(RigFaults) as caught:
        parse_rig(TEXT + "\n" + table + "\n")
    assert [fault.path for fault in caught.value.faults] == [path]


def test_a_cylinder_named_by_its_free_air_where_water_is_meant_is_noted():
    rig = rig_of(supply=[{"name": "c", "volume": "80 ft3", "filled": "200 bar"}])
    assert "free_air" in sheet(rig, plan(rig))


def test_nothing_that_is_not_known_is_shown_as_zero():
    document = copy.deepcopy(BASE)
    del document["load"]["weight"]
    rig = rig_of(document)
    it = plan(rig)
    assert it.stacks[0].force_most_n is None
    assert it.air.bags_m3 is None
    assert all(pa is None for stop in it.stops for _, pa in stop.pressures)
    assert all(rest.most_n is None for rest in it.rests)
    said = " ".join(sheet(rig, it).split())
    assert said.count("the file gives no weight or no centre of gravity") >= 4
