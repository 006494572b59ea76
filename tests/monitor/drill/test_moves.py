"""The moves that change the truth, ports that keep bad time, and the rigs that come with the program."""

from __future__ import annotations

import math
import random
from importlib.resources import files

import pytest

from monitor.drill import scenario
from monitor.drill.balance import Hinged
from monitor.drill.physics import Truth
from monitor.drill.scenario import DrillError, Scenario
from monitor.drill.wire import PortClock, VirtualRig
from monitor.rig.load import parse_rig


def rig(name="yard-panel"):
    return parse_rig(files("monitor.drill").joinpath(f"rigs/{name}.toml").read_text(encoding="utf-8"))


RIG = rig()
STACK = RIG.stack[0]


def drill(*moves: dict, **more) -> Scenario:
    return Scenario.model_validate({"name": "x", "title": "x", "story": "x", "move": list(moves), **more})


def played(*moves: dict, **more) -> VirtualRig:
    it = VirtualRig(RIG, drill(*moves, **more))
    while not it.crew.finished:
        it.step()
    return it


UP = {"do": "fill", "bag": "S1-upper", "rise": "50 mm"}


def test_a_slip_goes_its_way_while_the_crew_does_the_next_thing():
    slip = {"do": "slip", "stack": "S1", "by": "40 mm", "toward": [0.0, -2.0]}
    it = played(UP, slip, {"do": "wait", "seconds": 0.2})
    assert it.truth.slips["S1"] == pytest.approx((0.0, -0.04))
    before = played(UP, {"do": "wait", "seconds": 0.2}).truth.lean(STACK)
    assert it.truth.lean(STACK)[1] - before[1] == pytest.approx(-0.04, abs=1e-4)
    steps = VirtualRig(RIG, drill(slip, {"do": "wait", "seconds": 5}))
    for _ in range(5):
        steps.step()
    assert math.hypot(*steps.truth.slips["S1"]) == pytest.approx(0.02), "half of it in half of half a second"


def test_the_hinge_walks_slides_and_is_crushed_as_a_drill_says():
    wait = {"do": "wait", "seconds": 3}
    for do in ("walk", "slide"):
        it = played(UP, {"do": do, "by": "0.3 m", "seconds": 2}, wait)
        assert it.truth.hinge_distance() == pytest.approx(0.3)
    lower = played(UP, {"do": "crush", "by": "12 mm", "seconds": 2}, wait)
    assert lower.truth.rise((0.0, 0.0)) == pytest.approx(-0.012)


def test_a_leak_empties_a_bag_and_is_mended_and_air_cools():
    leak = {"do": "leak", "bag": "S1-upper", "by": 0.3}
    it = played({"do": "stick"}, UP, leak, {"do": "wait", "seconds": 5})
    assert it.truth.rise(STACK.at) < 0.045
    held = played({"do": "stick"}, UP, leak, {"do": "leak", "bag": "S1-upper", "by": 0}, {"do": "wait", "seconds": 5})
    assert held.truth.rise(STACK.at) == pytest.approx(0.050, abs=0.001)
    cold = played(
        {"do": "stick"},
        UP,
        {"do": "cool", "bag": "S1-upper", "by": "0 degC", "seconds": 4},
        {"do": "wait", "seconds": 5},
    )
    assert cold.truth.bags["S1-upper"].temperature == pytest.approx(273.15)
    # One force, so one pressure: the volume goes with the kelvins (Charles), 20 mm of dead space and a nearly even area.
    shrunk = (held.truth.rise(STACK.at) + 0.02) * 273.15 / 293.15 - 0.02
    assert cold.truth.rise(STACK.at) == pytest.approx(shrunk, abs=0.0005)
    pressures = [it.truth.bags["S1-upper"].pressure() for it in (held, cold)]
    assert pressures[0] == pytest.approx(pressures[1], rel=0.03)


