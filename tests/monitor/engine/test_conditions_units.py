"""Each condition alone, on scenes made by hand: its share, its words, its evidence, and where it cannot say. All invented.

Limits are met exactly where a number can meet them: the rows of the table sound *above* theirs.
"""

from __future__ import annotations

from dataclasses import replace
from math import asin, radians, sin

import pytest

from monitor.engine import conditions, turning
from monitor.engine.alone import Moved
from monitor.engine.conditions import Measured, Scene, Unknown
from monitor.engine.engine import Engine
from monitor.engine.estimate import PoseEstimate
from monitor.engine.mounts import Level
from monitor.engine.picture import NowPicture, ZeroPicture
from monitor.rig.schema import Rig, Step
from replay.entries import Tick

from .listened import Listened

see = Listened(conditions)
HIGH, LOW = "S1-upper", "S1-lower"
FILL, LOWER, VENT = Step(do="fill", bag=HIGH), Step(do="lower", bag=HIGH), Step(do="vent", bag=HIGH)


@pytest.fixture
def scene(rig: Rig) -> Scene:
    """Before anything was read: every value is unknown."""
    engine = Engine(rig)
    return engine._scene(engine.tick(Tick(0)), None, 0)


def with_rig(scene: Scene, document: dict) -> Scene:
    return replace(scene, rig=Rig.model_validate(document))


def load(scene: Scene, **values) -> Scene:
    return replace(scene, picture=replace(scene.picture, load=replace(scene.picture.load, **values)))


def zeroed(scene: Scene) -> Scene:
    return replace(scene, picture=replace(scene.picture, zero=ZeroPicture(1, ready=False, why_not="")))


def shore(scene: Scene, **values) -> Scene:
    """With these of N1; N2 stays as it was."""
    first, *others = scene.picture.shores
    return replace(scene, picture=replace(scene.picture, shores=(replace(first, **values), *others)))


def stack(scene: Scene, **values) -> Scene:
    return replace(scene, picture=replace(scene.picture, stacks=(replace(scene.picture.stacks[0], **values),)))


def doing(scene: Scene, low: str, high: str = "resting", **values) -> Scene:
    bags = scene.picture.stacks[0].bags
    return stack(scene, bags=tuple(replace(b, doing=it, **values) for b, it in zip(bags, (low, high), strict=True)))


def pose(a: float, b: float, sd: float = 0.0, faults=()) -> PoseEstimate:
    """Tilted by the cosines a and b from level, each known to `sd`."""
    p = [[sd * sd if i == j and i in (1, 2) else 0.0 for j in range(6)] for i in range(6)]
    return PoseEstimate((0.0, a, b, 0.0, 0.0, 0.0), p, Level(0.0, 0.0), faults)


@pytest.mark.parametrize(
    ("rate", "sd", "rising"),
    [
        (0.0010, 0.0, False),  # a millimetre a second, met exactly
        (0.0011, 0.0, True),
        (0.0011, 0.0005, True),
        (0.0050, 0.0025, False),  # twice its own error, met exactly
        (0.0051, 0.0025, True),
        (0.0050, 0.0030, False),
        (-0.0050, 0.0, False),
        (0.0050, None, False),
        (None, 0.001, False),
    ],
)
def test_a_load_is_lifted_where_it_rises_beyond_doubt(scene, rate, sd, rising):
    assert load(scene, rate_m_s=rate, rate_sd_m_s=sd).lifting() is rising


@pytest.mark.parametrize(("what", "lifted"), [("filling", True), ("venting", False), ("holding", False)])
def test_a_load_is_lifted_where_a_bag_takes_air(scene, what, lifted):
    assert doing(scene, what).lifting() is lifted


def test_things_are_found_by_their_names(scene):
    assert scene.bag(HIGH).name == HIGH
    assert scene.shore("N2").name == "N2"
    assert scene.stack("S1").name == "S1"
    assert scene.port(scene.rig.port[0].name).name == scene.rig.port[0].name
    assert [scene.sensor(name).name for name in ("H2", "N1-p", "H2")] == ["H2", "N1-p", "H2"]
    assert all(scene.sensor(channel.name).name == channel.name for channel in scene.rig.channel)


