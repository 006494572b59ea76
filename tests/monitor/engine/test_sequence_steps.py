"""The plan by itself: which step it is at, what next, back and giving up do, and how each step went."""

from __future__ import annotations

import pytest

from .hand_made import CAPTURE, FILL, LOWER, PRESSURE, VENT, WORK, S, stack, told


def test_nothing_is_worked_before_the_start_and_after_the_end(new_plan):
    sequence = new_plan(FILL, begun=False)
    assert (sequence.step, sequence.index, sequence.done, sequence.lowering) == (None, None, False, None)
    assert sequence.next_fill() is sequence.next_vent() is None
    assert not sequence.step_needs_a_person()
    assert (sequence.begun, sequence.carried_over) == (frozenset(), frozenset())
    assert sequence.tick(S, (stack(doing=("filling", "holding")),), (), None) is None
    assert (sequence.forward(S), sequence.backward(S), sequence.abandon(S)) == ("", "", "")
    assert not sequence.abandoned
    assert [(p.started_ns, p.ended_ns, p.ok) for p in sequence.pictures()] == [(None, None, None)]


def test_a_plan_without_steps_is_at_its_end_at_once(new_plan):
    sequence = new_plan()
    assert (sequence.step, sequence.pictures(), sequence.backward(8 * S)) == (None, (), "")
    assert sequence.tick(8 * S, (), (), None) is None


def test_the_next_fill_and_the_next_vent_lie_ahead(new_plan):
    sequence = new_plan(WORK, FILL, {"do": "lower"}, WORK, VENT, PRESSURE, LOWER)
    steps = sequence.steps
    expected = [(1, 4), (5, 4), (5, 4), (5, 4), (5, 6), (None, 6), (None, None)]
    for fill, vent in expected:
        assert sequence.next_fill() is (None if fill is None else steps[fill])
        assert sequence.next_vent() is (None if vent is None else steps[vent])
        sequence.forward(8 * S)


def test_the_number_of_a_step_that_lowers(new_plan):
    sequence = new_plan(FILL, LOWER, VENT, WORK)
    numbers = []
    while sequence.step is not None:
        numbers.append(sequence.lowering)
        sequence.forward(8 * S)
    assert numbers == [None, 2, 3, None]


def test_next_says_what_it_did_and_keeps_how_the_step_went(new_plan):
    sequence = new_plan(FILL, FILL, WORK)
    assert told(sequence, stack(rise=0.06))[2]
    assert sequence.forward(9 * S) == "step 1 ended, step 2 begun"
    assert not sequence.done, "that step 1 was done says nothing of step 2"
    assert sequence.forward(10 * S) == "step 2 ended, step 3 begun"
    assert sequence.forward(11 * S) == "step 3 ended"
    went = [(p.number, p.started_ns, p.ended_ns, p.ok) for p in sequence.pictures()]
    assert went == [(1, 7 * S, 9 * S, True), (2, 9 * S, 10 * S, False), (3, 10 * S, 11 * S, True)]


@pytest.mark.parametrize(("do", "ok"), [("work", True), ("check", True), ("vent", True), ("lower", False)])
def test_what_only_a_person_can_see_is_well_when_a_person_says_so(new_plan, do, ok):
    sequence = new_plan({"do": do})
    assert sequence.step_needs_a_person() is ok
    sequence.forward(8 * S)
    assert sequence.pictures()[0].ok is ok


def test_a_new_start_forgets_how_the_last_went(new_plan):
    sequence = new_plan(FILL, WORK)
    sequence.forward(8 * S)
    sequence.start(20 * S)
    assert sequence.index == 0
    assert [(p.started_ns, p.ended_ns, p.ok) for p in sequence.pictures()] == [(20 * S, None, None), (None, None, None)]


def test_back_takes_the_step_before_up_again(new_plan):
    sequence = new_plan(FILL, WORK, CAPTURE)
    assert sequence.backward(8 * S) == ""
    assert (sequence.index, sequence.pictures()[0].started_ns) == (0, 7 * S), "there is none before the first"
    sequence.forward(9 * S)
    sequence.forward(10 * S)
    assert sequence.backward(11 * S) == "back to step 2"
    went = [(p.started_ns, p.ended_ns, p.ok) for p in sequence.pictures()]
    assert went == [(7 * S, 9 * S, False), (11 * S, None, None), (None, None, None)]
    assert sequence.backward(12 * S) == "back to step 1"
    assert sequence.index == 0


def test_back_from_the_end_takes_the_last_step_up_again(new_plan):
    sequence = new_plan(FILL, WORK)
    sequence.forward(8 * S)
    sequence.forward(9 * S)
    assert sequence.backward(10 * S) == "back to step 2"
    assert (sequence.index, sequence.pictures()[1].started_ns) == (1, 10 * S)


def test_an_abandoned_plan_is_taken_up_where_it_was_left(new_plan):
    sequence = new_plan(WORK, FILL, CAPTURE)
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


def test_steps_say_where_they_stop(new_plan):
    both = {"do": "fill", "bag": "S1-upper", "until": {"rise": "40 mm", "at": "S2", "pressure": "2 bar"}}
    sequence = new_plan(
        LOWER, both, PRESSURE, {"do": "hold", "for": "20 s"}, CAPTURE, {"do": "fill", "until": {}}, WORK
    )
    assert [(p.number, p.do, p.bag, p.stop) for p in sequence.pictures()] == [
        (1, "lower", "S1-upper", "rise 10 mm at S1"),
        (2, "fill", "S1-upper", "rise 40 mm at S2 or 2.00 bar in S1-upper"),
        (3, "fill", "S1-upper", "1.00 bar in S1-upper"),
        (4, "hold", None, "for 20 s"),
        (5, "capture", None, "every shore follows"),
        (6, "fill", None, "until you press next"),
        (7, "work", None, "until you press next"),
    ]
