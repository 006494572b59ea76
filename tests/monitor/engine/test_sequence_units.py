"""The plan by itself: a `Sequence` is shown hand-made pictures of stacks and shores, tick by tick. All of it is invented."""

from __future__ import annotations

from copy import deepcopy

import pytest

from monitor.engine.picture import BagPicture, ShorePicture, StackPicture
from monitor.engine.sequence import Sequence
from monitor.rig.schema import Rig

S = 1_000_000_000
BEGUN = 7 * S
"""When every plan here is begun: not at nought, where a sum and a difference are the same."""


@pytest.fixture
def new(document):
    """Makes a sequence of such steps: two stacks S1 and S2 of two bags, shores N1 to N4 of 1 mm lock pitch."""

    def make(*steps: dict, begun: bool = True, units: str = "metric", pitch: dict[str, str] | None = None) -> Sequence:
        second = deepcopy(document["stack"][0])
        second["name"] = "S2"
        for bag in second["bag"]:
            bag["name"] = bag["name"].replace("S1", "S2")
        shores = [{**document["shore"][0], "name": f"N{k}"} for k in (1, 2, 3, 4)]
        for shore in shores:
            shore["lock_pitch"] = (pitch or {}).get(shore["name"], "1 mm")
        changed = {"stack": [document["stack"][0], second], "shore": shores, "step": list(steps)}
        sequence = Sequence(Rig.model_validate({**document, **changed, "rig": {"name": "x", "units": units}}))
        if begun:
            sequence.start(BEGUN)
        return sequence

    return make


def bag(name, pressure=None, doing="holding"):
    return BagPicture(name, pressure, None, None, None, None, 7.5e5, 8e5, doing, None)


def stack(name="S1", rise=None, *, lower=None, upper=None, doing=("holding", "holding")):
    unknown = [None] * 8
    bags = (bag(f"{name}-lower", lower, doing[0]), bag(f"{name}-upper", upper, doing[1]))
    return StackPicture(name, (4.2, 0.0), 0.15, rise, *unknown, None, (), None, bags)


def shore(name, out=0.05, gap=0.001, doing="locked", air=1.8e5, touch=None, told=False):
    return ShorePicture(
        name, (4.6, 1.0), gap, 0.0005, 0.006, out, air, 1.8e5, None, doing, touch_m=touch, told_released=told
    )


def told(sequence, *stacks, shores=(), at=BEGUN + S, cribbed=None):
    """(share done, what is left, whether its stop is reached) after a tick."""
    now = sequence.tick(at, stacks, tuple(shores), cribbed)
    assert now.done is sequence.done
    return (None if now.progress is None else round(now.progress, 6)), now.left, now.done


def share(sequence, *stacks, **how):
    return told(sequence, *stacks, **how)[0]


FILL = {"do": "fill", "bag": "S1-upper", "until": {"rise": "60 mm", "at": "S1"}}
PRESSURE = {"do": "fill", "bag": "S1-upper", "until": {"pressure": "1 bar"}}
LOWER = {"do": "lower", "bag": "S1-upper", "until": {"rise": "10 mm"}}
CAPTURE, WORK, VENT = {"do": "capture"}, {"do": "work"}, {"do": "vent", "bag": "S1-upper"}


# Which step, and how it went.


def test_nothing_is_worked_before_the_start_and_after_the_end(new):
    sequence = new(FILL, begun=False)
    assert (sequence.step, sequence.index, sequence.done, sequence.lowering) == (None, None, False, None)
    assert sequence.next_fill() is sequence.next_vent() is None
    assert not sequence.step_needs_a_person()
    assert (sequence.begun, sequence.carried_over) == (frozenset(), frozenset())
    assert sequence.tick(S, (stack(doing=("filling", "holding")),), (), None) is None
    assert (sequence.forward(S), sequence.backward(S), sequence.abandon(S)) == ("", "", "")
    assert not sequence.abandoned
    assert [(p.started_ns, p.ended_ns, p.ok) for p in sequence.pictures()] == [(None, None, None)]


