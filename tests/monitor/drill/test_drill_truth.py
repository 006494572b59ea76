"""What each drill does in truth, whatever an engine makes of it: it does what it says and keeps clear of the other limits."""

from __future__ import annotations

import math
import statistics
from importlib.resources import files

import pytest

from monitor.drill import scenario
from monitor.drill.command import truth_line
from monitor.drill.crew import Crew
from monitor.drill.physics import CONDUCTANCE, P_ATM, Truth, flow
from monitor.drill.scenario import DrillError, Scenario
from monitor.drill.sensors import Sensors
from monitor.drill.wire import VirtualRig
from monitor.rig.load import parse_rig

TEXT = files("monitor.drill").joinpath("rigs/yard-panel.toml").read_text(encoding="utf-8")
RIG = parse_rig(TEXT)
STACK = RIG.stack[0]


def test_the_leaning_load_is_walked_down_with_its_shores():
    it = VirtualRig(RIG, scenario.load("leaning"))
    while not it.crew.phase.startswith("vent"):
        it.step()
    high = it.truth.rise(STACK.at)
    while not it.crew.finished:
        it.step()
        assert max(map(it.truth.gap, it.truth.shores)) <= 0.001 + 1e-6
    assert it.truth.rise(STACK.at) < high - 0.010
    assert math.hypot(*it.truth.lean(STACK)) < 0.010
    assert not any(shore.released for shore in it.truth.shores.values()), "everything locks at the end"


def test_air_that_flows_in_is_the_air_that_is_there():
    truth, inside = Truth(RIG), 0.0
    bag = truth.bags["S1-upper"]
    begun, bag.filling = bag.air, 1.0
    for _ in range(160):
        inside += 0.05 * flow(CONDUCTANCE, STACK.supply + P_ATM, bag.pressure() + P_ATM)
        truth.advance(0.05)
    assert truth.rise(STACK.at) > 0.01
    assert bag.air - begun == pytest.approx(inside, rel=1e-12)
    assert (bag.pressure() + P_ATM) * bag.volume(bag.height) == pytest.approx(bag.air, rel=1e-12)  # Boyle
    assert truth.bags["S1-lower"].air == P_ATM * truth.bags["S1-lower"].volume(0.12)


def test_both_bags_carry_one_force_and_their_heights_fill_the_room():
    it = VirtualRig(RIG, scenario.load("clean"))
    while it.truth.rise(STACK.at) < 0.12:
        it.step()
    lower, upper = it.truth.bags["S1-lower"], it.truth.bags["S1-upper"]
    assert lower.force(lower.height) == pytest.approx(upper.force(upper.height), rel=1e-5)
    assert lower.height + upper.height - 0.24 == pytest.approx(it.truth.rise(STACK.at), abs=1e-6)
    line = truth_line(RIG, it)
    assert line["force_n"]["S1"] == pytest.approx(upper.force(upper.height), rel=1e-5)
    before = it.truth.rise(STACK.at)
    it.step()
    # the truth's rate is the slope of its rise; chord against tangent differ by a thousandth at these angles
    assert truth_line(RIG, it)["rate_m_s"] == pytest.approx((it.truth.rise(STACK.at) - before) / 0.05, rel=0.002)
    assert 0.003 < truth_line(RIG, it)["rate_m_s"] < 0.009


def test_lean_by_arcs_matches_the_closed_form_of_a_bent_axis():
    # A vertical axis whose tilt goes evenly from a to b over a height h: the head is off by h ln(cos b / cos a) / (b - a).
    truth = Truth(RIG)
    truth.theta, truth.roll = 0.06, -0.2
    (a, _), (b, _), (c, _) = truth.plates(STACK)
    closed = sum(0.12 * math.log(math.cos(q) / math.cos(p)) / (q - p) for p, q in ((a, b), (b, c)))
    assert truth.tilt_lean(STACK)[0] == pytest.approx(closed, rel=1e-9)
    assert truth.lean(STACK)[0] > 0.0, "the middle plate's +x side is down: the stack leans to +x"


def test_a_shore_on_the_hinge_and_a_stack_that_cannot_lift_end_like_any_other():
    text = TEXT.replace('at = ["4.6 m", "1.0 m"]', 'at = ["0 m", "1.0 m"]', 1).replace("56 kN", "900 kN")
    it = VirtualRig(parse_rig(text), scenario.load("clean"))
    while not it.crew.finished and it.time_ns < 3000e9:
        it.step()
    assert it.crew.finished, "the crew gives up"
    assert it.truth.rise(STACK.at) == 0.0
    assert it.truth.force == pytest.approx(max(b.force(0.12) for b in it.truth.bags.values()))


