"""What the crew does beside what was agreed, on scenes made by hand. All invented."""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.engine import crew as crew_rules
from monitor.engine.alone import Moved
from monitor.engine.conditions import Measured, Scene, Unknown
from monitor.engine.engine import Engine
from monitor.engine.picture import ItemPicture, NowPicture, Question, StepPicture, ZeroPicture
from monitor.rig.schema import Step
from replay.entries import Tick

from .listened import Listened

crew = Listened(crew_rules)
S = 1_000_000_000
HIGH, LOW = "S1-upper", "S1-lower"
OPEN, TICKED = ItemPicture("boots", None, None, None), ItemPicture("ropes", None, "A", S)


def picture(scene: Scene, **values) -> Scene:
    return replace(scene, picture=replace(scene.picture, **values))


def bags(scene: Scene, low: str = "resting", high: str = "resting", rise=None, use=None) -> Scene:
    stack = scene.picture.stacks[0]
    done = tuple(replace(bag, doing=it, use=use) for bag, it in zip(stack.bags, (low, high), strict=True))
    return picture(scene, stacks=(replace(stack, bags=done, rise_m=rise),))


def risen(scene: Scene, rise: float | None) -> Scene:
    return picture(scene, load=replace(scene.picture.load, rise_m=rise))


@pytest.fixture
def scene(rig) -> Scene:
    """Zeroed, with two bags at rest."""
    engine = Engine(rig)
    scene = engine._scene(engine.tick(Tick(0)), None, 0)
    return bags(picture(scene, zero=ZeroPicture(1, ready=False, why_not="")))


def test_a_list_that_nobody_keeps_is_not_missed(scene):
    assert scene.rig.checklist == []
    assert crew.unticked(risen(picture(scene, checklist=(OPEN, OPEN)), 0.1), "crew") is None
    assert crew.unticked(risen(picture(scene, checklist=(OPEN, TICKED)), 0.1), "crew").share == 2.0


def test_nothing_is_begun_before_the_zero(scene):
    listed = risen(picture(scene, checklist=(OPEN, TICKED), zero=ZeroPicture(None, ready=True, why_not="")), 0.1)
    assert crew.unticked(listed, "crew") is None


def test_a_list_that_is_done(scene):
    listed = picture(scene, checklist=(TICKED, TICKED))
    assert crew.unticked(listed, "crew") == Measured(0.0, "", {"open": 0.0})


def test_a_list_of_the_rigs_own_is_watched_from_the_start(document, scene):
    document["checklist"] = [{"item": "boots"}]
    own = replace(scene, rig=type(scene.rig).model_validate(document))
    said = Measured(2.0, "1 of 1 open, first: boots", {"open": 1.0, "first": "boots"})
    assert crew.unticked(risen(picture(own, checklist=(OPEN,)), 0.1), "crew") == said


@pytest.mark.parametrize(
    ("rise", "low", "use", "begun"),
    [
        (0.005, "resting", 0.05, False),  # 5 mm and a twentieth, both met exactly
        (0.006, "resting", 0.05, True),
        (0.005, "resting", 0.06, True),
        (0.0, "filling", 0.0, True),
        (0.0, "venting", 0.0, False),
        (0.0, "resting", None, False),
        (None, "filling", None, True),
    ],
)
def test_a_lift_is_begun_by_its_rise_or_by_air(scene, rise, low, use, begun):
    listed = risen(bags(picture(scene, checklist=(TICKED, OPEN, OPEN)), low, use=use), rise)
    it = crew.unticked(listed, "crew")
    assert it == Measured(2.0 * begun, "2 of 3 open, first: boots", {"open": 2.0, "first": "boots"})


def test_whether_a_lift_is_begun_is_not_known_without_a_rise(scene):
    listed = risen(picture(scene, checklist=(TICKED, OPEN)), None)
    assert crew.unticked(listed, "crew") == scene.no_pose()


def in_step(scene: Scene, do: str | None, bag: str | None = None, **more) -> Scene:
    """In a step of the plan, the third; `do` None: outside."""
    step = None if do is None else Step(do=do, bag=bag)
    now = None if do is None else NowPicture(3, 0.5, "", done=False)
    more = {"begun": frozenset(), "moving_over": frozenset(), "moved": None} | more
    return replace(picture(scene, step=now), step=step, **more)


@pytest.mark.parametrize(
    ("do", "fits"),
    [
        ("fill", "filling"), ("lower", "filling venting"), ("vent", "venting"), ("hold", ""), ("capture", ""),
        ("work", ""), ("check", ""),
    ],
)  # fmt: skip
def test_what_a_step_has_the_crew_do(scene, do, fits):
    for doing in ("filling", "venting", "holding", "resting"):
        wrong = doing in ("filling", "venting") and doing not in fits.split()
        said = Measured(2.0 * wrong, f"{doing} in {do}", {"doing": doing, "step": 3.0})
        assert crew.out_of_step(in_step(bags(scene, doing), do, HIGH), LOW) == said


