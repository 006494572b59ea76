"""The lift plan sheet and load parts against statics."""

import math
import tomllib
from importlib.resources import files

import pytest

from monitor.rig.capacity import AreaTable
from monitor.rig.load import parse_rig
from monitor.rig.parts import G0, centre_of_gravity, total_weight
from monitor.rig.plan import plan
from monitor.rig.schema import Bag, Load, Rig
from monitor.rig.sheet import sheet

TEXT = files("monitor.drill").joinpath("rigs/yard-panel.toml").read_text(encoding="utf-8")


def rig_with(**load) -> Rig:
    document = tomllib.loads(TEXT)
    document["load"].update(load)
    return Rig.model_validate(document)


def test_the_force_is_the_weight_times_the_ratio_of_arms():
    # Hinged slab, F = W xcg / xlift (any statics text, e.g. Meriam and Kraige, Statics): 20 kN, 4 m, lifted at the end and at 3 m.
    for at, force in (("4 m", 10_000.0), ("3 m", 20_000.0 * 2 / 3)):
        document = tomllib.loads(TEXT)
        document["load"].update(weight="20 kN", centre_of_gravity=["2 m", "0 m", "0.1 m"])
        document["stack"][0]["at"] = [at, "0 m"]
        assert plan(Rig.model_validate(document)).stacks[0].force_n == pytest.approx(force)


def test_the_example_is_as_worked_out_by_hand():
    it = plan(parse_rig(TEXT))
    stack = it.stacks[0]
    assert stack.force_n == pytest.approx(56_000 * 2.4 / 4.2)
    # 32 kN over 96 kN at 8 bar: a third of the working pressure.
    assert stack.bags[0].pressure_flat_pa == pytest.approx(8e5 / 3)
    assert it.tilt_rad == pytest.approx(math.asin(0.15 / 4.2))
    assert it.captures == 6  # 150 mm in steps of 25 mm
    # 32 kN at 7.5 bar needs 0.0427 m2; both tables end at 0.0875 m2: each bag reaches its last height.
    assert stack.reach_m == pytest.approx(1.04)
    assert stack.enough


def test_what_the_file_does_not_say_is_said_to_be_unknown():
    document = tomllib.loads(TEXT)
    del document["load"]["weight"]
    it = plan(Rig.model_validate(document))
    assert it.stacks[0].force_n is None
    assert "no weight" in it.stacks[0].why_not
    assert "not determined" in sheet(Rig.model_validate(document), it)


def test_a_supply_that_is_too_low_is_said():
    document = tomllib.loads(TEXT)
    document["stack"][0]["supply"] = "2.5 bar"
    rig = Rig.model_validate(document)
    assert plan(rig).stacks[0].enough is False
    assert "NOT ENOUGH" in sheet(rig, plan(rig))


@pytest.mark.parametrize(("lower", "past"), [("800 mm", ()), ("801 mm", ("S1-lower",)), (None, ("S1-upper",))])
def test_nothing_is_said_of_a_bag_past_the_end_of_its_data_plate(lower, past):
    # The plates end at 520 mm and the bags lie 120 mm flat: 400 mm is all that one lifts. 1.04 m is the reach of both.
    document = tomllib.loads(TEXT)
    steps = (("S1-upper", "400 mm" if lower else "401 mm"), ("S1-lower", lower))
    document["step"] = [{"do": "fill", "bag": bag, "until": {"rise": rise}} for bag, rise in steps if rise]
    rig = Rig.model_validate(document)
    it = plan(rig)
    stack, said = it.stacks[0], " ".join(sheet(rig, it).split())
    assert stack.reach_m == pytest.approx(1.04)
    assert tuple(bag.name for bag in stack.bags if bag.past_its_plate) == past
    assert stack.enough is (not past), "401 mm by one bag are not there, though the stack reaches 800 mm"
    for bag in stack.bags:
        gone = bag.name in past
        assert (bag.capacity_top_n is None, bag.pressure_top_pa is None) == (gone, gone)
        expected = [pa for stop in it.stops for name, pa in stop.pressures if name == bag.name]
        assert (None in expected) is gone
        end = f"planned to {'521' if gone else '520'} mm, and its data plate ends at 520 mm: NOT ENOUGH"
        assert (
            f"{bag.name}: needs 2.67 bar flat; lifts 90.0 kN flat; working pressure 8.00 bar; {end}" in said
        ) is gone
    assert ("reaches a stack of 1.04 m: NOT ENOUGH for this plan" in said) is bool(past)
    assert it.air.bags_m3 is not None, "more air than it can take, which errs to the safe side"