@pytest.mark.parametrize(
    ("missing", "said"),
    [
        ((), "its sensors"),
        (("H1",), "H1"),
        (("H1", "H2"), "H1, H2"),
        (("H1", "H2", "H3"), "H1, H2 and 1 more"),
        (("H1", "H2", "H3", "load-x"), "H1, H2 and 2 more"),
    ],
)
def test_why_the_pose_is_not_known(scene, missing, said):
    gone = replace(scene, pose_missing=missing)
    assert gone.no_pose() == Unknown("no zero taken yet")
    assert zeroed(gone).no_pose() == Unknown(f"rise and tilt not known without {said}", missing)


# Which bag: the plan names the upper bag first.


def in_step(scene: Scene, step: Step | None, low: str, **values) -> Scene:
    values = {"next_fill": None, "next_vent": None, "begun": frozenset(), "carried_over": frozenset()} | values
    return replace(doing(scene, low), step=step, **values)


@pytest.mark.parametrize(
    ("step", "works", "key", "other"),
    [
        (FILL, "filling", "filled", "venting"),
        (LOWER, "venting", "vented", "filling"),
        (VENT, "venting", "vented", "filling"),
    ],
)
def test_a_bag_out_of_order(scene, step, works, key, other):
    wrong = Measured(2.0, f"{works}, the step names {HIGH}", {"named": HIGH, key: LOW})
    assert see.bag_order(in_step(scene, step, works), LOW) == wrong
    for quiet in (other, "holding", "resting"):
        assert see.bag_order(in_step(scene, step, quiet), LOW) == replace(wrong, share=0.0)
    assert see.bag_order(in_step(scene, step, works, carried_over=frozenset((LOW,))), LOW) == replace(wrong, share=0.0)
    assert see.bag_order(in_step(scene, step, works, carried_over=frozenset((HIGH,))), LOW) == wrong


@pytest.mark.parametrize("look", [see.bag_order, see.bag_early])
def test_which_bag_is_not_asked_where_the_step_works_none(scene, look):
    for step in (None, Step(do="capture"), Step(do="work"), Step(do="hold")):
        assert look(in_step(scene, step, "filling"), LOW) is None
    assert look(in_step(scene, FILL, "filling"), HIGH) is None  # its own


def test_any_bag_is_in_order_where_the_step_names_none(scene):
    assert see.bag_order(in_step(scene, Step(do="lower", until={"rise": 0.0}), "venting"), LOW) is None


@pytest.mark.parametrize("look", [see.bag_order, see.bag_early])
def test_a_bag_without_a_gauge_is_in_no_order(scene, look):
    assert look(in_step(scene, FILL, "unknown"), LOW) == Unknown(f"pressure in {LOW} not known", (f"{LOW}-p",))


@pytest.mark.parametrize(("step", "works", "ahead"), [(FILL, "filling", "next_fill"), (LOWER, "venting", "next_vent")])
def test_the_next_bag_too_early_is_early_and_not_out_of_order(scene, step, works, ahead):
    next_one = Step(do=step.do, bag=LOW)
    now = NowPicture(1, 0.4, "40 mm", done=False)
    early = in_step(scene, step, works, begun=frozenset((HIGH,)), **{ahead: next_one})
    early = replace(early, picture=replace(early.picture, step=now))
    said = Measured(2.0, f"{works}, {HIGH} short of its stop", {"before": HIGH, "progress": 0.4})
    assert see.bag_early(early, LOW) == said
    assert see.bag_order(early, LOW).share == 0.0

    def neither(it: Scene) -> bool:
        return see.bag_early(it, LOW).share == 0.0 and see.bag_order(it, LOW).share == 0.0

    def wrong(it: Scene) -> bool:
        return see.bag_early(it, LOW).share == 0.0 and see.bag_order(it, LOW).share == 2.0

    assert neither(replace(early, carried_over=frozenset((LOW,))))
    assert neither(doing(early, "holding"))
    assert wrong(replace(early, begun=frozenset()))  # the named one has not begun at all
    assert wrong(replace(early, **{ahead: replace_bag(next_one, HIGH)}))
    assert wrong(replace(early, **{ahead: None}))
    other = "next_vent" if ahead == "next_fill" else "next_fill"
    assert wrong(replace(early, **{ahead: None, other: next_one}))  # it comes later, the other way
    assert wrong(replace(early, picture=replace(early.picture, step=replace(now, done=True))))
    unseen = replace(early, picture=replace(early.picture, step=None))
    assert see.bag_early(unseen, LOW) == replace(said, evidence={"before": HIGH, "progress": None})


