"""What looks ahead, each alone on scenes made by hand: share, words, evidence, and where it cannot say. All invented."""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.engine import ahead as ahead_rules
from monitor.engine.conditions import Measured, Scene, Suppressed, Unknown
from monitor.engine.engine import Engine
from monitor.engine.estimate import PoseEstimate
from monitor.engine.mounts import Level
from monitor.engine.picture import NowPicture, SensorPicture, SensorStatus, ZeroPicture
from monitor.engine.planned import planned
from monitor.rig.air import P_ATM, bag_volume, free_air
from monitor.rig.capacity import AreaTable
from monitor.rig.schema import Rig, Step, Supply
from replay.entries import Tick

from .listened import Listened

ahead = Listened(ahead_rules)
HIGH, LOW = "S1-upper", "S1-lower"
GAUGES = ("S1-lower-p", "S1-upper-p")


@pytest.fixture
def scene(rig: Rig) -> Scene:
    """In the first step, 60 mm to come and 150 after it; the bags' values are unknown."""
    engine = Engine(rig)
    scene = engine._scene(engine.tick(Tick(0)), None, 0)
    return in_step(replace(scene, picture=replace(scene.picture, zero=ZeroPicture(1, ready=False, why_not=""))), 1)


def in_step(scene: Scene, number: int | None) -> Scene:
    now = None if number is None else NowPicture(number, 0.5, "", done=False)
    step = None if number is None else scene.rig.step[number - 1]
    return replace(scene, picture=replace(scene.picture, step=now), step=step)


def pose(rate: float = 0.0, sd: float = 0.0) -> PoseEstimate:
    p = [[sd * sd if i == j == 3 else 0.0 for j in range(6)] for i in range(6)]
    return PoseEstimate((0.0, 0.0, 0.0, rate, 0.0, 0.0), p, Level(0.0, 0.0))


def stack(scene: Scene, **values) -> Scene:
    first, *others = scene.picture.stacks
    return replace(scene, picture=replace(scene.picture, stacks=(replace(first, **values), *others)))


def bag(scene: Scene, name: str, **values) -> Scene:
    bags = scene.picture.stacks[0].bags
    return stack(scene, bags=tuple(replace(it, **values) if it.name == name else it for it in bags))


def us(scene: Scene) -> Scene:
    return replace(scene, rig=scene.rig.model_copy(update={"rig": scene.rig.rig.model_copy(update={"units": "us"})}))


# The rise still planned: 60 mm in the first step, 150 mm in the third.


@pytest.mark.parametrize(("number", "rise"), [(None, None), (1, 0.15), (3, 0.15), (4, None)])
def test_the_greatest_rise_that_steps_to_come_plan(scene, number, rise):
    assert ahead.rise_to_come(in_step(scene, number), scene.rig.stack[0]) == rise


def test_a_rise_without_a_place_is_that_of_the_first_stack(scene):
    first = scene.rig.stack[0]
    second = first.model_copy(update={"name": "S2"})
    steps = [
        Step(do="fill", until={"rise": "40 mm"}),
        Step(do="fill", until={"rise": "90 mm", "at": "S2"}),
        Step(do="fill", until={"pressure": "9 bar"}),
        Step(do="fill"),
        Step(do="lower", until={"rise": "300 mm"}),
    ]
    two = in_step(replace(scene, rig=scene.rig.model_copy(update={"stack": [first, second], "step": steps})), 1)
    assert (ahead.rise_to_come(two, first), ahead.rise_to_come(two, second)) == (0.04, 0.09)


@pytest.mark.parametrize(
    ("at", "rise", "share"),
    [(0.15, 0.06, 2.0), (0.1501, 0.06, 0.5), (None, 0.06, 0.0), (0.10, 0.15, 0.0), (0.10, 0.149, 2.0)],
)
def test_lean_ahead(scene, at, rise, share):
    it = ahead.lean_ahead(stack(scene, lean_m=0.03, rise_m=rise, lean_at_rise_m=at), "S1")
    assert it.share == share
    assert it.evidence == {"at_rise_m": at, "planned_m": 0.15}
    assert it.what == (f"out at {1e3 * at:.0f} mm of 150 mm planned" if share else "")