def test_the_sheet_speaks_the_units_of_the_rig():
    document = tomllib.loads(TEXT)
    document["rig"]["units"] = "us"
    rig = Rig.model_validate(document)
    said = sheet(rig, plan(rig))
    assert "psi" in said
    assert " mm" not in said
    assert max(map(len, said.splitlines())) <= 80


def test_parts_of_named_materials_weigh_what_their_volume_says():
    # 10 ft x 4 ft x 6 in of reinforced concrete at 150 lb/ft3 is 3,000 lb = 13.345 kN (FEMA HERS student manual, computed).
    document = {
        "part": [
            {
                "shape": "slab",
                "size": ["10 ft", "4 ft", "6 in"],
                "at": ["5 ft", "2 ft", "3 in"],
                "material": "reinforced concrete",
            }
        ]
    }
    load = Load.model_validate(document)
    assert total_weight(load) == pytest.approx(13_345, abs=1)
    assert centre_of_gravity(load) == pytest.approx((1.524, 0.6096, 0.0762))


def test_the_centre_of_two_parts_lies_between_them_by_weight():
    # Invented: a steel block beside a concrete one of the same size; 490 lb/ft3 (Iowa DOT IM 569) and 150 lb/ft3.
    block = {"shape": "box", "size": [1, 1, 1]}
    load = Load.model_validate(
        {
            "part": [
                {**block, "at": [0, 0, 0.5], "material": "steel"},
                {**block, "at": [1, 0, 0.5], "material": "reinforced concrete"},
            ]
        }
    )
    centre = centre_of_gravity(load)
    assert centre is not None
    assert centre[0] == pytest.approx(150 / 640)
    assert total_weight(load) == pytest.approx((7849.047 + 2402.770) * G0, rel=1e-6)


def test_a_cylinder_is_round():
    load = Load.model_validate({"part": [{"shape": "cylinder", "size": [2, 3], "at": [0, 0, 0], "material": "steel"}]})
    assert total_weight(load) == pytest.approx(math.pi * 3 * 7849.047 * G0, rel=1e-6)


def test_the_area_of_a_data_plate():
    bag = Bag.model_validate(
        {
            "name": "b",
            "working_pressure": "8 bar",
            "height_flat": 0.1,
            "pressure": "p",
            "capacity": [[0.1, 80e3], [0.3, 80e3], [0.5, 40e3]],
        }
    )
    table = AreaTable(bag)
    assert [table.area(h) for h in (0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.9)] == pytest.approx(
        [0.1, 0.1, 0.1, 0.1, 0.075, 0.05, 0.05]
    )
    assert table.height_at(0.075) == pytest.approx(0.4)
    assert table.height_at(0.1) == 0.1
    assert table.height_at(0.1, highest=True) == pytest.approx(0.3)
    assert table.height_at(0.2) == 0.1
    assert table.height_at(0.01) == 0.5


def test_a_crib_of_the_plan_says_what_the_guides_allow():
    document = tomllib.loads(TEXT)
    document["crib"] = [{"name": "C1", "at": ["4.4 m", "0 m"], "width": "0.3 m", "wet": True}]
    rig = Rig.model_validate(document)
    # California OES, Rescue Systems 1: 24,000 lb for two four-by-fours a layer, times 0.67 wet (NDS, from memory); 3 x width.
    line = next(line for line in sheet(rig, plan(rig)).splitlines() if line.startswith("Crib"))
    assert "C1: 4x4, 2 a layer, wet" in line
    assert f"{24_000 * 4.4482216 * 0.67 / 1000:.1f} kN" in line
    assert "0.90 m" in line or "900 mm" in line