def test_a_plan_without_steps_is_at_its_end_at_once(new):
    sequence = new()
    assert (sequence.step, sequence.pictures(), sequence.backward(8 * S)) == (None, (), "")
    assert sequence.tick(8 * S, (), (), None) is None


def test_the_next_fill_and_the_next_vent_lie_ahead(new):
    sequence = new(WORK, FILL, {"do": "lower"}, WORK, VENT, PRESSURE, LOWER)
    steps = sequence.steps
    expected = [(1, 4), (5, 4), (5, 4), (5, 4), (5, 6), (None, 6), (None, None)]
    for fill, vent in expected:
        assert sequence.next_fill() is (None if fill is None else steps[fill])
        assert sequence.next_vent() is (None if vent is None else steps[vent])
        sequence.forward(8 * S)


def test_the_number_of_a_step_that_lowers(new):
    sequence = new(FILL, LOWER, VENT, WORK)
    numbers = []
    while sequence.step is not None:
        numbers.append(sequence.lowering)
        sequence.forward(8 * S)
    assert numbers == [None, 2, 3, None]


def test_next_says_what_it_did_and_keeps_how_the_step_went(new):
    sequence = new(FILL, FILL, WORK)
    assert told(sequence, stack(rise=0.06))[2]
    assert sequence.forward(9 * S) == "step 1 ended, step 2 begun"
    assert not sequence.done, "that step 1 was done says nothing of step 2"
    assert sequence.forward(10 * S) == "step 2 ended, step 3 begun"
    assert sequence.forward(11 * S) == "step 3 ended"
    went = [(p.number, p.started_ns, p.ended_ns, p.ok) for p in sequence.pictures()]
    assert went == [(1, 7 * S, 9 * S, True), (2, 9 * S, 10 * S, False), (3, 10 * S, 11 * S, True)]


@pytest.mark.parametrize(("do", "ok"), [("work", True), ("check", True), ("vent", True), ("lower", False)])
def test_what_only_a_person_can_see_is_well_when_a_person_says_so(new, do, ok):
    sequence = new({"do": do})
    assert sequence.step_needs_a_person() is ok
    sequence.forward(8 * S)
    assert sequence.pictures()[0].ok is ok


def test_a_new_start_forgets_how_the_last_went(new):
    sequence = new(FILL, WORK)
    sequence.forward(8 * S)
    sequence.start(20 * S)
    assert sequence.index == 0
    assert [(p.started_ns, p.ended_ns, p.ok) for p in sequence.pictures()] == [(20 * S, None, None), (None, None, None)]


def test_back_takes_the_step_before_up_again(new):
    sequence = new(FILL, WORK, CAPTURE)
    assert sequence.backward(8 * S) == ""
    assert (sequence.index, sequence.pictures()[0].started_ns) == (0, 7 * S), "there is none before the first"
    sequence.forward(9 * S)
    sequence.forward(10 * S)
    assert sequence.backward(11 * S) == "back to step 2"
    went = [(p.started_ns, p.ended_ns, p.ok) for p in sequence.pictures()]
    assert went == [(7 * S, 9 * S, False), (11 * S, None, None), (None, None, None)]
    assert sequence.backward(12 * S) == "back to step 1"
    assert sequence.index == 0


def test_back_from_the_end_takes_the_last_step_up_again(new):
    sequence = new(FILL, WORK)
    sequence.forward(8 * S)
    sequence.forward(9 * S)
    assert sequence.backward(10 * S) == "back to step 2"
    assert (sequence.index, sequence.pictures()[1].started_ns) == (1, 10 * S)