def test_lean_ahead_looks_as_far_as_the_bags_go_where_no_rise_is_planned(scene):
    it = ahead.lean_ahead(in_step(stack(scene, lean_m=0.03, rise_m=0.1, lean_at_rise_m=0.5), None), "S1")
    assert it.evidence["planned_m"] == pytest.approx(0.8)  # twice from 0.12 to 0.52 m
    assert it.share == 2.0


@pytest.mark.parametrize("unknown", ["lean_m", "rise_m"])
def test_lean_ahead_unknown(scene, unknown):
    values = {"lean_m": 0.03, "rise_m": 0.06} | {unknown: None}
    blind = stack(replace(scene, lean_missing={"S1": ("S1-mid-x",)}), **values)
    assert ahead.lean_ahead(blind, "S1") == Unknown("lean not known", ("S1-mid-x",))
    assert ahead.lean_ahead(replace(blind, lean_missing={"S1": ()}), "S1") == scene.no_pose()


def test_reach(scene):
    # Flat 0.24 m and 0.15 m to come.
    it = ahead.reach(stack(scene, reach_m=0.5), "S1")
    assert it.share == pytest.approx(0.78)
    assert it.what == "lifts to 500 mm, 390 mm planned"
    assert it.evidence == {"reach_m": 0.5, "limit_m": pytest.approx(0.39)}
    assert ahead.reach(in_step(stack(scene, reach_m=0.5), None), "S1") is None
    for rise in (None, 0.0, 0.0059):
        assert ahead.reach(stack(scene, rise_m=rise), "S1") is None
    for rise in (0.006, 0.1):  # six millimetres, met exactly
        assert ahead.reach(stack(scene, rise_m=rise), "S1") == Unknown("force of S1 not known", GAUGES)


# Two and three stacks: the hinge is along y at x = 0.


def stacks(scene: Scene, *at: float | None, hinged: bool = True, **rises: float | None) -> Scene:
    first = scene.rig.stack[0]
    every = [first.model_copy(update={"name": f"S{k}", "at": (x, 0.0)}) for k, x in enumerate(at, 1)]
    load = scene.rig.load if hinged else scene.rig.load.model_copy(update={"hinge": None})
    shown = scene.picture.stacks[0]
    seen = tuple(replace(shown, name=it.name, at=it.at, rise_m=rises.get(it.name)) for it in every)
    rig = scene.rig.model_copy(update={"stack": every, "load": load})
    plan = replace(scene.planned, ratios=planned(rig).ratios)
    return replace(scene, rig=rig, planned=plan, picture=replace(scene.picture, stacks=seen), pose=pose())


def test_one_stack_parts_from_none(scene):
    assert ahead.uneven(stacks(scene, 4.0, S1=0.1), "load") is None
    assert ahead.uneven(replace(stacks(scene, 4.0, 2.0), pose=None), "load") == scene.no_pose()


def test_stacks_of_a_free_load_part_by_their_rises(scene):
    it = ahead.uneven(stacks(scene, 4.0, 2.0, 1.0, hinged=False, S1=0.06, S2=0.05, S3=None), "load")
    assert it.share == pytest.approx(0.06 / 0.025)
    assert it.what == "60 mm apart, 25 mm allowed"
    assert it.evidence == {"apart_m": pytest.approx(0.06), "limit_m": 0.025, "between": "S1 S3"}


@pytest.mark.parametrize("order", [(4.0, 1.0), (1.0, 4.0)])
def test_stacks_about_a_hinge_rise_as_their_arms(scene, order):
    near, far = ("S2", "S1") if order[0] == 4.0 else ("S1", "S2")
    assert ahead.uneven(stacks(scene, *order, **{far: 0.08, near: 0.02}), "load").share == pytest.approx(0.0)
    it = ahead.uneven(stacks(scene, *order, **{far: 0.08, near: 0.05}), "load")
    assert it.evidence["apart_m"] == pytest.approx(0.03)  # a quarter of the arm, a quarter of the rise: 20 mm