def test_a_regulator_gives_what_it_is_set_to_until_it_is_set_back():
    fill = {"do": "fill", "bag": "S1-upper", "pressure": "3 bar", "seconds": 30}
    low = {"do": "regulator", "pressure": "1 bar"}
    assert played(low, fill).truth.bags["S1-upper"].pressure() == pytest.approx(1e5, rel=1e-3), "no more than it gives"
    assert played(low, {"do": "regulator"}, fill).truth.bags["S1-upper"].pressure() > 2e5
    other = VirtualRig(rig("precast-beam"), drill({"do": "regulator", "stack": "R", "pressure": "1 bar"}))
    other.step()
    assert other.truth.supply == {"L": 7.5e5, "R": 1e5}


TALL = rig("tall-machine")


def tipped(*moves: dict) -> VirtualRig:
    it = VirtualRig(TALL, drill(*moves))
    while not it.crew.finished:
        it.step()
        assert it.truth.theta <= math.radians(10.0) + 1e-9 or it.truth.tail is None
    return it


def test_a_tail_line_holds_the_load_until_it_is_cast_off():
    tail, up = {"do": "tail", "by": "10 deg"}, {"do": "fill", "bag": "S1-upper", "rise": "250 mm", "seconds": 90}
    held = tipped(tail, up)
    assert math.degrees(held.truth.theta) == pytest.approx(10.0, abs=1e-6)
    assert math.degrees(tipped(tail, up, {"do": "cast-off"}, {"do": "wait", "seconds": 2}).truth.theta) > 10.5


def test_a_tall_load_creeps_up_to_where_it_goes_over_and_never_jumps_there():
    it, fastest = VirtualRig(TALL, scenario.load("over-centre")), 0.0
    while not it.crew.finished:
        it.step()
        fastest = max(fastest, abs(it.truth.rise_rate((1.05, 0.0))))
    assert 0.95 < it.truth.theta / math.atan2(0.5, 1.2) < 0.99
    assert fastest < 0.012


@pytest.mark.parametrize("moments", ["falls", "falls and rises"])
def test_the_next_angle_of_rest_is_the_one_a_load_comes_to(moments, monkeypatch):
    truth = Truth(TALL)
    rests = {"falls": [0.1], "falls and rises": [0.1, 0.2, 0.3]}[moments]

    def moment(self, theta, shores):
        return -math.prod(theta - at for at in rests) * (1.0 if len(rests) % 2 else -1.0), 0.0

    monkeypatch.setattr(Hinged, "moment", moment)
    assert truth.hinge is not None
    hinged = Hinged(truth.hinge, truth.weight, truth.cg, [], tail=0.35)
    for start, rest in ((0.0, 0.1), (0.15, 0.1), (0.25, rests[-1]), (0.34, rests[-1])):
        assert hinged.solve(start, []) == pytest.approx(rest, abs=1e-6)


def test_a_load_past_its_last_angle_of_rest_hangs_on_the_line(monkeypatch):
    truth = Truth(TALL)
    monkeypatch.setattr(Hinged, "moment", lambda self, theta, shores: (1.0, 0.0))
    assert truth.hinge is not None
    assert Hinged(truth.hinge, truth.weight, truth.cg, [], tail=0.35).solve(0.1, []) == 0.35


def test_the_true_load_may_differ_from_the_plan():
    planned = played(UP).truth
    heavy = played(UP, truth={"weight": "70 kN", "centre_of_gravity": ["2.6 m", "0 m", "0.1 m"]}).truth
    assert (planned.weight, heavy.weight) == (56e3, 70e3)
    # F d + 2 shores of 504 N at 4.6 m = W xg, nearly level (statics)
    assert planned.forces["S1"] == pytest.approx((56e3 * 2.4 - 1008 * 4.6) / 4.2, rel=1e-3)
    assert heavy.forces["S1"] == pytest.approx((70e3 * 2.6 - 1008 * 4.6) / 4.2, rel=1e-3)