def test_no_step_without_a_zero_and_none_without_a_plan(scene):
    wrong = in_step(bags(scene, "venting"), "hold")
    assert crew.out_of_step(wrong, LOW).share == 2.0
    assert crew.out_of_step(picture(wrong, zero=ZeroPicture(None, ready=True, why_not="")), LOW) is None
    assert crew.out_of_step(picture(wrong, steps=()), LOW) is None


def test_a_bag_without_a_gauge(scene):
    blind = in_step(bags(scene, "unknown"), "hold")
    assert crew.out_of_step(blind, LOW) == Unknown(f"pressure in {LOW} not known", (f"{LOW}-p",))


def test_a_bag_filled_out_of_turn_may_be_vented(scene):
    vented = in_step(bags(scene, "venting"), "fill", HIGH)
    assert crew.out_of_step(vented, LOW).share == 2.0
    assert crew.out_of_step(replace(vented, begun=frozenset((LOW,))), LOW).share == 0.0
    own = in_step(bags(scene, "resting", "venting"), "fill", HIGH, begun=frozenset((HIGH,)))
    assert crew.out_of_step(own, HIGH).share == 2.0
    held = in_step(bags(scene, "venting"), "hold", begun=frozenset((LOW,)))
    assert crew.out_of_step(held, LOW).share == 2.0


def test_what_was_going_on_when_the_step_began_may_go_on(scene):
    over = in_step(bags(scene, "filling"), "hold", moving_over=frozenset((LOW,)))
    assert crew.out_of_step(over, LOW).share == 0.0


def test_a_bag_that_is_only_squeezed_is_out_of_no_step(scene):
    moved = Moved(-0.03, 0.001, True, True, (), False, ())
    assert crew.out_of_step(in_step(bags(scene, "filling"), "hold", moved=moved), LOW).share == 0.0


def ended(scene: Scene, at: int | None = 9 * S) -> Scene:
    step = StepPicture(1, "work", None, "", 0, at, ok=None)
    return in_step(picture(scene, steps=(step,)), None)


@pytest.mark.parametrize(
    ("doing", "rise", "wrong"),
    [
        ("filling", 0.0, True),
        ("venting", 0.005, True),  # 5 mm, met exactly
        ("venting", 0.0049, False),  # it rests: its bags may be emptied
        ("venting", None, False),
        ("holding", 0.1, False),
    ],
)
def test_after_the_plan(scene, doing, rise, wrong):
    said = Measured(2.0 * wrong, f"{doing} plan ended", {"doing": doing, "step": None})
    assert crew.out_of_step(ended(bags(scene, doing, rise=rise)), LOW) == said


def test_after_the_plan_each_bag_goes_by_its_own_stack(scene):
    it = ended(bags(scene, "venting", rise=0.0))
    first = it.picture.stacks[0]
    other = replace(first, name="S2", rise_m=0.1, bags=(replace(first.bags[0], name="B", doing="venting"),))
    it = picture(it, stacks=(first, other))
    assert (crew.out_of_step(it, LOW).share, crew.out_of_step(it, "B").share) == (0.0, 2.0)


def test_outside_the_plan_there_is_no_step(scene):
    up = bags(scene, "venting", rise=0.1)
    assert crew.out_of_step(ended(up, None), LOW) is None
    assert crew.out_of_step(picture(ended(up), abandoned=True), LOW) is None


@pytest.fixture
def over(scene, rig):
    """Tells which bags move over, from (seconds, step, what the lower bag does)."""
    watch = crew.MovingOver(rig)
    return lambda t, step, doing: watch.tick(round(t * S), step, bags(scene, doing).picture.stacks)


BOTH = frozenset((HIGH, LOW))


@pytest.mark.parametrize("doing", ["filling", "venting"])
def test_a_stack_that_moves_into_a_step_has_five_seconds(over, doing):
    assert over(0.0, 1, doing) == frozenset()  # it began with the step
    assert over(9.0, 1, doing) == frozenset()
    assert over(10.0, 2, doing) == BOTH
    assert over(15.0, 2, doing) == BOTH  # five seconds, met exactly
    assert over(15.1, 2, doing) == frozenset()
    assert over(15.2, None, doing) == BOTH  # after the plan as well


def test_a_stack_that_has_stood_still_does_not_move_over(over):
    over(0.0, 1, "filling")
    assert over(1.0, 2, "filling") == BOTH
    assert over(2.0, 2, "holding") == frozenset()
    assert over(3.0, 2, "filling") == frozenset()
    over(4.0, 2, "holding")
    assert over(5.0, 3, "filling") == frozenset()


def test_a_gauge_that_fell_to_nothing_is_gone_from_when_it_is_asked_about(scene):
    nobody = Measured(0.0, "fell to nothing at once, not isolated", {"asked_s": None})
    assert crew.gauge_gone(scene, HIGH) == nobody
    asked = picture(scene, time_ns=9 * S, questions=(Question(HIGH, "isolated?", 6 * S),))
    assert crew.gauge_gone(asked, LOW) == nobody
    said = Measured(2.0, "fell to nothing at once, not isolated", {"asked_s": 3.0})
    assert crew.gauge_gone(asked, HIGH) == said
