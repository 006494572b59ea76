"""Proposed steps: they load, they keep to the limits, and the sheet of the rig that has them agrees."""

from __future__ import annotations

import copy
import io
import json
import tomllib
from importlib.resources import files
from itertools import pairwise

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.cli import main
from monitor.drill.offline import play
from monitor.drill.scenario import Scenario
from monitor.engine.planned import planned
from monitor.rig.check import check, print_proposal
from monitor.rig.load import RigFaults, parse_rig
from monitor.rig.plan import plan
from monitor.rig.propose import as_toml, propose
from monitor.rig.schema import Rig
from monitor.rig.sheet import sheet

RIGS = {
    path.name: path.read_text(encoding="utf-8")
    for path in files("monitor.drill").joinpath("rigs").iterdir()
    if path.name.endswith(".toml")
}


def without_steps(text: str) -> str:
    """A rig file's text with its [[step]] tables taken out."""
    out, inside = [], False
    for line in text.splitlines():
        if line.lstrip().startswith("["):
            inside = line.strip().startswith("[[step]]")
        if not inside:
            out.append(line)
    return "\n".join(out) + "\n"


def with_raise(text: str, rise: str) -> str:
    return text.replace("[load]\n", f'[load]\nraise = "{rise}"\n', 1)


def proposed(text: str) -> tuple[Rig, Rig]:
    """(the rig, the rig with its proposed steps put at the end of its text)."""
    rig = parse_rig(text)
    it = propose(rig)
    assert it.why_not == ""
    return rig, parse_rig(text + as_toml(rig, it))


def holds_together(rig: Rig, whole: Rig) -> None:
    """Everything that must be so of a rig with the steps proposed for it."""
    every = rig.limits.capture_every + 1e-9
    it = plan(whole)
    assert it.stacks
    assert all(stack.enough for stack in it.stacks)
    assert "NOT ENOUGH for this plan" not in sheet(whole, it)
    assert max(map(len, sheet(whole, it).splitlines())) <= 80
    highest = [0.0, *(point.rise_m for point in it.capture_points)]
    assert all(abs(b - a) <= every for a, b in pairwise(highest))
    assert it.tilt_rad is None or it.tilt_rad <= rig.limits.tilt
    assert it.tip_rad is None or it.tilt_rad < it.tip_rad
    assert all(stack.lean_use is None or stack.lean_use < 1.0 for stack in it.stacks)
    # The load comes down to the ground, and only then is a bag emptied.
    downs = [step.until.rise for step in whole.step if step.do == "lower"]
    assert downs == sorted(downs, reverse=True)
    assert downs[-1] == 0.0
    kinds = [step.do for step in whole.step]
    assert kinds.index("hold") < kinds.index("check") < kinds.index("work") < kinds.index("lower")
    assert kinds.index("vent") > max(k for k, do in enumerate(kinds) if do == "lower")
    # A bag that has run out is not filled again, and those of a stack are filled in its own order.
    for stack in whole.stack:
        names = [bag.name for bag in stack.bag]
        filled = [step.bag for step in whole.step if step.do == "fill" and step.bag in names]
        order = list(dict.fromkeys(filled))
        wanted = names[::-1] if stack.fill_order == "top-first" else names
        assert order == [bag for bag in wanted if bag in order]
        assert filled == sorted(filled, key=order.index)
        # Bag by bag the height it is planned to reach is on its data plate, and its pressure is there.
        said = next(s for s in it.stacks if s.name == stack.name)
        for bag, of in zip(stack.bag, said.bags, strict=True):
            assert of.top_m <= bag.capacity[-1][0] + 1e-9
            assert of.pressure_top_pa <= min(stack.supply, bag.working_pressure) * (1 + 1e-9)


@pytest.mark.parametrize("name", RIGS)
def test_every_drill_rig_without_its_steps_gets_a_plan_that_loads_and_is_enough(name):
    rig, whole = proposed(without_steps(RIGS[name]))
    assert rig.step == []
    holds_together(rig, whole)


@pytest.mark.parametrize("name", RIGS)
@pytest.mark.parametrize("rise", ["60 mm", "3 in"])
def test_it_goes_as_high_as_the_file_asks(name, rise):
    _, whole = proposed(with_raise(without_steps(RIGS[name]), rise))
    asked = 0.06 if rise == "60 mm" else 0.0762
    assert max(point.rise_m for point in plan(whole).capture_points) == pytest.approx(asked, abs=0.001)