def test_stacks_on_the_hinge_part_by_their_rises(scene):
    assert ahead.uneven(stacks(scene, 0.0, 0.0, S1=0.03, S2=0.01), "load").evidence["apart_m"] == pytest.approx(0.02)


# No lift: the example's upper bag, flat at 0.12 m: 96 kN at 8 bar, so 0.12 m^2.

FORCE = 36e3
"""3 bar on 0.12 m^2: the limit is 1.15 times that, 3.45 bar."""


def filled(scene: Scene, pressure: float = 4e5, rate: float = 2e4, rise: float | None = 0.05, **more) -> Scene:
    more = {"force_n": FORCE} | more
    it = bag(scene, HIGH, pressure_pa=pressure, rate_pa_s=rate, height_m=0.12, supply_pa=7.5e5)
    return replace(stack(it, rise_m=rise, **more), pose=pose(), step=None)


def test_no_lift(scene):
    it = ahead.no_lift(filled(scene), HIGH)
    assert it.share == pytest.approx(4.0 / 3.45)
    assert it.what == "4.00 bar, no rise"
    assert it.evidence == {"pressure_pa": 4e5, "limit_pa": pytest.approx(3.45e5), "rate_m_s": 0.0, "named": None}


@pytest.mark.parametrize(("pressure", "rate"), [(None, 1.0), (4e5, None)])
def test_no_lift_without_a_gauge(scene, pressure, rate):
    it = filled(scene, pressure, rate)
    assert ahead.no_lift(it, HIGH) == Unknown(f"pressure in {HIGH} not known", ("S1-upper-p",))
    assert ahead.no_lift(replace(filled(scene), pose=None), HIGH) == scene.no_pose()


@pytest.mark.parametrize(
    ("rate", "sd", "still"),
    [(0.00049, 0.0, True), (0.0005, 0.0, False), (0.0034, 0.001, True), (0.0036, 0.001, False), (-0.01, 0.0, True)],
)
def test_a_stack_that_follows_its_bag_is_lifted(scene, rate, sd, still):
    it = ahead.no_lift(replace(filled(scene), pose=pose(rate, sd)), HIGH)
    assert (it.share > 1.0) is still
    assert it.evidence["rate_m_s"] == rate


@pytest.mark.parametrize(
    ("pressure", "rate", "rise", "stuck"),
    [
        (4e5, 5_000.0, 0.05, False),  # 0.05 bar/s, met exactly: it takes no air
        (4e5, 5_001.0, 0.05, True),
        (7.2e5, 0.0, 0.05, False),  # full, and the load is up: it need not rise
        (7.2e5, 0.0, 0.0059, True),  # full, and the load never came up
        (7.2e5, 0.0, 0.006, False),
        (7.125e5, 0.0, 0.0, True),  # 0.95 of the supply, met exactly
        (7.12e5, 0.0, 0.0, False),
        (7.2e5, 0.0, None, False),
    ],
)
def test_a_bag_is_stuck_where_it_takes_air_or_has_all_of_it(scene, pressure, rate, rise, stuck):
    assert (ahead.no_lift(filled(scene, pressure, rate, rise), HIGH).share > 0.0) is stuck


def test_what_a_bag_needs_where_its_force_is_not_measured_is_planned(scene):
    # By the plan with its tenth of margin: 1.15 * 1.1 * 24 kN / 0.12 m^2 = 2.53 bar.
    planned = replace(scene, planned=replace(scene.planned, forces={"S1": 24e3}))
    for more in ({"force_n": None}, {"rise": 0.0}):  # what flat bags push with says nothing of the load
        assert ahead.no_lift(filled(planned, **more), HIGH).evidence["limit_pa"] == pytest.approx(2.53e5)
    for forces in ({}, {"S1": 0.0}):
        bare = replace(scene, planned=replace(scene.planned, forces=forces))
        assert ahead.no_lift(filled(bare, force_n=None), HIGH).evidence["limit_pa"] == pytest.approx(0.95 * 7.5e5)
    heavy = filled(scene, force_n=95e3)  # needs more than the supply gives
    assert ahead.no_lift(heavy, HIGH).evidence["limit_pa"] == pytest.approx(0.95 * 7.5e5)