def drill(*moves: dict) -> Scenario:
    return Scenario.model_validate({"name": "x", "title": "x", "story": "x", "move": list(moves)})


def readings(count: int, *moves: dict, channel: str = "H1") -> list[float | None]:
    truth, sensors = Truth(RIG), Sensors(RIG, seed=7)
    crew = Crew(RIG, drill(*moves, {"do": "wait", "seconds": count * 0.05 + 1}), truth, sensors)
    said = []
    for _ in range(count):
        crew.act()
        said.append(sensors.read(sensors.channels[channel], truth))
        truth.advance(0.05)
    return said


def test_each_way_a_sensor_fails():
    well = readings(200)
    assert readings(200, {"do": "silence", "channel": "H1"}) == [None] * 200
    frozen = readings(200, {"do": "freeze", "channel": "H1"})
    assert frozen == [well[0]] * 200, "bit-identical"
    biased = readings(200, {"do": "bias", "channel": "H1", "by": "30 mm"})
    assert [b - w for b, w in zip(biased, well, strict=True)] == pytest.approx([0.03] * 200)
    drifting = readings(200, {"do": "drift", "channel": "H1", "by": "2 mm"})
    assert [d - w for d, w in zip(drifting, well, strict=True)] == pytest.approx([0.002 * 0.05 * i for i in range(200)])
    spiked = readings(200, {"do": "spike", "channel": "H1", "by": "-50 mm"})
    assert spiked[0] == pytest.approx(well[0] - 0.05)
    assert spiked[1:] == well[1:]
    noisy = readings(200, {"do": "noisy", "channel": "H1", "by": 8})
    assert statistics.stdev(noisy) == pytest.approx(8 * statistics.stdev(well))
    mended = readings(200, {"do": "freeze", "channel": "H1"}, {"do": "restore", "channel": "H1"})
    assert mended == well


def test_one_fault_leaves_every_other_channel_as_it_was():
    # The noise is drawn even for what says nothing, so two drills differ in the fault alone.
    def others(it: Scenario) -> list[float]:
        truth, sensors = Truth(RIG), Sensors(RIG, seed=3)
        crew, said = Crew(RIG, it, truth, sensors), []
        for _ in range(40):
            crew.act()
            for channel in RIG.channel:
                value = sensors.read(channel, truth)
                said += [value] if channel.name != "H1" else []
        return said

    wait = {"do": "wait", "seconds": 9}
    assert others(drill({"do": "silence", "channel": "H1"}, wait)) == others(drill(wait))


def test_a_fill_and_a_vent_may_stop_at_a_pressure():
    it = VirtualRig(RIG, drill({"do": "fill", "bag": "S1-lower", "pressure": "1.5 bar"}))
    while not it.crew.finished:
        it.step()
    assert it.truth.bags["S1-lower"].pressure() == pytest.approx(1.5e5, rel=0.15)
    plan = TEXT.replace('until = { rise = "60 mm", at = "S1" }', 'until = { pressure = "1 bar" }', 1)
    it = VirtualRig(parse_rig(plan), drill({"do": "plan", "steps": [1]}))
    while not it.crew.finished:
        it.step()
    assert it.truth.bags["S1-upper"].pressure() == pytest.approx(1e5, rel=0.2)
    assert it.truth.rise(STACK.at) == 0.0


@pytest.mark.parametrize(
    ("move", "says"),
    [
        ({"do": "plan", "steps": [7]}, r"move\[0\].steps: found 7; this rig's plan has 6 steps"),
        ({"do": "plan", "steps": [0]}, "found 0"),
        ({"do": "wait"}, "'wait' needs a stop"),
        ({"do": "fill", "seconds": 1}, "found no bag; 'fill' needs one"),
        ({"do": "fill", "bag": "S1-upper"}, "'fill' needs a stop"),
        ({"do": "freeze"}, "found no channel; 'freeze' needs one"),
        ({"do": "bias", "channel": "H1", "by": "3 bar"}, r"move\[0\].by: found '3 bar'; allowed is a length"),
        ({"do": "drift", "channel": "H1"}, "by: found None"),
        ({"do": "freeze", "channel": "H9"}, "found 'H9'; this rig has S1-lower-p"),
    ],
)
def test_a_move_that_cannot_be_played_is_a_sentence_before_the_drill_begins(move, says):
    with pytest.raises(DrillError, match=says):
        VirtualRig(RIG, drill(move))
