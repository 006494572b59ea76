"""Several stacks under one rigid load: a bag that is only carried along is not taken for one that is filled."""

from dataclasses import dataclass, field

import pytest

from monitor.drill import scenario
from monitor.drill.offline import play
from monitor.drill.scenario import Scenario
from monitor.drill.wire import VirtualRig
from monitor.engine.picture import AlarmState, Picture

from ...once import once
from .stage import rig, sounded

RIGS = ["precast-beam", "quarry-block"]
DRILLS = {"precast-beam": "two-stacks", "quarry-block": "free-lift"}


def raised(verdict):
    """(rule, about, priority) of everything that was raised."""
    return [
        (it.alarm.rule, it.alarm.about, it.alarm.priority.word)
        for it in verdict.transitions
        if it.alarm.state is AlarmState.UNACKNOWLEDGED and it.alarm.raised_ns == it.time_ns
    ]


@dataclass
class CleanLift:
    """The whole plan, up and down, as it goes in truth and as the engine follows it."""

    tops: dict[str, float] = field(default_factory=dict)
    gap: float = 0.0
    use: float = 0.0
    fastest: float = 0.0
    steepest: float = 0.0
    at_end: dict[str, float] = field(default_factory=dict)
    seconds: float = 0.0
    errors: list[float] = field(default_factory=list)
    """Of each stack's rise (m), while the first three steps are done."""
    alarms: list[tuple[str, str, str]] = field(default_factory=list)

    def look(self, it: VirtualRig, picture: Picture) -> None:
        truth = it.truth
        self.at_end = {stack.name: truth.rise(stack.at) for stack in it.rig.stack}
        self.seconds = truth.time_s
        for stack, seen in zip(it.rig.stack, picture.stacks, strict=True):
            rise = truth.rise(stack.at)
            self.tops[stack.name] = max(self.tops.get(stack.name, 0.0), rise)
            self.fastest = max(self.fastest, abs(truth.rise_rate(stack.at)))
            if seen.rise_m is not None and (picture.step is None or picture.step.number <= 3):
                self.errors.append(seen.rise_m - rise)
        self.gap = max(self.gap, *map(truth.gap, truth.shores))
        self.use = max(self.use, *(bag.pressure() / bag.bag.working_pressure for bag in truth.bags.values()))
        self.steepest = max(self.steepest, truth.theta)


def clean_lift(name: str, seed: int) -> CleanLift:
    return once(f"clean-{name}-{seed}", lambda: _clean_lift(name, seed))


def _clean_lift(name: str, seed: int) -> CleanLift:
    seen = CleanLift()
    seen.alarms = raised(play(rig(name), scenario.load("clean"), seed=seed, on_step=seen.look))
    return seen


@pytest.mark.parametrize("seed", [1, 7])
@pytest.mark.parametrize("name", RIGS)
def test_a_clean_lift_sounds_nothing(name, seed):
    """The first seed is that of a drill that is just this: the whole plan on this rig."""
    alarms = raised(sounded(DRILLS[name]).verdict) if seed == 1 else clean_lift(name, seed).alarms
    assert [it for it in alarms if it[2] in ("warning", "danger")] == []


def test_the_drills_of_these_rigs_are_the_clean_lift():
    assert {(it.rig, tuple(map(repr, it.move))) for it in map(scenario.load, DRILLS.values())} == {
        (name, tuple(map(repr, scenario.load("clean").move))) for name in RIGS
    }


@pytest.mark.parametrize("name", RIGS)
def test_a_rig_of_several_stacks_plays_the_whole_plan(name):
    plan, seen = rig(name), clean_lift(name, 7)  # what is done has no noise, so any seed will do
    asked = max(step.until.rise for step in plan.step if step.do == "fill")
    assert min(seen.tops.values()) > asked - 0.002
    assert max(seen.tops.values()) < asked + 0.008
    assert seen.gap < 0.0012
    assert seen.use < 0.9
    assert seen.fastest < plan.limits.rise_rate
    assert seen.steepest < plan.limits.tilt
    assert max(map(abs, seen.at_end.values())) < 3e-4, "down again"
    assert seen.seconds < 300.0


@pytest.mark.parametrize("name", RIGS)
def test_the_engine_follows_a_rig_of_several_stacks(name):
    errors = clean_lift(name, 7).errors
    assert len(errors) > 400
    assert max(map(abs, errors)) < 0.002


def test_the_wrong_open_bag_is_found_by_its_air():
    """Both stacks up already; the plan names the left lower bag, the crew goes on with the right upper one."""
    drill = Scenario.model_validate(
        {
            "name": "wrong-open", "title": "The wrong bag, open already", "story": "Invented.",
            "move": [{"do": "wait", "seconds": "5 s"}, {"do": "plan", "steps": [1, 2, 3]},
                     {"do": "fill", "bag": "R-upper", "rise": "75 mm"}, {"do": "wait", "seconds": "3 s"}],
        }
    )  # fmt: skip
    heard = [it for it in raised(play(rig("precast-beam"), drill, seed=0)) if it[0] == "bag-order"]
    assert {it[1] for it in heard} == {"R-upper"}


@pytest.mark.parametrize(("name", "wrong"), [("precast-beam", "R-upper"), ("quarry-block", "B-bag")])
def test_the_wrong_stack_is_found_by_its_air(name, wrong):
    drill = Scenario.model_validate(
        {
            "name": "wrong-stack", "title": "The other stack first", "story": "Invented.",
            "move": [{"do": "wait", "seconds": "5 s"}, {"do": "fill", "bag": wrong, "rise": "15 mm"},
                     {"do": "wait", "seconds": "3 s"}],
        }
    )  # fmt: skip
    heard = raised(play(rig(name), drill, seed=0))
    assert ("bag-order", wrong, "danger") in heard or ("bag-early", wrong, "warning") in heard
    assert {it[1] for it in heard if it[0] in ("bag-order", "bag-early")} == {wrong}, "only the bag that takes air"