def test_one_bag_by_hand():
    # Invented rig, statics and data plate by hand: 40 kN at 1.2 m on a stack at 2.1 m is 22.857 kN, 25.143 kN with a tenth
    # more; at 7.5 bar 335 cm2, and the plate ends at 0.42 m with 475 cm2: the bag's 320 mm, nine tenths of it 288 mm.
    # Four fifths of 12 degrees: 2.1 m * sin(9.6 deg) = 350 mm. Seven tenths of a ring of 150 mm: cos = 1 - 0.105/2.1, 656 mm.
    # Shores: 0.9 - 0.26 = 640 mm at 2.3 m, 584 mm at the stack. The bag is the least: 288 mm in twelve steps of 24 mm.
    rig = parse_rig(without_steps(RIGS["one-bag.toml"]))
    it = propose(rig)
    assert it.rise_m == pytest.approx(0.288)
    assert "supply and bags of stack S1" in it.why
    fills = [step.until.rise for step in it.steps if step.do == "fill"]
    assert fills == pytest.approx([0.024 * k for k in range(1, 13)])


def test_joined_rounded_bags_are_filled_top_first_and_cushions_bottom_first():
    # Common practice, no source; the stack's own key says which form.
    for name, first in (("three-high.toml", "S1-high"), ("cushion-slab.toml", "S1-bottom")):
        it = propose(parse_rig(without_steps(RIGS[name])))
        assert next(step.bag for step in it.steps if step.do == "fill") == first


def test_two_stacks_about_a_hinge_take_turns_each_a_part_of_the_way():
    it = propose(parse_rig(with_raise(without_steps(RIGS["precast-beam.toml"]), "50 mm")))
    fills = [(step.bag, round(step.until.rise * 1e3)) for step in it.steps if step.do == "fill"]
    assert fills == [("L-upper", 12), ("R-upper", 25), ("L-upper", 37), ("R-upper", 50)]
    down = [(step.until.rise, step.until.at, step.bag) for step in it.steps if step.do == "lower"]
    assert down == [(pytest.approx(0.025), "L", None), (0.0, "L", None)]


def test_stacks_of_a_free_lift_go_up_level():
    rig = parse_rig(with_raise(without_steps(RIGS["quarry-block.toml"]), "40 mm"))
    fills = [(step.bag[0], round(step.until.rise * 1e3)) for step in propose(rig).steps if step.do == "fill"]
    assert fills == [(bag, rise) for rise in (10, 20, 30, 40) for bag in "ABC"]


def parted(steps: list) -> float:
    """How far (m) the fill steps of a free lift part two stacks."""
    rises, most = dict.fromkeys("ABC", 0.0), 0.0
    for step in steps:
        if step.do == "fill":
            rises[step.until.at] = step.until.rise
            most = max(most, max(rises.values()) - min(rises.values()))
    return most


@pytest.mark.parametrize("name", ["quarry-block.toml", "block-on-cribs.toml"])
@pytest.mark.parametrize(("apart", "allowed"), [(None, 0.025), ("25 mm", 0.025), ("15 mm", 0.015), ("2 mm", 0.002)])
def test_a_proposal_parts_the_stacks_of_a_free_lift_by_half_of_what_they_may(name, apart, allowed):
    document = copy.deepcopy(BARE[name])
    document["load"]["raise"] = "50 mm"
    document["limits"] |= {} if apart is None else {"apart": apart}
    rig = Rig.model_validate(document)
    it = propose(rig)
    assert it.why_not == ""
    assert 0.0 < parted(it.steps) <= allowed / 2.0 + 1e-9
    assert planned(rig.model_copy(update={"step": list(it.steps)})).apart_m == pytest.approx(allowed)


def test_stacks_that_may_part_by_less_than_a_tape_tells_are_said():
    document = copy.deepcopy(BARE["quarry-block.toml"])
    document["limits"]["apart"] = "1.9 mm"
    assert "may part by 1.9 mm (limits.apart), less than two turns of 1 mm, and none is proposed shorter" in refused(
        document
    )


def refused(document: dict) -> str:
    rig = Rig.model_validate(document)
    it = propose(rig)
    assert it.steps == ()
    assert it.rise_m is None
    said = sheet(rig, plan(rig), it)
    assert "no plan is proposed" in said
    return it.why_not


def test_what_cannot_be_proposed_is_said():
    bare = tomllib.loads(without_steps(RIGS["yard-panel.toml"]))
    document = copy.deepcopy(bare)
    del document["load"]["weight"]
    assert "not determined: the file gives no weight" in refused(document)
    document = copy.deepcopy(bare)
    document["load"]["centre_of_gravity"] = ["-1 m", "0 m", "0.1 m"]
    assert "beyond the hinge" in refused(document)
    document = copy.deepcopy(bare)
    document["stack"][0]["supply"] = "2 bar"
    assert "S1 cannot lift its share" in refused(document)
    document = copy.deepcopy(bare)
    document["limits"]["capture_every"] = "1e-4 mm"
    assert "too many steps" in refused(document)
    document = tomllib.loads(without_steps(RIGS["quarry-block.toml"]))
    document["load"]["centre_of_gravity"] = ["2.9 m", "0.9 m", "0.5 m"]
    assert "do not stand on every side" in refused(document)


