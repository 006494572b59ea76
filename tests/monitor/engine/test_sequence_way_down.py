"""The plan by itself: what it says on the way down, with shores under the load."""

from __future__ import annotations

import pytest

from .hand_made import FILL, VENT, shore, stack, told

DOWN = {"do": "lower", "until": {"rise": "0 mm"}}
STANDS = stack(rise=0.05)


def hint(sequence, *shores, of=STANDS):
    return told(sequence, of, shores=shores)[1]


def test_air_comes_first_and_names_few(new_plan):
    sequence, low = new_plan(DOWN), 161_999.0
    assert hint(sequence, shore("N1"), shore("N2", air=low)) == "air to 1.80 bar in N2"
    assert hint(sequence, shore("N1", air=low), shore("N2", air=low)) == "air to 1.80 bar in N1, N2"
    thirsty = [shore(f"N{k}", air=low) for k in (1, 2, 3, 4)]
    assert hint(sequence, *thirsty[:3]) == "air to 1.80 bar in N1, N2 and 1 more"
    assert hint(sequence, *thirsty) == "air to 1.80 bar in N1, N2 and 2 more"


@pytest.mark.parametrize("air", [162_000.0, 1.8e5, None])  # nine tenths of 1.8 bar, enough, no gauge
def test_then_the_load_is_raised_a_touch(new_plan, air):
    for touch in (None, 0.0, 0.0009):
        assert hint(new_plan(DOWN), shore("N1", air=air, touch=touch)) == "release shores, raise a touch: 1 mm"
    assert hint(new_plan(DOWN), shore("N1", air=air, touch=0.001)) == "locks free: hold release, vent, walk down"


def test_the_touch_is_that_of_the_coarsest_shore_that_is_not_free(new_plan):
    sequence = new_plan(DOWN, pitch={"N2": "4 mm", "N3": "9 mm"})
    shores = [shore("N1"), shore("N2", touch=0.003), shore("N3", touch=0.009)]
    assert hint(sequence, *shores) == "release shores, raise a touch: 4 mm"
    assert hint(sequence, shore("N2", gap=None), shore("N3", touch=0.009)) == (
        "locks free: hold release, vent, walk down"
    )


@pytest.mark.parametrize("doing", [("venting", "holding"), ("holding", "venting")])
def test_then_it_is_vented_and_while_it_is_nothing_more_is_said(new_plan, doing):
    going = stack(rise=0.05, doing=doing)
    assert hint(new_plan(DOWN), shore("N1", touch=0.002), of=going) == "50 mm to go"


def test_nothing_is_said_while_a_shore_is_seen_to_walk(new_plan):
    walks, stands = shore("N1", doing="released"), shore("N2", air=0.0)
    assert hint(new_plan(DOWN), walks, stands) == "50 mm to go"
    assert hint(new_plan(DOWN), shore("N1", doing="released", told=True), stands) == "air to 1.80 bar in N2"


def test_a_shore_that_has_not_come_out_is_not_walked_down(new_plan):
    assert hint(new_plan(DOWN)) == "50 mm to go"
    for out in (None, 0.0, 0.002):
        assert hint(new_plan(DOWN), shore("N1", out=out)) == "50 mm to go"
    assert hint(new_plan(DOWN), shore("N1", out=0.0021)) == "release shores, raise a touch: 1 mm"


def test_at_its_stop_the_shores_that_were_released_are_locked(new_plan):
    at = stack(rise=0.0)
    let_go = [shore(f"N{k}", doing="released", told=True) for k in (1, 2, 3)]
    assert hint(new_plan(DOWN), let_go[0], shore("N2"), of=at) == "at its stop: lock N1"
    assert hint(new_plan(DOWN), *let_go[:2], of=at) == "at its stop: lock N1, N2"
    assert hint(new_plan(DOWN), *let_go, of=at) == "at its stop: lock N1, N2 and 1 more"
    assert hint(new_plan(DOWN), shore("N1"), of=at) == "0 mm to go"


def test_which_steps_lead_down(new_plan):
    thirsty = shore("N1", air=0.0)
    assert hint(new_plan({**VENT, "until": {"rise": "10 mm"}}), thirsty) == "air to 1.80 bar in N1"
    assert hint(new_plan({"do": "lower"}), thirsty) == "air to 1.80 bar in N1"
    assert hint(new_plan(VENT), thirsty, of=stack(upper=8e4)) == "0.80 bar left in it", (
        "what is vented for good carries none"
    )
    assert hint(new_plan(FILL), thirsty) == "10 mm to go"


def test_a_way_down_in_the_units_of_the_rig(new_plan):
    assert hint(new_plan(DOWN, units="us", pitch={"N1": "0.0254 m"}), shore("N1", out=0.1)).endswith("touch: 1 in")
    assert hint(new_plan(DOWN, units="us"), shore("N1", air=0.0)) == "air to 26 psi in N1"