def replace_bag(step: Step, bag: str) -> Step:
    return step.model_copy(update={"bag": bag})


@pytest.mark.parametrize(
    ("alone", "by_air", "nobody"), [(True, True, True), (True, False, False), (False, True, False), (None, True, False)]
)
def test_a_bag_that_is_only_squeezed_is_out_of_no_order(scene, alone, by_air, nobody):
    moved = Moved(-0.03, 0.001, alone, by_air, (), False, ())
    begun = {"begun": frozenset((HIGH,)), "next_fill": Step(do="fill", bag=LOW)}
    wrong, early = in_step(scene, FILL, "filling", moved=moved), in_step(scene, FILL, "filling", moved=moved, **begun)
    assert see.no_air(wrong) is nobody
    assert see.bag_order(wrong, LOW).share == (0.0 if nobody else 2.0)
    assert see.bag_early(early, LOW).share == (0.0 if nobody else 2.0)


@pytest.mark.parametrize(
    ("step", "works", "rise", "wrong"),
    [
        (LOWER, "venting", 0.0, False), (VENT, "venting", 0.0049, False), (VENT, "venting", 0.005, True),
        (VENT, "venting", None, True), (FILL, "filling", 0.0, True),
    ],
)  # fmt: skip
def test_where_the_load_is_down_bags_are_emptied_in_any_order(scene, step, works, rise, wrong):
    ahead = Step(do=step.do, bag=LOW)
    begun = {"begun": frozenset((HIGH,)), "next_fill": ahead, "next_vent": ahead}
    order, early = (stack(in_step(scene, step, works, **more), rise_m=rise) for more in ({}, begun))
    assert see.bag_order(order, LOW).share == (2.0 if wrong else 0.0)
    assert see.bag_early(early, LOW).share == (2.0 if wrong else 0.0)


def test_a_load_is_down_at_one_stack_and_up_at_another(scene):
    one = replace(scene.picture.stacks[0], rise_m=0.001)
    other = replace(one, name="S2", rise_m=0.2, bags=tuple(replace(it, name=f"{it.name}2") for it in one.bags))
    both = replace(scene, picture=replace(scene.picture, stacks=(other, one)))
    assert (see.is_down(both, LOW), see.is_down(both, f"{LOW}2")) == (True, False)


# Shares of a limit: value, limit, words.


def test_uncaptured(scene):
    assert see.uncaptured(scene, "load") == scene.no_pose()
    up = replace(scene, picture=replace(scene.picture, uncaptured_m=0.05))
    assert see.uncaptured(up, "load") == Measured(2.0, "50 mm, 25 mm allowed", {"rise_m": 0.05, "limit_m": 0.025})


def test_shore_behind(scene):
    assert see.shore_behind(scene, "N1") == scene.no_pose()
    known = replace(scene, pose=pose(0.0, 0.0))
    assert see.shore_behind(known, "N1") == Unknown("gap at N1 not known without N1-ext", ("N1-ext",))
    assert see.shore_behind(known, "N2") == Unknown("gap at N2 not known without N2-ext", ("N2-ext",))
    behind = shore(scene, gap_m=0.012)
    assert see.shore_behind(behind, "N1") == Measured(
        2.0, "12 mm gap, 6 mm allowed", {"gap_m": 0.012, "limit_m": 0.006}
    )