def test_an_abandoned_plan_is_taken_up_where_it_was_left(new):
    sequence = new(WORK, FILL, CAPTURE)
    sequence.forward(8 * S)
    assert told(sequence, stack(rise=0.06))[2]
    said = sequence.abandon(9 * S)
    assert said == "plan abandoned in step 2: all else is watched on, back takes it up again"
    assert sequence.abandoned
    assert (sequence.step, sequence.done, sequence.abandon(9 * S)) == (None, False, "")
    left = sequence.pictures()[1]
    assert (left.ended_ns, left.ok) == (9 * S, False), "given up, though it was at its stop"
    assert sequence.backward(12 * S) == "back to step 2"
    assert not sequence.abandoned
    assert [(p.started_ns, p.ended_ns, p.ok) for p in sequence.pictures()][1] == (12 * S, None, None)


def test_steps_say_where_they_stop(new):
    both = {"do": "fill", "bag": "S1-upper", "until": {"rise": "40 mm", "at": "S2", "pressure": "2 bar"}}
    sequence = new(LOWER, both, PRESSURE, {"do": "hold", "for": "20 s"}, CAPTURE, {"do": "fill", "until": {}}, WORK)
    assert [(p.number, p.do, p.bag, p.stop) for p in sequence.pictures()] == [
        (1, "lower", "S1-upper", "rise 10 mm at S1"),
        (2, "fill", "S1-upper", "rise 40 mm at S2 or 2.00 bar in S1-upper"),
        (3, "fill", "S1-upper", "1.00 bar in S1-upper"),
        (4, "hold", None, "for 20 s"),
        (5, "capture", None, "every shore follows"),
        (6, "fill", None, "until you press next"),
        (7, "work", None, "until you press next"),
    ]


# How far it is to a stop.


def test_a_rise_stop_going_up(new):
    sequence = new(FILL)
    assert told(sequence, stack(rise=0.02)) == (0.0, "40 mm to go", False)
    assert told(sequence, stack("S2", rise=0.06), stack(rise=0.03, upper=2e5)) == (0.25, "30 mm to go", False)
    assert told(sequence, stack(rise=0.01)) == (0.0, "50 mm to go", False), "lower than it began"
    assert told(sequence, stack(rise=0.0588)) == (0.97, "1 mm to go", False)
    assert told(sequence, stack(rise=0.0591)) == (0.9775, "1 mm to go", True)
    assert told(sequence, stack(rise=0.07)) == (1.0, "0 mm to go", True)


def test_a_rise_stop_going_down_at_the_first_stack_where_none_is_named(new):
    sequence = new(LOWER)
    assert told(sequence, stack(rise=0.05), stack("S2", rise=0.01)) == (0.0, "40 mm to go", False)
    assert told(sequence, stack(rise=0.02), stack("S2", rise=0.05)) == (0.75, "10 mm to go", False)
    assert told(sequence, stack(rise=0.06)) == (0.0, "50 mm to go", False)
    assert told(sequence, stack(rise=0.0112)) == (0.97, "1 mm to go", False)
    assert told(sequence, stack(rise=0.0109)) == (0.9775, "1 mm to go", True)
    assert told(sequence, stack(rise=0.0)) == (1.0, "0 mm to go", True)


def test_a_rise_stop_at_a_named_stack(new):
    sequence = new({**FILL, "until": {"rise": "60 mm", "at": "S2"}})
    assert told(sequence, stack(rise=0.06), stack("S2", rise=0.0)) == (0.0, "60 mm to go", False)


def test_a_stop_is_reached_within_a_millimetre_met_exactly(new):
    assert told(new({**FILL, "until": {"rise": "1 mm"}}), stack(rise=0.0))[2]


def test_a_step_that_begins_at_or_beyond_its_stop(new):
    assert told(new(FILL), stack(rise=0.06)) == (1.0, "0 mm to go", True)
    sequence = new(FILL)
    assert told(sequence, stack(rise=0.08)) == (1.0, "0 mm to go", True)
    assert told(sequence, stack(rise=0.03)) == (1.0, "30 mm to go", False)
    assert share(new({**FILL, "until": {"rise": "0.5 m"}}), stack(rise=0.0)) == 0.0, "less than a metre is not beyond"


