"""What was once silent, or sounded for nothing: each case was found by reading, and fails without its repair."""

from __future__ import annotations

from dataclasses import replace
from importlib.resources import files

import pytest

from monitor.engine import ahead, going, lowering, resting
from monitor.engine.alone import Moved
from monitor.engine.conditions import Measured, Suppressed, Unknown
from monitor.engine.shores import Crib
from monitor.rig.checks import notes
from monitor.rig.load import parse_rig
from monitor.rig.schema import Ground, Rig
from replay.entries import Notice


def hangs(script, since, lost, back=None):
    """The script until `since`; then bags lose a share of their push while the load hangs; `back`: (when, seconds, share)."""

    def moves(t):
        it = script(min(t, since))
        gone = lost * min(1.0, max(0.0, (t - since) / 6.0))
        if back is not None and t > back[0]:
            gone -= back[2] * min(1.0, (t - back[0]) / back[1])
        it.lower, it.upper = it.lower * (1.0 - gone), it.upper * (1.0 - gone)
        it.gap_n1 = it.gap_n2 = 0.0 if t > since - 5.0 else 0.001
        return it

    return moves


def scene(lift):
    return lift.engine._scene(lift.pictures[-1], lift.engine.pose.estimate(lift.now_ns), lift.now_ns)


def test_a_mark_of_cribbing_goes_when_the_load_has_come_below_it(lift, clean_script):
    moves = hangs(clean_script, 70.0, 0.6)  # let down by 48 mm from 62 s on, then it hangs
    lift.play(moves, 60.0)
    assert lift.act("cribbed", at="S1").answer.ok
    assert "cribbing" in lift.tick().held_by
    lift.play(moves, 82.0)
    assert "cribbing" not in lift.pictures[-1].held_by
    assert ("hung-on-shores", "load", "danger") in lift.raised()


def test_a_puff_of_air_ends_no_hanging(lift, clean_script):
    lift.play(hangs(clean_script, 58.0, 0.6, back=(70.0, 3.0, 0.1)), 80.0)
    hung = [a for a in lift.pictures[-1].alarms if a.rule == "hung-on-shores"]
    assert [it.active for it in hung] == [True]


def test_a_second_zero_forgets_how_long_shores_were(lift, moment):
    def set_up(t):
        it, grown = moment(), 0.06 * min(1.0, max(0.0, (t - 4.0) / 3.0))
        it.offset = {"N1-ext": grown, "N2-ext": grown}
        return it

    lift.play(set_up, 12.0)
    assert lift.act("zero").answer.ok
    lift.play(set_up, 30.0)
    assert [it for it in lift.raised() if it[0] == "shore-drop"] == []


@pytest.fixture
def lifted(lift, clean_script):
    lift.play(clean_script, 40.0)
    return scene(lift)


def moved(it, by, *, shores=0.0):
    return replace(
        it,
        moved=Moved(by, 0.001, True, True, (), False, tuple((s.name, shores, shores) for s in it.rig.shore)),
        picture=replace(it.picture, shores=tuple(replace(s, dropped_m=0.0, air_pa=0.0) for s in it.picture.shores)),
    )


def test_a_hinge_that_hardly_shifts_does_not_silence_a_load_that_moves_alone(lifted):
    near = replace(lifted.picture.hinge, shift_m=0.006, walk_m=0.006, shift_limit_m=0.010)
    it = moved(lifted, -0.04)
    it = replace(it, picture=replace(it.picture, hinge=near))
    assert going.hinge_shift(it, "load").share < 1.0
    assert lowering.moved_alone(it, "load").share > 1.0


@pytest.mark.parametrize(("by", "silent"), [(-0.004 - 0.001, True), (-0.04, False), (0.04, False)])
def test_a_drop_explains_only_a_load_that_came_down_as_far(lifted, by, silent):
    it = moved(lifted, by)
    it = replace(it, picture=replace(it.picture, shores=tuple(replace(s, dropped_m=0.004) for s in it.picture.shores)))
    assert isinstance(lowering.moved_alone(it, "load"), Suppressed if silent else Measured)


def test_where_nobody_knows_what_cribbing_holds_work_is_unknown_and_no_danger(document, new_lift, clean_script):
    document["load"].pop("centre_of_gravity")
    document["shore"], document["step"] = [], [{"do": "work"}]
    lift = new_lift(rig=Rig.model_validate(document))
    lift.play(clean_script, 45.0)
    assert ("not-held", "load", "danger") in lift.raised()
    assert lift.act("cribbed", at="S1").answer.ok
    lift.play(lambda _: clean_script(45.0), 47.0)
    assert isinstance(lowering.not_held(scene(lift), "load"), Unknown)