def test_shore_air_low(scene, document):
    following = doing(shore(scene, air_pa=1.35e5, doing="following"), "filling")
    low = Measured(0.25, "1.35 bar, needs 1.80 bar to follow", {"air_pa": 1.35e5, "limit_pa": 1.8e5})
    assert see.shore_air_low(following, "N1") == low
    assert see.shore_air_low(shore(following, doing="locked"), "N1") == low
    assert see.shore_air_low(shore(following, doing="released"), "N1") is None
    assert see.shore_air_low(doing(following, "holding"), "N1") is None
    assert see.shore_air_low(shore(following, air_pa=None), "N1") == Unknown("air at N1 not known", ("N1-p",))
    assert see.shore_air_low(following, "N2") == Unknown("air at N2 not known", ("N2-p",))
    del document["shore"][1]["pressure"]
    assert see.shore_air_low(with_rig(following, document), "N2") is None


LEANS = {"lean_m": 0.06, "lean_sd_m": 0.005, "ring_m": 0.16}


def test_lean(scene, document):
    document["stack"][0]["head_ring"] = "20 mm"
    leaning = stack(with_rig(scene, document), **LEANS)
    said = {"offset_m": 0.06, "limit_m": pytest.approx(0.14)}
    # The head's ring must stay inside the foot's: 60 + 20 of 160 mm.
    it = see.lean(leaning, "S1")
    assert (it.share, it.what) == (pytest.approx(0.5), "60 mm of 140 mm ring")
    assert it.evidence == said | {"bound_m": 0.0}
    # Three standard deviations more where it is a danger.
    it = see.lean_with_bound(leaning, "S1")
    assert (it.share, it.what) == (pytest.approx(0.095 / 0.16), "60 mm of 140 mm ring")
    assert it.evidence == said | {"bound_m": pytest.approx(0.015)}


@pytest.mark.parametrize(
    ("rate", "said"),
    [(None, ""), (-0.01, ""), (0.0005, ""), (0.0006, ", growing 0.6 mm/s"), (0.9, ", growing 900.0 mm/s")],
)
def test_a_lean_that_grows_says_so(scene, rate, said):
    it = see.lean(stack(scene, **LEANS, lean_rate_m_s=rate), "S1")
    assert it.what == f"60 mm of 160 mm ring{said}"


@pytest.mark.parametrize("unknown", ["lean_m", "lean_sd_m"])
def test_a_lean_that_is_not_known(scene, unknown):
    leaning = replace(stack(scene, **LEANS | {unknown: None}), lean_missing={"S1": ("S1-mid-x", "S1-mid-y")})
    said = Unknown("lean not known without S1-mid-x, S1-mid-y", ("S1-mid-x", "S1-mid-y"))
    assert see.lean(leaning, "S1") == said
    whole = replace(leaning, lean_missing={"S1": ()}, pose_missing=("H1",))
    assert see.lean(zeroed(whole), "S1") == Unknown("rise and tilt not known without H1", ("H1",))


def test_bag_pressure(scene):
    assert see.bag_pressure(scene, HIGH) == Unknown(f"pressure in {HIGH} not known", (f"{HIGH}-p",))
    full = doing(scene, "holding", pressure_pa=6e5)
    said = Measured(0.75, "6.00 bar of 8.00 bar working", {"pressure_pa": 6e5, "limit_pa": 8e5})
    assert see.bag_pressure(full, HIGH) == said