def test_a_rise_that_is_out_of_reach_is_said_and_not_planned():
    rig = parse_rig(with_raise(without_steps(RIGS["one-bag.toml"]), "0.5 m"))
    it = propose(rig)
    assert it.rise_m == pytest.approx(0.288)
    assert "500 mm, which is NOT REACHED" in it.why


def test_the_command_prints_steps_to_paste(tmp_path):
    path = tmp_path / "bare.toml"
    path.write_text(without_steps(RIGS["one-bag.toml"]), encoding="utf-8")
    out, err = io.StringIO(), io.StringIO()
    assert print_proposal(str(path), out, err) == 0
    assert "supply and bags" in err.getvalue().lower()
    with path.open("a", encoding="utf-8") as file:
        file.write(out.getvalue())
    out = io.StringIO()
    assert check(str(path), True, out, err) == 0
    said = json.loads(out.getvalue())
    assert said["plan"]["proposed"] is None
    assert said["plan"]["stacks"][0]["enough"] is True


def test_the_command_proposes_nothing_beside_steps_that_are_there(tmp_path):
    path = tmp_path / "rig.toml"
    path.write_text(RIGS["one-bag.toml"], encoding="utf-8")
    out, err = io.StringIO(), io.StringIO()
    assert print_proposal(str(path), out, err) == 1
    assert out.getvalue() == ""
    assert "4 steps of its own" in err.getvalue()
    # An empty list of steps cannot be gone on with in TOML: said, not printed.
    path.write_text("step = []\n" + without_steps(RIGS["one-bag.toml"]), encoding="utf-8")
    assert print_proposal(str(path), out, err := io.StringIO()) == 1
    assert out.getvalue() == ""
    assert "[[step]]" in err.getvalue()


def test_the_command_line_keeps_what_excludes_each_other_apart(tmp_path, capsys):
    path = tmp_path / "bare.toml"
    path.write_text(without_steps(RIGS["one-bag.toml"]), encoding="utf-8")
    with pytest.raises(SystemExit) as left:
        main(["check", str(path), "--propose", "--json"])
    assert left.value.code == 2
    assert "not with --json or --html" in capsys.readouterr().err
    assert main(["check", str(path), "--propose"]) == 0
    assert "[[step]]" in capsys.readouterr().out


def test_the_sheet_of_a_file_without_steps_carries_the_proposal(tmp_path):
    path = tmp_path / "bare.toml"
    path.write_text(without_steps(RIGS["three-high.toml"]), encoding="utf-8")
    assert check(str(path), False, out := io.StringIO(), io.StringIO()) == 0
    assert "PROPOSED, the file has none" in out.getvalue()
    assert max(map(len, out.getvalue().splitlines())) <= 80
    out = io.StringIO()
    assert check(str(path), True, out, io.StringIO()) == 0
    it = json.loads(out.getvalue())["plan"]
    assert it["proposed"]["steps"][0] == {
        "do": "fill",
        "bag": "S1-high",
        "until": {"rise": pytest.approx(it["proposed"]["steps"][0]["until"]["rise"]), "at": "S1"},
        "say": "",
    }
    assert len(it["stops"]) == sum(step["do"] in ("fill", "lower") for step in it["proposed"]["steps"])


BARE = {name: tomllib.loads(without_steps(text)) for name, text in RIGS.items()}


def sized(low, high):
    """Numbers that a person could measure, to a millionth: a rig file takes none of 1e-300."""
    return st.floats(low, high).map(lambda number: round(number, 6))