def test_a_bag_without_a_height_counts_as_flat(scene):
    flat = bag(filled(scene), HIGH, height_m=None)
    assert ahead.no_lift(flat, HIGH).evidence["limit_pa"] == pytest.approx(3.45e5)
    high = bag(filled(scene), HIGH, height_m=0.40)  # 84 kN at 8 bar: 0.105 m^2
    assert ahead.no_lift(high, HIGH).evidence["limit_pa"] == pytest.approx(1.15 * FORCE / 0.105)


def test_a_bag_goes_by_its_own_stack_and_its_own_plate(scene):
    low, high = scene.rig.stack[0].bag
    twice = [(height, 2.0 * force) for height, force in low.capacity]
    plates = [low.model_copy(update={"name": "B"}), high.model_copy(update={"name": "C", "capacity": twice})]
    first = scene.rig.stack[0]
    every = [first, first.model_copy(update={"name": "S2", "bag": plates})]
    rig = scene.rig.model_copy(update={"stack": every})
    it = filled(replace(scene, rig=rig, planned=replace(scene.planned, tables=planned(rig).tables)))
    shown = it.picture.stacks[0]
    full = shown.bags[1]
    other = replace(shown, name="S2", force_n=FORCE / 2.0, bags=(replace(full, name="B"), replace(full, name="C")))
    it = replace(it, picture=replace(it.picture, stacks=(shown, other)))
    limits = [ahead.no_lift(it, name).evidence["limit_pa"] for name in (HIGH, "B", "C")]
    assert limits == [pytest.approx(3.45e5), pytest.approx(3.45e5 / 2.0), pytest.approx(3.45e5 / 4.0)]


@pytest.mark.parametrize(
    ("step", "named", "said"),
    [
        (Step(do="fill", bag=HIGH), HIGH, ""),
        (Step(do="fill", bag=LOW), LOW, f", not {LOW}"),
        (Step(do="fill"), None, ""),
        (Step(do="lower", bag=LOW), None, ""),
    ],
)
def test_the_bag_that_was_to_be_filled_is_named(scene, step, named, said):
    it = ahead.no_lift(replace(filled(scene), step=step), HIGH)
    assert (it.what, it.evidence["named"]) == (f"4.00 bar{said}, no rise", named)


# Sinking.


def test_sinking(scene):
    up = stack(scene, rise_m=0.1)
    assert ahead.sinking(up, "S1") == Measured(0.0, "", {})
    it = ahead.sinking(stack(up, sink_m_s=1e-4), "S1")
    assert (it.share, it.what) == (pytest.approx(2.0), "sinks 6 mm a minute")
    assert it.evidence == {"sink_m_s": 1e-4, "limit_m_s": 5e-5}
    assert ahead.sinking(stack(up, sink_m_s=1e-5), "S1").share == 1.2
    leaking = bag(bag(up, HIGH, loss_pa_s=5.0), LOW, loss_pa_s=25.0)
    it = ahead.sinking(leaking, "S1")
    assert (it.share, it.what) == (pytest.approx(2.5), f"{LOW} loses 0.01 bar a minute")
    assert it.evidence == {"bag": LOW, "loss_pa_s": 25.0, "limit_pa_s": 10.0}
    assert ahead.sinking(bag(up, HIGH, loss_pa_s=5.0), "S1").share == 1.2
    assert ahead.sinking(stack(leaking, sink_m_s=1e-4), "S1").what == "sinks 6 mm a minute"