def test_each_step_counts_from_where_it_began(new):
    sequence = new(FILL, {**FILL, "until": {"rise": "100 mm"}})
    told(sequence, stack(rise=0.0))
    sequence.forward(8 * S)
    assert share(sequence, stack(rise=0.06)) == 0.0
    assert share(sequence, stack(rise=0.08)) == 0.5


def test_a_pressure_stop_going_up(new):
    sequence = new(PRESSURE)
    assert told(sequence, stack(rise=0.06, upper=4e4, lower=1e5)) == (0.4, "0.60 bar to go", False)
    assert told(sequence, stack(upper=-1e3)) == (0.0, "1.01 bar to go", False)
    assert told(sequence, stack(upper=98_900.0))[2] is False
    assert told(sequence, stack(upper=99_000.0)) == (0.99, "0.01 bar to go", True), "within 1 %, met exactly"
    assert told(sequence, stack(upper=1.2e5)) == (1.0, "0.00 bar to go", True)


def test_a_pressure_stop_going_down_counts_from_where_it_began(new):
    sequence = new({**PRESSURE, "do": "lower"}, {**PRESSURE, "do": "lower"})
    assert told(sequence, stack(upper=3e5)) == (0.0, "2.00 bar to go", False)
    assert told(sequence, stack(upper=3.2e5)) == (0.0, "2.20 bar to go", False)
    assert told(sequence, stack(upper=1.5e5)) == (0.75, "0.50 bar to go", False)
    assert told(sequence, stack(upper=101_100.0)) == (0.9945, "0.01 bar to go", False)
    assert told(sequence, stack(upper=101_000.0)) == (0.995, "0.01 bar to go", True)
    assert told(sequence, stack(upper=5e4)) == (1.0, "0.00 bar to go", True)
    sequence.forward(8 * S)
    assert share(sequence, stack(upper=2e5)) == 0.0
    assert share(sequence, stack(upper=1.5e5)) == 0.5


def test_down_to_no_pressure(new):
    sequence = new({**PRESSURE, "do": "lower", "until": {"pressure": "0 bar"}})
    assert told(sequence, stack(upper=2e4)) == (0.0, "0.20 bar to go", False)
    assert told(sequence, stack(upper=5e3)) == (0.75, "0.05 bar to go", False)
    assert told(sequence, stack(upper=0.0)) == (1.0, "0.00 bar to go", True)


def test_of_two_stops_the_nearer_is_said(new):
    two = {**FILL, "until": {"rise": "60 mm", "pressure": "1 bar"}}
    sequence = new(two)
    told(sequence, stack(rise=0.0, upper=0.0))
    assert told(sequence, stack(rise=0.054, upper=1e4)) == (0.9, "6 mm to go", False)
    assert told(sequence, stack(rise=0.012, upper=9e4)) == (0.9, "0.10 bar to go", False)
    assert told(sequence, stack(rise=0.012)) == (0.2, "48 mm to go", False)
    assert told(sequence, stack(upper=9e4)) == (0.9, "0.10 bar to go", False)
    sequence = new({"do": "lower", "bag": "S1-upper", "until": {"rise": "0 mm", "pressure": "0 bar"}})
    told(sequence, stack(rise=0.06, upper=2e4))
    assert told(sequence, stack(rise=0.03, upper=2e4)) == (0.5, "30 mm to go", False)
    assert told(sequence, stack(rise=0.03, upper=5e3)) == (0.75, "0.05 bar to go", False)


def test_a_stop_that_is_reached_goes_before_one_that_is_nearer(new):
    sequence = new({**FILL, "until": {"rise": "1 mm", "pressure": "1 bar"}})
    assert told(sequence, stack(rise=0.0, upper=9.5e4)) == (0.0, "1 mm to go", True)


@pytest.mark.parametrize("step", [FILL, PRESSURE, LOWER, {"do": "fill", "until": {"pressure": "1 bar"}}])
def test_what_nothing_sees_is_not_known(new, step):
    assert told(new(step), stack()) == (None, "not known how far", False)
    assert told(new(step)) == (None, "not known how far", False)