@pytest.mark.parametrize(
    ("move", "says"),
    [
        ({"do": "slip", "by": "40 mm"}, "found no stack; 'slip' needs one"),
        ({"do": "slip", "stack": "S2", "by": "40 mm"}, "found 'S2'; this rig has S1"),
        ({"do": "slip", "stack": "S1"}, "by: found None; allowed is a length"),
        ({"do": "slip", "stack": "S1", "by": "1 mm", "toward": [0, 0]}, r"toward: found \[0, 0\]"),
        ({"do": "leak", "by": 0.1}, "found no bag; 'leak' needs one"),
        ({"do": "leak", "bag": "S1-upper", "by": -1}, "by: found -1.0; allowed is 0 or more"),
        ({"do": "cool", "bag": "S1-upper", "by": "3 bar"}, "by: found '3 bar'; allowed is a temperature"),
        ({"do": "walk", "by": "1 kN"}, "by: found '1 kN'; allowed is a length"),
        ({"do": "tail", "by": "1 kN"}, "by: found '1 kN'; allowed is a"),
        ({"do": "regulator", "stack": "S2"}, "found 'S2'; this rig has S1"),
    ],
)
def test_a_move_that_cannot_be_played_is_a_sentence(move, says):
    with pytest.raises(DrillError, match=says):
        VirtualRig(RIG, drill(move))


def test_a_load_without_a_hinge_has_none_to_shift_and_must_rest_on_its_stacks():
    block = rig("quarry-block")
    with pytest.raises(DrillError, match=r"move\[0\].do: found 'crush'; this rig's load has no hinge"):
        VirtualRig(block, drill({"do": "crush", "by": "1 mm"}))
    away = {"centre_of_gravity": ["9 m", "0 m", "0.5 m"]}
    with pytest.raises(DrillError, match="rig 'quarry-block': the load does not rest on its stacks"):
        VirtualRig(block, drill({"do": "wait", "seconds": 1}, truth=away))


def said(clocks, seed=1, seconds=20):
    it = VirtualRig(rig("training-yard"), drill({"do": "wait", "seconds": 60}), seed, clocks)
    out = []
    for k in range(seconds * 20):
        come = it.step()
        assert all(k * 50e6 - 50e6 < one.time_ns <= k * 50e6 for one in come), "within its step"
        out += come
    return out


def test_a_port_with_a_bad_clock_speaks_late_and_in_order():
    late = said({"bench": PortClock(jitter_s=0.02)})
    assert [one.time_ns for one in late] == sorted(one.time_ns for one in late)
    well = [one for one in said({}) if one.port == "bench"]
    bench = [one for one in late if one.port == "bench"]
    assert len(well) - 2 <= len(bench) <= len(well)
    assert [one.data for one in bench] == [one.data for one in well][: len(bench)], "the same words, later"
    delays = [b.time_ns - w.time_ns for b, w in zip(bench, well, strict=False)]
    assert min(delays) >= 0
    # mean of |gauss| is sd sqrt(2/pi) = 16 ms
    assert sum(delays) / len(delays) == pytest.approx(0.02e9 * math.sqrt(2 / math.pi), rel=0.15)
    assert said({"bench": PortClock(jitter_s=0.02)}) == late
    assert said({"bench": PortClock(jitter_s=0.02)}, seed=2) != late


def test_a_port_whose_clock_is_slow_leaves_beats_out():
    slow = said({"mast": PortClock(skew=0.1)})
    assert sum(one.port == "mast" for one in slow) == pytest.approx(400 / 1.1, abs=2)
    assert sum(one.port == "bench" for one in slow) == 400