def test_sinking_is_not_said_where_it_is_meant_or_nothing_is_up(scene):
    sunk = stack(scene, rise_m=0.1, sink_m_s=1e-4)
    for do in ("lower", "vent"):
        assert ahead.sinking(replace(sunk, step=Step(do=do)), "S1") == Suppressed("the step lets it down")
    for step in (None, Step(do="hold"), Step(do="fill")):
        assert ahead.sinking(replace(sunk, step=step), "S1").share > 1.0
    assert ahead.sinking(stack(sunk, rise_m=None), "S1") == scene.no_pose()
    assert ahead.sinking(stack(sunk, rise_m=0.0059), "S1") == Measured(0.0, "down", {"rise_m": 0.0059})
    assert ahead.sinking(stack(sunk, rise_m=0.006), "S1").share > 1.0


# Air carried: a bottle of 9 litres, filled to 300 bar; the regulator is set to 7.5 bar.


def bottles(scene: Scene, *values: float | None, status=SensorStatus.OK, **more) -> Scene:
    one = {"volume": 9e-3, "filled": 300e5} | more
    names = [f"c{k}-p" for k in range(len(values))]
    supply = [Supply.model_construct(**{"free_air": None} | one, name=n, pressure=n) for n in names]
    seen = tuple(SensorPicture(n, "pressure", "p", status, 0.0, value) for n, value in zip(names, values, strict=True))
    rig = scene.rig.model_copy(update={"supply": supply})
    return replace(scene, rig=rig, picture=replace(scene.picture, sensors=seen))


def left(scene: Scene) -> float:
    return ahead.air_short(scene, "supply").evidence["left_m3"]


def test_air_left_is_what_is_above_the_regulator(scene):
    assert left(bottles(scene, 107.5e5)) == pytest.approx(9e-3 * 100e5 / P_ATM)
    assert left(bottles(scene, 107.5e5, 57.5e5)) == pytest.approx(9e-3 * 150e5 / P_ATM)
    assert left(bottles(scene, 200e5)) == pytest.approx(9e-3 * 192.5e5 / P_ATM)
    assert left(bottles(scene, 207.5e5)) == pytest.approx(0.9 * 9e-3 * 200e5 / P_ATM)  # real air
    by_air = bottles(scene, 107.5e5, volume=None, free_air=2.4)
    assert left(by_air) == pytest.approx(2.4 / 300e5 * 100e5)
    assert left(bottles(scene, 107.5e5, status=SensorStatus.CHECK)) > 0.0


def test_no_air_left(scene):
    it = ahead.air_short(bottles(scene, 5e5, 7.5e5), "supply")
    assert (it.share, it.evidence["left_m3"]) == (9.0, 0.0)
    assert ahead.air_short(bottles(scene, 7.51e5), "supply").share == 9.0


def test_air_is_not_judged_without_gauges_or_outside_the_plan(scene):
    assert ahead.air_short(scene, "supply") is None
    it = bottles(scene, 107.5e5)
    assert ahead.air_short(in_step(it, None), "supply") is None
    assert ahead.air_short(replace(it, step=None), "supply") is None
    assert ahead.air_short(replace(it, picture=replace(it.picture, step=None)), "supply") is None
    assert "left_m3" in ahead.air_short(in_step(it, 3), "supply").evidence  # the last that fills
    assert ahead.air_short(in_step(it, 4), "supply") == Measured(0.0, "nothing more to fill", {})


@pytest.mark.parametrize(("value", "status"), [(None, SensorStatus.OK), (1e7, SensorStatus.STALE)])
def test_air_left_is_not_known_while_a_gauge_is_silent(scene, value, status):
    said = Unknown("air left not known without c0-p", ("c0-p", "c1-p"))
    assert ahead.air_short(bottles(scene, value, value, status=status), "supply") == said


