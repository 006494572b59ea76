"""The tests' own lifts: one that takes over what another has played already shows what it would have shown by itself."""

from __future__ import annotations

from monitor.engine.engine import Engine


def leaning(script):
    def moves(t):
        it = script(t)
        if t > 8.3:
            it.offset = {"S1-head-x": 0.02 * (t - 8.3)}
        return it

    return moves


def test_a_lift_that_begins_like_the_clean_one_goes_on_as_it_would_alone(rig, new_lift, clean_script):
    before, taken, alone = new_lift(), new_lift(), new_lift(engine=Engine(rig))
    before.play(clean_script, 9.0)
    for lift in (taken, alone):
        lift.play(leaning(clean_script), 11.0)
        lift.act("stop", reason="somebody walked under it")
        lift.play(clean_script, 12.0)
    assert taken.pictures == alone.pictures
    assert taken.pictures[100] is before.pictures[100], "else it was played anew"
    assert taken.pictures[170] != before.pictures[170]


def test_what_one_lift_is_told_no_other_hears(new_lift, clean_script):
    first, second = new_lift(), new_lift()
    first.play(clean_script, 5.0)
    first.act("stop", reason="somebody walked under it")
    second.play(clean_script, 5.1)
    assert second.pictures[-1].stop_called is None
    assert second.raised() == []
