"""The plan by itself: which bags have taken air since the step began, and which were going when it did."""

from __future__ import annotations

from .hand_made import BEGUN, FILL, LOWER, VENT, S, stack

UP, REST = ("filling", "holding"), ("holding", "holding")
LOWERS, UPPERS = {"S1-lower", "S1-upper"}, {"S2-lower", "S2-upper"}


def look(sequence, at, *, first=REST, second=REST):
    sequence.tick(at, (stack(doing=first), stack("S2", doing=second)), (), None)
    return set(sequence.begun), set(sequence.carried_over)


def test_bags_that_take_air_are_begun_and_stay_so(new_plan):
    sequence = new_plan(FILL, FILL)
    assert look(sequence, BEGUN) == (set(), set())
    assert look(sequence, BEGUN + S, first=UP, second=("venting", "holding")) == ({"S1-lower"}, set())
    assert look(sequence, BEGUN + 2 * S, second=("unknown", "filling")) == ({"S1-lower", "S2-upper"}, set())
    assert look(sequence, BEGUN + 3 * S) == ({"S1-lower", "S2-upper"}, set())
    sequence.forward(BEGUN + 4 * S)
    assert (sequence.begun, sequence.carried_over) == (frozenset(), frozenset())


def test_a_stack_that_was_going_up_is_carried_over_whole_until_it_is_shut(new_plan):
    sequence = new_plan(FILL, FILL)
    look(sequence, BEGUN, first=UP)
    sequence.forward(BEGUN + S)
    assert sequence.carried_over == LOWERS
    assert look(sequence, BEGUN + 2 * S, first=("filling", "filling")) == (set(), LOWERS)
    assert look(sequence, BEGUN + 3 * S, second=UP) == ({"S2-lower"}, set()), "shut: carried over no longer"
    assert look(sequence, BEGUN + 4 * S, first=UP) == ({"S1-lower", "S2-lower"}, set()), "and opened again"


def test_a_stack_that_was_shut_while_all_rest_is_carried_over_no_longer(new_plan):
    sequence = new_plan(FILL, FILL)
    look(sequence, BEGUN, first=UP)
    sequence.forward(BEGUN + S)
    assert look(sequence, BEGUN + 2 * S) == (set(), set())
    assert look(sequence, BEGUN + 3 * S, first=UP) == ({"S1-lower"}, set())


def test_each_stack_is_carried_over_by_itself(new_plan):
    sequence = new_plan(FILL, FILL)
    look(sequence, BEGUN, first=UP, second=UP)
    sequence.forward(BEGUN + S)
    assert sequence.carried_over == LOWERS | UPPERS
    assert look(sequence, BEGUN + 2 * S, first=UP) == (set(), LOWERS)


def test_nothing_is_carried_over_for_more_than_five_seconds(new_plan):
    sequence = new_plan(FILL, FILL)
    look(sequence, BEGUN, first=UP)
    sequence.forward(BEGUN)
    assert look(sequence, BEGUN + 5 * S, first=UP) == (set(), LOWERS)
    assert look(sequence, BEGUN + 5 * S + 1, first=UP) == ({"S1-lower"}, set())


def test_on_the_way_down_it_is_venting_that_counts(new_plan):
    sequence = new_plan(FILL, LOWER, VENT, FILL)
    look(sequence, BEGUN, first=("venting", "holding"), second=UP)
    sequence.forward(BEGUN + S)
    assert sequence.carried_over == LOWERS
    assert look(sequence, BEGUN + 2 * S, second=("filling", "venting")) == ({"S2-upper"}, set())
    sequence.forward(BEGUN + 3 * S)
    assert sequence.carried_over == UPPERS
    sequence.forward(BEGUN + 4 * S)
    assert sequence.carried_over == UPPERS, "it is being filled as well"
    assert look(sequence, BEGUN + 5 * S, second=("venting", "venting")) == (set(), set())


def test_an_abandoned_plan_carries_nothing_over(new_plan):
    sequence = new_plan(FILL)
    look(sequence, BEGUN, first=UP)
    sequence.abandon(BEGUN + S)
    assert sequence.tick(BEGUN + 2 * S, (stack(doing=UP),), (), None) is None
    assert sequence.carried_over == frozenset()