@pytest.mark.parametrize(
    ("pressure", "sd", "share", "what"),
    [
        (7.0e5, 2e4, 0.95, "7.00 bar of 8.00 bar working"),
        (7.8e5, 1e4, 1.0125, "up to 8.10 bar of 8.00 bar"),
        (7.7e5, 1e4, 1.0, "up to 8.00 bar of 8.00 bar"),
        (8.0e5, 1e4, 1.0375, "8.00 bar of 8.00 bar working"),
    ],
)
def test_what_a_gauges_calibration_leaves_uncertain_counts_against_a_bag(scene, pressure, sd, share, what):
    sensors = tuple(replace(it, calibration_sd=sd if it.name == f"{HIGH}-p" else 9e9) for it in scene.picture.sensors)
    full = doing(replace(scene, picture=replace(scene.picture, sensors=sensors)), "holding", pressure_pa=pressure)
    it = see.bag_pressure(full, HIGH)
    assert (it.share, it.what) == (pytest.approx(share), what)


@pytest.mark.parametrize(
    ("rate", "share", "what"),
    [(0.006, 0.5, "6.0 mm/s up"), (-0.018, 1.5, "18.0 mm/s down")],
)
def test_rise_rate(scene, rate, share, what):
    it = see.rise_rate(load(scene, rate_m_s=rate), "load")
    assert (it.share, it.what) == (pytest.approx(share), f"{what}, 12.0 mm/s allowed")
    assert it.evidence == {"rate_m_s": rate, "limit_m_s": 0.012}
    assert see.rise_rate(scene, "load") == scene.no_pose()


# Tilt: the example's hinge lies along y, its limits are 12 degrees across it and 2 along it.

TILTS = [turning.tilt, turning.tilt_with_bound, turning.cross_tilt, turning.cross_tilt_with_bound]


@pytest.mark.parametrize("look", TILTS)
def test_a_tilt_that_is_not_known(scene, look):
    assert look(scene, "load") == scene.no_pose()


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_tilt_is_across_the_hinge_and_cross_tilt_along_it(scene, sign):
    tilted = replace(scene, pose=pose(sign * sin(radians(3.0)), sign * sin(radians(0.5))))
    it = turning.tilt(tilted, "load")
    assert (it.share, it.what) == (pytest.approx(0.25), "3.00°, 12.00° allowed")
    assert it.evidence == {
        "tilt_rad": pytest.approx(radians(3.0)),
        "limit_rad": pytest.approx(radians(12.0)),
        "bound_rad": 0.0,
    }
    it = turning.cross_tilt(tilted, "load")
    assert (it.share, it.what) == (pytest.approx(0.25), "0.50°, 2.00° allowed")


def test_a_hinge_askew_is_gone_across(scene, document):
    # From (1, -0.5) to (2.2, 1.1): along it goes (0.6, 0.8), across it (-0.8, 0.6).
    document["load"]["hinge"] = [["1 m", "-0.5 m"], ["2.2 m", "1.1 m"]]
    askew = with_rig(scene, document)
    across = replace(askew, pose=pose(0.8 * 0.05, -0.6 * 0.05))
    assert turning.tilt(across, "load").share * radians(12.0) == pytest.approx(asin(0.05))
    assert turning.cross_tilt(across, "load").share == pytest.approx(0.0, abs=1e-12)
    along = replace(askew, pose=pose(0.6 * 0.03, 0.8 * 0.03))
    assert turning.tilt(along, "load").share == pytest.approx(0.0, abs=1e-12)
    assert turning.cross_tilt(along, "load").share * radians(2.0) == pytest.approx(asin(0.03))


def test_without_a_hinge_all_of_it_is_tilt(scene, document):
    document["load"].pop("hinge")
    free = with_rig(scene, document)
    p = [[0.0] * 6 for _ in range(6)]
    p[1][1], p[1][2], p[2][1], p[2][2] = 1e-4, 2e-5, 2e-5, 4e-4
    steep = replace(free, pose=PoseEstimate((0.0, 0.06, -0.08, 0.0, 0.0, 0.0), p, Level(0.0, 0.0)))
    it = turning.tilt(steep, "load")
    # Steepest toward (0.6, -0.8), where the variance is 0.36 * 1e-4 - 0.96 * 2e-5 + 0.64 * 4e-4.
    bound = 3.0 * (0.36e-4 - 1.92e-5 + 2.56e-4) ** 0.5
    assert it.evidence["tilt_rad"] == pytest.approx(asin(0.1))
    assert it.evidence["bound_rad"] == pytest.approx(bound)
    assert it.share == pytest.approx((asin(0.1) + bound) / radians(12.0))
    assert turning.cross_tilt(steep, "load") is None
    assert turning.cross_tilt(free, "load") is None
    assert turning.cross_tilt_with_bound(steep, "load") is None