def test_air_needed(scene):
    plate = scene.rig.stack[0].bag[0]
    tops, force = {LOW: 0.21, HIGH: 0.18}, 30e3
    planned = replace(scene.planned, tops=tops, shore_rises={"N1": 0.16, "N2": 0.05})
    it = bottles(replace(scene, planned=planned), 107.5e5)
    it = bag(stack(it, force_n=force), LOW, height_m=0.15, pressure_pa=2.5e5)
    shores = tuple(replace(s, extension_m=grown) for s, grown in zip(it.picture.shores, (0.06, None), strict=True))
    it = replace(it, picture=replace(it.picture, shores=shores))
    low = free_air(bag_volume(plate, 0.21), force / AreaTable(plate).area(0.21)) - free_air(
        bag_volume(plate, 0.15), 2.5e5
    )
    high = free_air(bag_volume(plate, 0.18), force / AreaTable(plate).area(0.18)) - free_air(0.0, 0.0)
    follow = free_air(28e-4 * 0.10, 1.8e5) + free_air(28e-4 * 0.05, 1.8e5)
    seen = ahead.air_short(it, "supply")
    need = low + high + follow
    assert seen.evidence == {"left_m3": pytest.approx(9e-3 * 100e5 / P_ATM), "limit_m3": pytest.approx(need)}
    assert seen.share == pytest.approx(need * P_ATM / (9e-3 * 100e5))
    assert seen.what == f"888 L left, {need * 1e3:.0f} L needed"
    # A bag that holds more already, and a shore that is out farther, give none back.
    full = bag(it, LOW, height_m=0.5, pressure_pa=8e5)
    assert ahead.air_short(full, "supply").evidence["limit_m3"] == pytest.approx(high + follow)
    out = replace(it.picture, shores=tuple(replace(s, extension_m=0.9) for s in it.picture.shores))
    assert ahead.air_short(replace(it, picture=out), "supply").evidence["limit_m3"] == pytest.approx(low + high)
    # Nor does one that the plan leaves flat need any.
    flat = replace(it, planned=replace(planned, tops=tops | {HIGH: plate.height_flat}))
    assert ahead.air_short(flat, "supply").evidence["limit_m3"] == pytest.approx(low + follow)
    # What a stack carries is the plan's word where none is measured.
    bare = stack(it, force_n=None)
    by_plan = replace(bare, planned=replace(planned, forces={"S1": force}))
    assert ahead.air_short(by_plan, "supply").evidence["limit_m3"] == pytest.approx(need)
    unknown = replace(bare, planned=replace(planned, forces={}))
    said = Unknown("air still needed not known: what the stacks carry is not known")
    assert ahead.air_short(unknown, "supply") == said
    resting = replace(unknown, planned=replace(unknown.planned, tops=dict.fromkeys(tops, 0.0)))
    assert ahead.air_short(resting, "supply").evidence["limit_m3"] == pytest.approx(follow)


def test_words_are_in_the_units_of_the_rig(scene):
    assert ahead.reach(us(stack(scene, reach_m=0.508)), "S1").what.startswith("lifts to 1 ft 8 in, ")
    assert ahead.no_lift(us(filled(scene)), HIGH).what == "58 psi, no rise"
    assert ahead.sinking(us(stack(scene, rise_m=0.1, sink_m_s=0.0254 / 60.0)), "S1").what == "sinks 1 in a minute"
    leaking = us(bag(stack(scene, rise_m=0.1), LOW, loss_pa_s=6894.76 / 60.0))
    assert ahead.sinking(leaking, "S1").what == f"{LOW} loses 1 psi a minute"
    assert ahead.air_short(us(bottles(scene, 107.5e5)), "supply").what.startswith("31.4 ft³ left, ")
    leaning = us(stack(scene, lean_m=0.03, rise_m=0.06, lean_at_rise_m=0.127))
    assert ahead.lean_ahead(leaning, "S1").what.startswith("out at 5 in of ")
    assert ahead.uneven(us(stacks(scene, 4.0, 2.0, hinged=False, S1=0.0508)), "load").what == "2 in apart, 1 in allowed"