@pytest.mark.parametrize("step", [WORK, {"do": "check"}, {"do": "fill", "bag": "S1-upper"}, VENT])
def test_a_step_without_a_stop_waits_for_a_person(new, step):
    assert told(new(step), stack(rise=0.06)) == (None, "until you press next", False)
    assert told(new(step)) == (None, "until you press next", False)


def test_a_bag_that_is_vented_for_good_says_what_is_left_in_it(new):
    sequence = new(VENT)
    venting = ("holding", "venting")
    assert told(sequence, stack(upper=8e4, lower=2e5, doing=venting)) == (None, "0.80 bar left in it", False)
    assert told(sequence, stack(upper=-900.0, doing=venting)) == (None, "0.00 bar left in it", False)
    assert told(sequence, stack(upper=0.0, doing=("venting", "resting"))) == (
        None,
        "S1-upper is empty: press next",
        False,
    )
    assert told(sequence, stack(rise=0.0)) == (None, "until you press next", False)


def test_lengths_and_pressures_are_said_in_the_units_of_the_rig(new):
    assert told(new({**FILL, "until": {"rise": "1 in"}}, units="us"), stack(rise=0.0))[1] == "1 in to go"
    assert told(new(PRESSURE, units="us"), stack(upper=0.0))[1] == "15 psi to go"


# A hold.


