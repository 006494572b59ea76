"""Several stacks under one rigid load: a bag that is only carried along is not taken for one that is filled."""

from importlib.resources import files

import pytest

from monitor.drill import scenario
from monitor.drill.offline import play
from monitor.engine.picture import AlarmState
from monitor.rig.load import parse_rig


class Heard:
    """Keeps what was raised."""

    def __init__(self):
        self.raised = []

    def write(self, entry):
        """Entries are not wanted here."""

    def alarm(self, it):
        if it.alarm.state is AlarmState.UNACKNOWLEDGED and it.alarm.raised_ns == it.time_ns:
            self.raised.append((it.alarm.rule, it.alarm.about, it.alarm.priority.word, it.time_ns * 1e-9))


def raised(rig, drill, seed=0):
    heard = Heard()
    text = files("monitor.drill").joinpath(f"rigs/{rig}.toml").read_text(encoding="utf-8")
    play(parse_rig(text), drill, keeper=heard, seed=seed)
    return heard.raised


@pytest.mark.parametrize("seed", [0, 7])
@pytest.mark.parametrize("rig", ["precast-beam", "quarry-block"])
def test_a_clean_lift_sounds_nothing(rig, seed):
    assert [it for it in raised(rig, scenario.load("clean"), seed) if it[2] in ("warning", "danger")] == []


def test_the_wrong_open_bag_is_found_by_its_air():
    """Both stacks up already; the plan names the left lower bag, the crew goes on with the right upper one."""
    drill = scenario.Scenario.model_validate(
        {
            "name": "wrong-open", "title": "The wrong bag, open already", "story": "Invented.",
            "move": [{"do": "wait", "seconds": "5 s"}, {"do": "plan", "steps": [1, 2, 3]},
                     {"do": "fill", "bag": "R-upper", "rise": "75 mm"}, {"do": "wait", "seconds": "3 s"}],
        }
    )  # fmt: skip
    heard = [it for it in raised("precast-beam", drill) if it[0] == "bag-order"]
    assert {it[1] for it in heard} == {"R-upper"}


@pytest.mark.parametrize(("rig", "wrong"), [("precast-beam", "R-upper"), ("quarry-block", "B-bag")])
def test_the_wrong_stack_is_found_by_its_air(rig, wrong):
    drill = scenario.Scenario.model_validate(
        {
            "name": "wrong-stack", "title": "The other stack first", "story": "Invented.",
            "move": [{"do": "wait", "seconds": "5 s"}, {"do": "fill", "bag": wrong, "rise": "15 mm"},
                     {"do": "wait", "seconds": "3 s"}],
        }
    )  # fmt: skip
    heard = raised(rig, drill)
    assert ("bag-order", wrong, "danger") in [it[:3] for it in heard] or ("bag-early", wrong, "warning") in [
        it[:3] for it in heard
    ]
    assert {it[1] for it in heard if it[0] in ("bag-order", "bag-early")} == {wrong}, "only the bag that takes air"