def test_a_level_load_without_a_hinge_is_doubted_along_x(scene, document):
    document["load"].pop("hinge")
    p = [[0.0] * 6 for _ in range(6)]
    p[1][1], p[2][2] = 1e-4, 4e-4
    level = replace(with_rig(scene, document), pose=PoseEstimate((0.0,) * 6, p, Level(0.0, 0.0)))
    assert turning.tilt(level, "load").evidence["bound_rad"] == pytest.approx(0.03)


def test_no_load_is_steeper_than_upright(scene, document):
    document["load"].pop("hinge")
    upright = replace(with_rig(scene, document), pose=pose(0.9, 0.9))
    assert turning.tilt(upright, "load").evidence["tilt_rad"] == pytest.approx(radians(90.0))


@pytest.mark.parametrize(
    ("lie", "counted"),
    [
        (radians(12.0) * 0.15, True),
        (radians(12.0) * 0.21, False),  # where a lie could hide more, too few sensors speak: noise alone counts
    ],
)
def test_a_danger_counts_what_a_lie_may_hide(scene, lie, counted):
    sd = 1e-3
    tilted = replace(scene, pose=pose(sin(radians(3.0)), 0.0, sd, ((0.0, lie, 0.0),)))
    bare = turning.tilt(tilted, "load")
    assert bare.evidence["bound_rad"] == pytest.approx(3.0 * sd)
    assert bare.share == pytest.approx((radians(3.0) + 3.0 * sd) / radians(12.0))
    it = turning.tilt_with_bound(tilted, "load")
    assert it.evidence["bound_rad"] == pytest.approx(3.0 * sd + (lie if counted else 0.0), rel=1e-6)
    # Along the hinge that lie moves nothing, and a lie that does is counted there.
    assert turning.cross_tilt_with_bound(tilted, "load").evidence["bound_rad"] == pytest.approx(3.0 * sd)
    crossed = replace(scene, pose=pose(0.0, sin(radians(0.5)), 1e-4, ((0.0, 0.0, 0.004),)))
    assert turning.cross_tilt(crossed, "load").evidence["bound_rad"] == pytest.approx(3e-4)
    assert turning.cross_tilt_with_bound(crossed, "load").evidence["bound_rad"] == pytest.approx(4.3e-3)


def test_words_are_in_the_units_of_the_rig_and_evidence_is_not(scene, document):
    document["rig"]["units"] = "us"
    us = with_rig(scene, document)
    it = see.uncaptured(replace(us, picture=replace(us.picture, uncaptured_m=0.0508)), "load")
    assert (it.what, it.evidence["rise_m"]) == ("2 in, 1 in allowed", 0.0508)
    assert see.bag_pressure(doing(us, "holding", pressure_pa=6e5), HIGH).what == "87 psi of 116 psi working"
    assert see.shore_behind(shore(us, gap_m=0.0127), "N1").what == "1/2 in gap, 1/4 in allowed"
    assert see.rise_rate(load(us, rate_m_s=0.0254), "load").what == "1.00 in/s up, 0.47 in/s allowed"
    assert see.lean(stack(us, **LEANS, lean_rate_m_s=0.00254), "S1").what.endswith("ring, growing 0.10 in/s")
    low = doing(shore(us, air_pa=1e5, doing="following"), "filling")
    assert see.shore_air_low(low, "N1").what == "15 psi, needs 26 psi to follow"
