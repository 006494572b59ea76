"""The plan by itself: how far it is to a step's stop, in rise, pressure, time or by what follows, and when it is reached."""

from __future__ import annotations

import pytest

from .hand_made import BEGUN, CAPTURE, FILL, LOWER, PRESSURE, VENT, WORK, S, share, shore, stack, told

# Rise and pressure.


def test_a_rise_stop_going_up(new_plan):
    sequence = new_plan(FILL)
    assert told(sequence, stack(rise=0.02)) == (0.0, "40 mm to go", False)
    assert told(sequence, stack("S2", rise=0.06), stack(rise=0.03, upper=2e5)) == (0.25, "30 mm to go", False)
    assert told(sequence, stack(rise=0.01)) == (0.0, "50 mm to go", False), "lower than it began"
    assert told(sequence, stack(rise=0.0588)) == (0.97, "1 mm to go", False)
    assert told(sequence, stack(rise=0.0591)) == (0.9775, "1 mm to go", True)
    assert told(sequence, stack(rise=0.07)) == (1.0, "0 mm to go", True)


def test_a_rise_stop_going_down_at_the_first_stack_where_none_is_named(new_plan):
    sequence = new_plan(LOWER)
    assert told(sequence, stack(rise=0.05), stack("S2", rise=0.01)) == (0.0, "40 mm to go", False)
    assert told(sequence, stack(rise=0.02), stack("S2", rise=0.05)) == (0.75, "10 mm to go", False)
    assert told(sequence, stack(rise=0.06)) == (0.0, "50 mm to go", False)
    assert told(sequence, stack(rise=0.0112)) == (0.97, "1 mm to go", False)
    assert told(sequence, stack(rise=0.0109)) == (0.9775, "1 mm to go", True)
    assert told(sequence, stack(rise=0.0)) == (1.0, "0 mm to go", True)


def test_a_rise_stop_at_a_named_stack(new_plan):
    sequence = new_plan({**FILL, "until": {"rise": "60 mm", "at": "S2"}})
    assert told(sequence, stack(rise=0.06), stack("S2", rise=0.0)) == (0.0, "60 mm to go", False)


def test_a_stop_is_reached_within_a_millimetre_met_exactly(new_plan):
    assert told(new_plan({**FILL, "until": {"rise": "1 mm"}}), stack(rise=0.0))[2]


def test_a_step_that_begins_at_or_beyond_its_stop(new_plan):
    assert told(new_plan(FILL), stack(rise=0.06)) == (1.0, "0 mm to go", True)
    sequence = new_plan(FILL)
    assert told(sequence, stack(rise=0.08)) == (1.0, "0 mm to go", True)
    assert told(sequence, stack(rise=0.03)) == (1.0, "30 mm to go", False)
    assert share(new_plan({**FILL, "until": {"rise": "0.5 m"}}), stack(rise=0.0)) == 0.0, (
        "less than a metre is not beyond"
    )


def test_each_step_counts_from_where_it_began(new_plan):
    sequence = new_plan(FILL, {**FILL, "until": {"rise": "100 mm"}})
    told(sequence, stack(rise=0.0))
    sequence.forward(8 * S)
    assert share(sequence, stack(rise=0.06)) == 0.0
    assert share(sequence, stack(rise=0.08)) == 0.5


def test_a_pressure_stop_going_up(new_plan):
    sequence = new_plan(PRESSURE)
    assert told(sequence, stack(rise=0.06, upper=4e4, lower=1e5)) == (0.4, "0.60 bar to go", False)
    assert told(sequence, stack(upper=-1e3)) == (0.0, "1.01 bar to go", False)
    assert told(sequence, stack(upper=98_900.0))[2] is False
    assert told(sequence, stack(upper=99_000.0)) == (0.99, "0.01 bar to go", True), "within 1 %, met exactly"
    assert told(sequence, stack(upper=1.2e5)) == (1.0, "0.00 bar to go", True)


def test_a_pressure_stop_going_down_counts_from_where_it_began(new_plan):
    sequence = new_plan({**PRESSURE, "do": "lower"}, {**PRESSURE, "do": "lower"})
    assert told(sequence, stack(upper=3e5)) == (0.0, "2.00 bar to go", False)
    assert told(sequence, stack(upper=3.2e5)) == (0.0, "2.20 bar to go", False)
    assert told(sequence, stack(upper=1.5e5)) == (0.75, "0.50 bar to go", False)
    assert told(sequence, stack(upper=101_100.0)) == (0.9945, "0.01 bar to go", False)
    assert told(sequence, stack(upper=101_000.0)) == (0.995, "0.01 bar to go", True)
    assert told(sequence, stack(upper=5e4)) == (1.0, "0.00 bar to go", True)
    sequence.forward(8 * S)
    assert share(sequence, stack(upper=2e5)) == 0.0
    assert share(sequence, stack(upper=1.5e5)) == 0.5


def test_down_to_no_pressure(new_plan):
    sequence = new_plan({**PRESSURE, "do": "lower", "until": {"pressure": "0 bar"}})
    assert told(sequence, stack(upper=2e4)) == (0.0, "0.20 bar to go", False)
    assert told(sequence, stack(upper=5e3)) == (0.75, "0.05 bar to go", False)
    assert told(sequence, stack(upper=0.0)) == (1.0, "0.00 bar to go", True)