def test_a_hold_counts_down_and_ends_by_itself(new):
    sequence = new({"do": "hold", "for": "4 s"}, WORK)
    assert told(sequence, at=BEGUN) == (0.0, "4 s to go", False)
    assert told(sequence, at=BEGUN + S) == (0.25, "3 s to go", False)
    assert told(sequence, at=BEGUN + 36 * S // 10) == (0.9, "0 s to go", False)
    assert sequence.tick(BEGUN + 4 * S, (), (), None).number == 2
    first, second = sequence.pictures()
    assert (first.ended_ns, first.ok, second.started_ns) == (BEGUN + 4 * S, True, BEGUN + 4 * S)


def test_a_hold_that_is_ended_early_is_not_well(new):
    sequence = new({"do": "hold", "for": "4 s"}, WORK)
    told(sequence)
    sequence.forward(BEGUN + S)
    assert sequence.pictures()[0].ok is False


def test_a_hold_of_no_time_is_over_at_once(new):
    sequence = new({"do": "hold"}, {"do": "hold"}, WORK)
    now = sequence.tick(BEGUN, (), (), None)
    assert (now.number, now.progress, now.left, now.done) == (2, 1.0, "0 s to go", False)
    assert sequence.tick(BEGUN, (), (), None).number == 3


# A capture.


def test_a_capture_by_shores(new):
    far, out = shore("N1", gap=0.0061), shore("N2", doing="released")
    unknown, well = shore("N3", gap=None), shore("N4", gap=0.006)
    sequence = new(CAPTURE)
    assert told(sequence, shores=[far, out, unknown, well]) == (0.25, "N1, N2, N3 behind", False)
    assert told(sequence, shores=[far, well]) == (0.5, "N1 behind", False)
    assert told(sequence, shores=[far]) == (0.0, "N1 behind", False)
    assert told(sequence, shores=[well, shore("N1", doing="following")]) == (1.0, "every shore follows", True)


def test_a_capture_by_cribbing_that_was_packed_since_it_began(new):
    sequence = new(CAPTURE)
    assert told(sequence) == (0.0, "pack cribbing and mark it", False)
    assert told(sequence, cribbed=BEGUN - 1) == (0.0, "pack cribbing and mark it", False)
    assert told(sequence, shores=[shore("N1", gap=0.05)], cribbed=BEGUN - 1)[1] == "N1 behind"
    for when in (BEGUN, BEGUN + 1):
        assert told(sequence, shores=[shore("N1", gap=0.05)], cribbed=when) == (1.0, "cribbing packed", True)


# The way down, with shores under the load.


DOWN = {"do": "lower", "until": {"rise": "0 mm"}}
STANDS = stack(rise=0.05)


def hint(sequence, *shores, of=STANDS):
    return told(sequence, of, shores=shores)[1]


def test_air_comes_first_and_names_few(new):
    sequence, low = new(DOWN), 161_999.0
    assert hint(sequence, shore("N1"), shore("N2", air=low)) == "air to 1.80 bar in N2"
    assert hint(sequence, shore("N1", air=low), shore("N2", air=low)) == "air to 1.80 bar in N1, N2"
    thirsty = [shore(f"N{k}", air=low) for k in (1, 2, 3, 4)]
    assert hint(sequence, *thirsty[:3]) == "air to 1.80 bar in N1, N2 and 1 more"
    assert hint(sequence, *thirsty) == "air to 1.80 bar in N1, N2 and 2 more"


@pytest.mark.parametrize("air", [162_000.0, 1.8e5, None])  # nine tenths of 1.8 bar, enough, no gauge
def test_then_the_load_is_raised_a_touch(new, air):
    for touch in (None, 0.0, 0.0009):
        assert hint(new(DOWN), shore("N1", air=air, touch=touch)) == "release shores, raise a touch: 1 mm"
    assert hint(new(DOWN), shore("N1", air=air, touch=0.001)) == "locks free: hold release, vent, walk down"


def test_the_touch_is_that_of_the_coarsest_shore_that_is_not_free(new):
    sequence = new(DOWN, pitch={"N2": "4 mm", "N3": "9 mm"})
    shores = [shore("N1"), shore("N2", touch=0.003), shore("N3", touch=0.009)]
    assert hint(sequence, *shores) == "release shores, raise a touch: 4 mm"
    assert hint(sequence, shore("N2", gap=None), shore("N3", touch=0.009)) == (
        "locks free: hold release, vent, walk down"
    )


@pytest.mark.parametrize("doing", [("venting", "holding"), ("holding", "venting")])
def test_then_it_is_vented_and_while_it_is_nothing_more_is_said(new, doing):
    going = stack(rise=0.05, doing=doing)
    assert hint(new(DOWN), shore("N1", touch=0.002), of=going) == "50 mm to go"


def test_nothing_is_said_while_a_shore_is_seen_to_walk(new):
    walks, stands = shore("N1", doing="released"), shore("N2", air=0.0)
    assert hint(new(DOWN), walks, stands) == "50 mm to go"
    assert hint(new(DOWN), shore("N1", doing="released", told=True), stands) == "air to 1.80 bar in N2"


def test_a_shore_that_has_not_come_out_is_not_walked_down(new):
    assert hint(new(DOWN)) == "50 mm to go"
    for out in (None, 0.0, 0.002):
        assert hint(new(DOWN), shore("N1", out=out)) == "50 mm to go"
    assert hint(new(DOWN), shore("N1", out=0.0021)) == "release shores, raise a touch: 1 mm"


def test_at_its_stop_the_shores_that_were_released_are_locked(new):
    at = stack(rise=0.0)
    let_go = [shore(f"N{k}", doing="released", told=True) for k in (1, 2, 3)]
    assert hint(new(DOWN), let_go[0], shore("N2"), of=at) == "at its stop: lock N1"
    assert hint(new(DOWN), *let_go[:2], of=at) == "at its stop: lock N1, N2"
    assert hint(new(DOWN), *let_go, of=at) == "at its stop: lock N1, N2 and 1 more"
    assert hint(new(DOWN), shore("N1"), of=at) == "0 mm to go"


def test_which_steps_lead_down(new):
    thirsty = shore("N1", air=0.0)
    assert hint(new({**VENT, "until": {"rise": "10 mm"}}), thirsty) == "air to 1.80 bar in N1"
    assert hint(new({"do": "lower"}), thirsty) == "air to 1.80 bar in N1"
    assert hint(new(VENT), thirsty, of=stack(upper=8e4)) == "0.80 bar left in it", (
        "what is vented for good carries none"
    )
    assert hint(new(FILL), thirsty) == "10 mm to go"


def test_a_way_down_in_the_units_of_the_rig(new):
    assert hint(new(DOWN, units="us", pitch={"N1": "0.0254 m"}), shore("N1", out=0.1)).endswith("touch: 1 in")
    assert hint(new(DOWN, units="us"), shore("N1", air=0.0)) == "air to 26 psi in N1"


# Which bags have taken air since the step began.


UP, REST = ("filling", "holding"), ("holding", "holding")
LOWERS, UPPERS = {"S1-lower", "S1-upper"}, {"S2-lower", "S2-upper"}


def look(sequence, at, *, first=REST, second=REST):
    sequence.tick(at, (stack(doing=first), stack("S2", doing=second)), (), None)
    return set(sequence.begun), set(sequence.carried_over)


def test_bags_that_take_air_are_begun_and_stay_so(new):
    sequence = new(FILL, FILL)
    assert look(sequence, BEGUN) == (set(), set())
    assert look(sequence, BEGUN + S, first=UP, second=("venting", "holding")) == ({"S1-lower"}, set())
    assert look(sequence, BEGUN + 2 * S, second=("unknown", "filling")) == ({"S1-lower", "S2-upper"}, set())
    assert look(sequence, BEGUN + 3 * S) == ({"S1-lower", "S2-upper"}, set())
    sequence.forward(BEGUN + 4 * S)
    assert (sequence.begun, sequence.carried_over) == (frozenset(), frozenset())


def test_a_stack_that_was_going_up_is_carried_over_whole_until_it_is_shut(new):
    sequence = new(FILL, FILL)
    look(sequence, BEGUN, first=UP)
    sequence.forward(BEGUN + S)
    assert sequence.carried_over == LOWERS
    assert look(sequence, BEGUN + 2 * S, first=("filling", "filling")) == (set(), LOWERS)
    assert look(sequence, BEGUN + 3 * S, second=UP) == ({"S2-lower"}, set()), "shut: carried over no longer"
    assert look(sequence, BEGUN + 4 * S, first=UP) == ({"S1-lower", "S2-lower"}, set()), "and opened again"


def test_each_stack_is_carried_over_by_itself(new):
    sequence = new(FILL, FILL)
    look(sequence, BEGUN, first=UP, second=UP)
    sequence.forward(BEGUN + S)
    assert sequence.carried_over == LOWERS | UPPERS
    assert look(sequence, BEGUN + 2 * S, first=UP) == (set(), LOWERS)


def test_nothing_is_carried_over_for_more_than_five_seconds(new):
    sequence = new(FILL, FILL)
    look(sequence, BEGUN, first=UP)
    sequence.forward(BEGUN)
    assert look(sequence, BEGUN + 5 * S, first=UP) == (set(), LOWERS)
    assert look(sequence, BEGUN + 5 * S + 1, first=UP) == ({"S1-lower"}, set())


def test_on_the_way_down_it_is_venting_that_counts(new):
    sequence = new(FILL, LOWER, VENT, FILL)
    look(sequence, BEGUN, first=("venting", "holding"), second=UP)
    sequence.forward(BEGUN + S)
    assert sequence.carried_over == LOWERS
    assert look(sequence, BEGUN + 2 * S, second=("filling", "venting")) == ({"S2-upper"}, set())
    sequence.forward(BEGUN + 3 * S)
    assert sequence.carried_over == UPPERS
    sequence.forward(BEGUN + 4 * S)
    assert sequence.carried_over == UPPERS, "it is being filled as well"
    assert look(sequence, BEGUN + 5 * S, second=("venting", "venting")) == (set(), set())


def test_an_abandoned_plan_carries_nothing_over(new):
    sequence = new(FILL)
    look(sequence, BEGUN, first=UP)
    sequence.abandon(BEGUN + S)
    assert sequence.tick(BEGUN + 2 * S, (stack(doing=UP),), (), None) is None
    assert sequence.carried_over == frozenset()