def test_a_drill_says_itself_which_port_keeps_bad_time():
    bad = [{"port": "mast", "jitter": "20 ms", "skew": 0.1}]
    quiet = [{"do": "wait", "seconds": 60}]
    it = VirtualRig(rig("training-yard"), drill(*quiet, clock=bad))
    own = [one for _ in range(400) for one in it.step()]
    assert own == said({"mast": PortClock(0.02, 0.1)})
    with pytest.raises(DrillError, match=r"clock\[0\].port: found 'mast'; this rig has bench, yard-net"):
        VirtualRig(RIG, drill(*quiet, clock=bad))


def test_what_a_drill_asks_for_is_about_something_of_its_rig():
    for name in scenario.names():
        it = scenario.load(name)
        plan = rig(it.rig)
        there = {"load", "crew", "monitor", "supply", *(bag.name for stack in plan.stack for bag in stack.bag)}
        there |= {one.name for one in [*plan.stack, *plan.shore, *plan.crib, *plan.port, *plan.channel]}
        assert {must.about for must in it.must} <= there, name


def head_path(name: str) -> list[float]:
    it, path = VirtualRig(RIG, scenario.load(name)), []
    while not it.crew.finished:
        it.step()
        path.append(it.truth.lean(STACK)[0])
    return path


def test_a_leaning_stack_leans_slowly_and_a_slipping_one_jumps():
    # What tells the two apart is the pace: 20 steps are a second.
    paces = {
        name: max(abs(b - a) for a, b in zip(path, path[20:], strict=False))
        for name, path in ((name, head_path(name)) for name in ("leaning", "demo", "slipping", "clean"))
    }
    assert paces["clean"] < 0.001
    assert 0.004 < paces["leaning"] < 0.009
    assert paces["demo"] < 0.0095
    assert paces["slipping"] > 0.04


def test_the_drills_of_a_wrong_load_and_a_walking_hinge_do_what_they_say():
    it = VirtualRig(RIG, scenario.load("heavier"))
    assert it.truth.weight == 72e3
    it = VirtualRig(RIG, scenario.load("hinge-walks"))
    lean = 0.0
    while not it.crew.finished:
        it.step()
        lean = max(lean, math.hypot(*it.truth.lean(STACK)))
    assert it.truth.hinge_distance() == pytest.approx(0.5)
    assert lean < 0.005, "the load stays where it is"


@pytest.mark.parametrize("name", ["yard-panel", "precast-beam", "quarry-block"])
def test_whatever_a_crew_does_forces_push_and_agree(name):
    plan = rig(name)
    for seed in range(2):
        rng, truth = random.Random(seed), Truth(plan)
        for k in range(400):
            if k % 20 == 0:
                for bag in truth.bags.values():
                    bag.filling, bag.venting = rng.choice([(1.0, 0.0), (0.0, 1.0), (0.0, 0.0)])
                for shore in truth.shores.values():
                    shore.released, shore.stuck = rng.random() < 0.1, rng.random() < 0.1
                truth.roll_rate = rng.uniform(-0.03, 0.03) if rng.random() < 0.2 else 0.0
                truth.slip(plan.stack[0].name, (rng.uniform(-0.02, 0.02), rng.uniform(-0.02, 0.02)), 0.5)
                if truth.hinge is not None:
                    truth.crush(rng.uniform(0.0, 0.002), 1.0)
                    truth.walk(rng.uniform(-0.03, 0.05), 1.0)
            truth.advance(0.05)
            values = [truth.theta, *truth.forces.values(), *truth.shore_loads.values(), *truth.heights.values()]
            assert all(map(math.isfinite, values))
            assert min(truth.forces.values()) >= 0.0 <= min(truth.shore_loads.values())
            for stack in plan.stack:
                force = truth.forces[stack.name]
                for bag in (truth.bags[it.name] for it in stack.bag):
                    assert bag.flat <= bag.height <= bag.top + 0.002
                    if bag.flat + 1e-6 < bag.height < bag.top and force > 1.0:
                        assert bag.force(bag.height) == pytest.approx(force, rel=1e-3, abs=0.5)