@st.composite
def documents(draw):
    """A rig file's document without steps: one of the drills' rigs with other numbers."""
    document = copy.deepcopy(BARE[draw(st.sampled_from(sorted(RIGS)))])
    load = document["load"]
    load["weight"] = draw(sized(1e3, 1.5e5))
    load["centre_of_gravity"] = [draw(sized(0.2, 4.0)), draw(sized(-0.4, 0.4)), draw(sized(-0.5, 2.0))]
    if draw(st.booleans()):
        load["raise"] = draw(sized(1e-4, 2.0))
    document["rig"]["units"] = draw(st.sampled_from(["metric", "us"]))
    document["limits"] |= {
        "capture_every": draw(st.sampled_from([0.025, 0.0254, 0.0123, 0.1])),
        "tilt": draw(sized(0.01, 1.2)),
        "cross_tilt": draw(sized(0.005, 0.2)),
        "weight_margin": draw(sized(0.0, 0.5)),
    }
    for stack in document["stack"]:
        stack["at"] = [draw(sized(0.3, 6.0)), draw(sized(-1.0, 1.0))]
        stack["supply"] = draw(sized(1e5, 1e6))
        stack["fill_order"] = draw(st.sampled_from(["top-first", "bottom-first"]))
        for bag in stack["bag"]:
            steps = draw(st.lists(st.tuples(sized(0.002, 0.2), sized(0.1, 1.0)), min_size=1, max_size=4))
            flat, force = draw(sized(0.02, 0.15)), draw(sized(2e4, 4e5))
            bag["height_flat"], bag["capacity"] = flat, [[flat, force]]
            for up, share in steps:
                flat, force = flat + up, force * share
                bag["capacity"].append([flat, force])
        stack["height_at_zero"] = sum(bag["height_flat"] for bag in stack["bag"]) + draw(sized(0.001, 0.3))
    return document


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(documents())
def test_whatever_the_rig_the_proposal_loads_and_the_sheet_agrees(document):
    rig = Rig.model_validate(document)
    it = propose(rig)
    assert bool(it.steps) != bool(it.why_not)
    sheet(rig, plan(rig), it)
    if not it.steps:
        return
    steps = tomllib.loads(as_toml(rig, it))["step"]
    holds_together(rig, Rig.model_validate(document | {"step": steps}))


@pytest.mark.parametrize("near", ["L", "R"])
def test_a_stack_near_the_hinge_does_not_part_the_captures(near):
    # Invented: at a tenth of the other's arm a whole millimetre of rise is ten of the other's.
    document = copy.deepcopy(BARE["precast-beam.toml"])
    document["load"] |= {"weight": 1e3, "centre_of_gravity": [1.0, 0.0, 0.0]}
    for stack in document["stack"]:
        stack["at"] = [0.5 if stack["name"] == near else 5.0, 0.0]
    rig = Rig.model_validate(document)
    holds_together(rig, Rig.model_validate(document | {"step": tomllib.loads(as_toml(rig, propose(rig)))["step"]}))


@settings(max_examples=60, deadline=None)
@given(st.text(st.characters(exclude_categories=["Cs", "Z", "Cc"], exclude_characters="/+#"), min_size=1, max_size=24))
def test_names_of_any_kind_come_back_from_the_text(name):
    document = tomllib.loads(without_steps(RIGS["one-bag.toml"]))
    document["stack"][0]["bag"][0]["name"] = name
    try:
        rig = Rig.model_validate(document)
    except ValueError:
        return  # no name
    steps = tomllib.loads(as_toml(rig, propose(rig)))["step"]
    assert steps[0]["bag"] == name


def test_the_faults_of_a_file_come_before_any_proposal(tmp_path):
    path = tmp_path / "bad.toml"
    path.write_text("version = 2\n", encoding="utf-8")
    assert print_proposal(str(path), io.StringIO(), err := io.StringIO()) == 1
    assert "version" in err.getvalue()
    with pytest.raises(RigFaults):
        parse_rig("version = 2\n")


@pytest.mark.parametrize(
    ("name", "rise", "apart"),
    [
        ("precast-beam.toml", "30 mm", None),
        ("quarry-block.toml", "20 mm", None),
        ("quarry-block.toml", "40 mm", "15 mm"),
    ],
)
def test_a_virtual_crew_that_follows_the_proposal_hears_no_alarm(name, rise, apart):
    # Without the steps that only a person ends; nobody is there to press next.
    text = with_raise(without_steps(RIGS[name]), rise)
    rig = parse_rig(text if apart is None else text.replace("[limits]\n", f'[limits]\napart = "{apart}"\n', 1))
    assert apart is None or rig.limits.apart is not None
    sensed = [step for step in propose(rig).steps if step.do not in ("check", "work", "vent")]
    moves = [{"do": "wait", "seconds": "5 s"}, {"do": "plan"}, {"do": "wait", "seconds": "3 s"}]
    scenario = {"name": "proposed", "title": "-", "story": "-", "rig": name.removesuffix(".toml"), "move": moves}
    verdict = play(rig.model_copy(update={"step": sensed}), Scenario.model_validate(scenario))
    said = verdict.as_json()
    assert verdict.alarms == []
    assert [step["ok"] for step in said["steps"]] == [True] * len(sensed)