def test_of_two_stops_the_nearer_is_said(new_plan):
    two = {**FILL, "until": {"rise": "60 mm", "pressure": "1 bar"}}
    sequence = new_plan(two)
    told(sequence, stack(rise=0.0, upper=0.0))
    assert told(sequence, stack(rise=0.054, upper=1e4)) == (0.9, "6 mm to go", False)
    assert told(sequence, stack(rise=0.012, upper=9e4)) == (0.9, "0.10 bar to go", False)
    assert told(sequence, stack(rise=0.012)) == (0.2, "48 mm to go", False)
    assert told(sequence, stack(upper=9e4)) == (0.9, "0.10 bar to go", False)
    sequence = new_plan({"do": "lower", "bag": "S1-upper", "until": {"rise": "0 mm", "pressure": "0 bar"}})
    told(sequence, stack(rise=0.06, upper=2e4))
    assert told(sequence, stack(rise=0.03, upper=2e4)) == (0.5, "30 mm to go", False)
    assert told(sequence, stack(rise=0.03, upper=5e3)) == (0.75, "0.05 bar to go", False)


def test_a_stop_that_is_reached_goes_before_one_that_is_nearer(new_plan):
    sequence = new_plan({**FILL, "until": {"rise": "1 mm", "pressure": "1 bar"}})
    assert told(sequence, stack(rise=0.0, upper=9.5e4)) == (0.0, "1 mm to go", True)


@pytest.mark.parametrize("step", [FILL, PRESSURE, LOWER, {"do": "fill", "until": {"pressure": "1 bar"}}])
def test_what_nothing_sees_is_not_known(new_plan, step):
    assert told(new_plan(step), stack()) == (None, "not known how far", False)
    assert told(new_plan(step)) == (None, "not known how far", False)


@pytest.mark.parametrize("step", [WORK, {"do": "check"}, {"do": "fill", "bag": "S1-upper"}, VENT])
def test_a_step_without_a_stop_waits_for_a_person(new_plan, step):
    assert told(new_plan(step), stack(rise=0.06)) == (None, "until you press next", False)
    assert told(new_plan(step)) == (None, "until you press next", False)


def test_a_bag_that_is_vented_for_good_says_what_is_left_in_it(new_plan):
    sequence = new_plan(VENT)
    venting = ("holding", "venting")
    assert told(sequence, stack(upper=8e4, lower=2e5, doing=venting)) == (None, "0.80 bar left in it", False)
    assert told(sequence, stack(upper=-900.0, doing=venting)) == (None, "0.00 bar left in it", False)
    assert told(sequence, stack(upper=0.0, doing=("venting", "resting"))) == (
        None,
        "S1-upper is empty: press next",
        False,
    )
    assert told(sequence, stack(rise=0.0)) == (None, "until you press next", False)


def test_lengths_and_pressures_are_said_in_the_units_of_the_rig(new_plan):
    assert told(new_plan({**FILL, "until": {"rise": "1 in"}}, units="us"), stack(rise=0.0))[1] == "1 in to go"
    assert told(new_plan(PRESSURE, units="us"), stack(upper=0.0))[1] == "15 psi to go"


# A hold.


def test_a_hold_counts_down_and_ends_by_itself(new_plan):
    sequence = new_plan({"do": "hold", "for": "4 s"}, WORK)
    assert told(sequence, at=BEGUN) == (0.0, "4 s to go", False)
    assert told(sequence, at=BEGUN + S) == (0.25, "3 s to go", False)
    assert told(sequence, at=BEGUN + 36 * S // 10) == (0.9, "0 s to go", False)
    assert sequence.tick(BEGUN + 4 * S, (), (), None).number == 2
    first, second = sequence.pictures()
    assert (first.ended_ns, first.ok, second.started_ns) == (BEGUN + 4 * S, True, BEGUN + 4 * S)


def test_a_hold_that_is_ended_early_is_not_well(new_plan):
    sequence = new_plan({"do": "hold", "for": "4 s"}, WORK)
    told(sequence)
    sequence.forward(BEGUN + S)
    assert sequence.pictures()[0].ok is False


def test_a_hold_of_no_time_is_over_at_once(new_plan):
    sequence = new_plan({"do": "hold"}, {"do": "hold"}, WORK)
    now = sequence.tick(BEGUN, (), (), None)
    assert (now.number, now.progress, now.left, now.done) == (2, 1.0, "0 s to go", False)
    assert sequence.tick(BEGUN, (), (), None).number == 3


# A capture.


def test_a_capture_by_shores(new_plan):
    far, out = shore("N1", gap=0.0061), shore("N2", doing="released")
    unknown, well = shore("N3", gap=None), shore("N4", gap=0.006)
    sequence = new_plan(CAPTURE)
    assert told(sequence, shores=[far, out, unknown, well]) == (0.25, "N1, N2, N3 behind", False)
    assert told(sequence, shores=[far, well]) == (0.5, "N1 behind", False)
    assert told(sequence, shores=[far]) == (0.0, "N1 behind", False)
    assert told(sequence, shores=[well, shore("N1", doing="following")]) == (1.0, "every shore follows", True)


def test_a_capture_by_cribbing_that_was_packed_since_it_began(new_plan):
    sequence = new_plan(CAPTURE)
    assert told(sequence) == (0.0, "pack cribbing and mark it", False)
    assert told(sequence, cribbed=BEGUN - 1) == (0.0, "pack cribbing and mark it", False)
    assert told(sequence, shores=[shore("N1", gap=0.05)], cribbed=BEGUN - 1)[1] == "N1 behind"
    for when in (BEGUN, BEGUN + 1):
        assert told(sequence, shores=[shore("N1", gap=0.05)], cribbed=when) == (1.0, "cribbing packed", True)