def test_shares_of_cribs_that_cannot_hold_the_load_alone_are_unknown(lifted):
    rig = parse_rig(files("monitor.drill").joinpath("rigs/block-on-cribs.toml").read_text(encoding="utf-8"))
    two = tuple(Crib(crib.at, 0.02) for crib in rig.crib[:2])
    stacks = tuple(replace(lifted.picture.stacks[0], name=stack.name, force_n=None) for stack in rig.stack)
    it = replace(lifted, rig=rig, cribs=two, picture=replace(lifted.picture, stacks=stacks, shores=()))
    assert isinstance(resting.crib_limit(it, "C1"), Unknown)
    ground = replace(it, rig=rig.model_copy(update={"ground": Ground(bearing=1e5)}))
    assert isinstance(resting.ground_limit(ground, "C1"), Unknown)
    assert isinstance(resting.ground_limit(ground, "A"), Unknown)


def test_a_stack_that_statics_gives_nothing_to_carry_breaks_no_rule(lifted):
    planned = replace(lifted.planned, forces={"S1": 0.0})
    resting_low = replace(lifted.picture.stacks[0], rise_m=0.0, force_n=None)
    it = replace(lifted, planned=planned, picture=replace(lifted.picture, stacks=(resting_low,)))
    assert isinstance(ahead.no_lift(it, "S1-upper"), Measured)


def test_carried_air_is_not_judged_where_one_cylinder_has_no_gauge(lifted):
    rig = parse_rig(files("monitor.drill").joinpath("rigs/little-air.toml").read_text(encoding="utf-8"))
    more = rig.model_copy(update={"supply": [*rig.supply, rig.supply[0].model_copy(update={"pressure": None})]})
    assert ahead.air_short(replace(lifted, rig=more), "supply") is None


def test_the_root_of_others_is_never_set_aside(lift, clean_script):
    lift.play(clean_script, 5.0)
    port = lift.engine.rig.port[0].name
    answer = lift.act("out-of-service", rule="link-lost", about=port).answer
    assert not answer.ok
    assert answer.text == "link-lost stays in service: it speaks for others that are silent meanwhile"
    lift.engine.note(Notice(lift.now_ns, "link", port, True, "the cable is out"))
    lift.tick()
    answer = lift.act("shelve", rule="link-lost", about=port).answer
    assert not answer.ok
    assert answer.text == "link-lost: nothing to shelve, it speaks for others that are silent meanwhile"


def test_a_plan_given_up_in_its_last_step_is_not_at_its_end(lift, clean_script):
    lift.play(clean_script, 58.0)
    assert lift.pictures[-1].step.number == 6
    assert lift.act("abandon").answer.ok
    lift.play(clean_script, 70.0)
    assert [it for it in lift.raised() if it[0] == "out-of-step"] == []


IN_LINE = [("1 m", "0 m"), ("2 m", "0 m"), ("4.7 m", "0 m")]
SIGHTS = [  # (heights, tilts, whether rise and both tilts are seen)
    ([], [], False),
    ([], [[1.0, 0.0], [0.0, 1.0]], False),
    (IN_LINE[:1], [[1.0, 0.0]], False),
    (IN_LINE[:1], [[1.0, 0.0], [0.0, 1.0]], True),
    (IN_LINE[:1], [[1.0, 0.0], [-1.0, 0.0]], False),
    (IN_LINE[:2], [], False),
    (IN_LINE, [], False),
    (IN_LINE, [[1.0, 0.0]], False),
    (IN_LINE[:2], [[0.0, 1.0]], True),
    ([*IN_LINE[:2], ("4.7 m", "1.2 m")], [], True),
]


@pytest.mark.parametrize(("heights", "tilts", "seen"), SIGHTS)
def test_sensors_that_cannot_tell_how_the_load_lies_are_named_as_such(document, new_lift, moment, heights, tilts, seen):
    # Held against the engine itself: where it is said, no rise is ever known, and where it is not, one is.
    document["height"] = [{"channel": f"H{i}", "at": [*at]} for i, at in enumerate(heights, 1)]
    document["tilt"] = [
        {"channel": name, "axis": axis} for name, axis in zip(("load-x", "load-y"), tilts, strict=False)
    ]
    rig = Rig.model_validate(document)
    assert any(note.startswith("the height and tilt sensors cannot tell") for note in notes(rig)) is not seen
    lift = new_lift(rig=rig)
    picture = lift.play(lambda _: moment(), 4.0)
    assert picture.zero.taken_ns is not None
    assert (picture.load.rise_m is not None) is seen
