"""What holds the load and how it is let down, each condition alone on scenes made by hand. All invented.

The example's hinge lies along y at x = 0; shores N1 and N2 stand 4.6 m from it, lock by 1 mm and tremble by `NOISE`.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.engine import lowering as lowering_rules
from monitor.engine.alone import Moved
from monitor.engine.conditions import Measured, Scene, Suppressed, Unknown
from monitor.engine.descent import Descent
from monitor.engine.engine import Engine
from monitor.engine.estimate import PoseEstimate
from monitor.engine.mounts import Level
from monitor.engine.picture import ZeroPicture
from monitor.engine.shores import Crib
from monitor.rig.schema import Rig, Step
from replay.entries import Tick

from .listened import Listened

lowering = Listened(lowering_rules)
NOISE = 0.0004
"""Of both extensions (m): a smoothed length may be off by 1.5 of it, 0.6 mm."""
STILL = (("N1", 0.0, 0.0), ("N2", 0.0, 0.0))
"""Of each shore: how far the load rose there, how far it grew."""


def pose(a: float = 0.0, b: float = 0.0) -> PoseEstimate:
    return PoseEstimate((0.0, a, b, 0.0, 0.0, 0.0), [[0.0] * 6 for _ in range(6)], Level(0.0, 0.0))


@pytest.fixture
def document(document: dict) -> dict:
    for channel in document["channel"]:
        if channel["name"] in ("N1-ext", "N2-ext"):
            channel["noise"] = f"{NOISE * 1e3} mm"
    return document


@pytest.fixture
def blank(document: dict) -> Scene:
    """Zeroed, and the pose is not known."""
    engine = Engine(Rig.model_validate(document))
    scene = engine._scene(engine.tick(Tick(0)), None, 0)
    return picture(scene, zero=ZeroPicture(1, ready=False, why_not=""))


@pytest.fixture
def scene(blank: Scene) -> Scene:
    """The pose is known; both shores stand close below the load, 100 mm out."""
    it = replace(blank, pose=pose())
    for name in ("N1", "N2"):
        it = shore(it, name, gap_m=0.0, gap_sd_m=0.0, extension_m=0.1, shortened_m=0.0, doing="locked")
    return it


def picture(scene: Scene, **values) -> Scene:
    return replace(scene, picture=replace(scene.picture, **values))


def shore(scene: Scene, name: str, **values) -> Scene:
    return picture(scene, shores=tuple(replace(it, **values) if it.name == name else it for it in scene.picture.shores))


def shores(scene: Scene, **values) -> Scene:
    return shore(shore(scene, "N1", **values), "N2", **values)


def load(scene: Scene, **values) -> Scene:
    return picture(scene, load=replace(scene.picture.load, **values))


def descent(scene: Scene, push: float | None) -> Scene:
    return replace(scene, descent=Descent(0, push))


def moved(scene: Scene, by: float, **more) -> Scene:
    values = {"bound_m": 0.001, "alone": True, "by_air": True, "unheard": (), "air_fell": False, "shores": STILL} | more
    return replace(scene, moved=Moved(by, **values))


def gauged(scene: Scene) -> Scene:
    """Of the bags the upper has a pressure, the lower none."""
    first = scene.picture.stacks[0]
    low, high = first.bags
    return picture(scene, stacks=(replace(first, bags=(low, replace(high, pressure_pa=2e5))),))


# Hung on shores.


def test_hung_on_shores(scene):
    it = lowering.hung_on_shores(descent(scene, 0.5), "load")
    assert (it.share, it.what) == (pytest.approx(2.0), "bags give 50%, on 2 shores")  # a quarter may be gone
    assert it.evidence == {"push": 0.5, "limit": 0.75, "shores": "N1, N2"}
    it = lowering.hung_on_shores(descent(shore(scene, "N2", gap_m=0.02), -0.1), "load")
    assert (it.share, it.what) == (pytest.approx(4.4), "bags give 0%, on N1")


def test_where_nothing_vents_nothing_hangs(scene, blank):
    vents = descent(scene, 0.5)
    assert lowering.hung_on_shores(scene, "load") is None
    assert lowering.hung_on_shores(moved(vents, -0.02), "load") is None
    assert lowering.hung_on_shores(replace(vents, rig=vents.rig.model_copy(update={"shore": []})), "load") is None
    assert lowering.hung_on_shores(descent(blank, 0.5), "load") == blank.no_pose()
    assert lowering.hung_on_shores(picture(vents, held_by=("cribbing",)), "load") is None
    assert lowering.hung_on_shores(picture(vents, held_by=("shores",)), "load").share > 1.0


@pytest.mark.parametrize(("rate", "comes"), [(-0.0011, True), (-0.001, False), (0.01, False), (None, False)])
def test_a_load_that_comes_down_hangs_on_nothing(scene, rate, comes):
    it = lowering.hung_on_shores(load(descent(scene, 0.5), rate_m_s=rate), "load")
    assert (it == Measured(0.0, "the load is on its bags", {"push": 0.5})) is comes
    assert (it.share > 1.0) is not comes


def test_what_the_bags_give_is_not_known_without_gauges(scene):
    said = Unknown("what the bags give is not known without their pressures", ("S1-lower-p",))
    assert lowering.hung_on_shores(gauged(descent(scene, None)), "load") == said


@pytest.mark.parametrize(
    ("values", "holds"),
    [
        ({}, True),
        ({"gap_m": 0.001}, True),  # one lock pitch, met exactly
        ({"gap_m": 0.0011}, False),
        ({"gap_m": 0.0015, "gap_sd_m": 0.0002}, True),
        ({"gap_m": 0.0017, "gap_sd_m": 0.0002}, False),
        ({"gap_m": None}, False),
        ({"gap_sd_m": None}, False),
        ({"extension_m": None}, False),
        ({"extension_m": 0.005}, False),
        ({"extension_m": 0.0051}, True),
        ({"doing": "released"}, False),  # seen to walk down
        ({"doing": "released", "told_released": True}, True),  # said so, and not seen
        ({"doing": "following", "told_released": True}, True),
    ],
)
def test_which_shore_holds_the_load_up(scene, values, holds):
    only = shore(shore(descent(scene, 0.5), "N2", gap_m=0.1), "N1", **values)
    assert (lowering.hung_on_shores(only, "load").share > 1.0) is holds


# A lock that was not freed.

FREE = "its lock is free"


def freed(scene: Scene, push: float | None = 0.5, **values):
    return lowering.lower_not_freed(shore(descent(scene, push), "N1", **{"touch_m": 0.0004} | values), "N1")


def test_lower_not_freed(scene):
    it = freed(scene)
    assert it == Measured(2.0, "raised 0 mm of 1 mm", {"touch_m": 0.0004, "limit_m": 0.001, "gap_m": 0.0, "push": 0.5})
    assert freed(scene, touch_m=-0.003).what == "raised 0 mm of 1 mm"
    for touch in (None, 0.001, 0.002):  # one lock pitch, met exactly
        assert (freed(scene, touch_m=touch).share, freed(scene, touch_m=touch).what) == (2.0, "stays up, load on it")


@pytest.mark.parametrize(
    ("push", "values", "free"),
    [
        (0.95, {}, True),  # a twentieth may be gone
        (0.949, {}, False),
        (None, {}, False),
        (0.5, {"shortened_m": 0.0006}, False),  # what its noise explains
        (0.5, {"shortened_m": 0.00061}, True),
        (0.5, {"gap_m": 0.002}, True),
    ],
)
def test_a_lock_is_free_where_its_shore_walks_or_the_bags_carry(scene, push, values, free):
    it = freed(scene, push, **values)
    assert ((it.share, it.what) == (0.0, FREE)) is free
    assert (it.share == 2.0) is not free


@pytest.mark.parametrize(("shortened", "free"), [(0.0016, True), (0.0014, False)])
def test_a_coarse_lock_walks_by_half_its_pitch(scene, shortened, free):
    first, second = scene.rig.shore
    coarse = [first.model_copy(update={"lock_pitch": 0.003}), second]
    it = freed(replace(scene, rig=scene.rig.model_copy(update={"shore": coarse})), shortened_m=shortened)
    assert (it.what == FREE) is free


def test_where_nothing_vents_no_lock_is_asked_for(scene, blank):
    assert lowering.lower_not_freed(scene, "N1") is None
    assert lowering.lower_not_freed(moved(descent(scene, 0.5), -0.02), "N1") is None
    assert lowering.lower_not_freed(picture(descent(scene, 0.5), held_by=("cribbing",)), "N1") is None
    assert lowering.lower_not_freed(picture(descent(scene, 0.5), held_by=("shores",)), "N1").share == 2.0
    assert freed(scene, extension_m=0.005) is None
    assert freed(scene, extension_m=0.0051) is not None
    for unknown in ("gap_m", "shortened_m", "extension_m"):
        assert freed(scene, **{unknown: None}) == Unknown("gap at N1 not known", ("N1-ext",))
    assert lowering.lower_not_freed(descent(blank, 0.5), "N2") == blank.no_pose()


# Work.


def at_work(
    scene: Scene, held: tuple[str, ...] | None = ("bags",), rise: float | None = 0.1, fall=0.1, **more
) -> Scene:
    return picture(load(replace(scene, step=Step(do="work"), **more), rise_m=rise), held_by=held, fall_m=fall)


def test_not_held(scene, blank):
    it = lowering.not_held(at_work(scene), "load")
    said = {"rise_m": 0.1, "fall_m": 0.1, "held_by": "bags"}
    assert it == Measured(2.0, "work, 100 mm up on bags alone", said)
    it = lowering.not_held(at_work(scene, ()), "load")
    assert it == Measured(2.0, "work, 100 mm up on nothing known", said | {"held_by": None})
    for held in (("bags", "shores"), ("cribbing",)):
        assert lowering.not_held(at_work(scene, held), "load") == Measured(
            0.0, "held", said | {"held_by": ", ".join(held)}
        )
    for step in (None, Step(do="hold")):
        assert lowering.not_held(replace(at_work(scene), step=step), "load") is None
    assert lowering.not_held(at_work(blank), "load") == blank.no_pose()
    assert lowering.not_held(at_work(scene, None), "load") == scene.no_pose()
    assert lowering.not_held(at_work(scene, rise=None), "load") == scene.no_pose()


@pytest.mark.parametrize(("rise", "low"), [(0.006, True), (0.0061, False)])
def test_a_load_that_is_up_no_farther_than_a_gap_is_held_by_the_ground(scene, rise, low):
    assert (lowering.not_held(at_work(scene, rise=rise), "load").what == "held") is low
    bare = replace(picture(at_work(scene, rise=rise), shores=()), rig=scene.rig.model_copy(update={"shore": []}))
    assert (lowering.not_held(bare, "load").what == "held") is low  # six millimetres where no shore says another
    first, second = scene.rig.shore
    wide = replace(
        scene, rig=scene.rig.model_copy(update={"shore": [first, second.model_copy(update={"gap_allowed": 0.05})]})
    )
    assert lowering.not_held(at_work(wide, rise=0.05), "load").what == "held"


def test_what_cribbing_holds_is_not_known_without_a_centre(scene):
    cribs = (Crib((4.0, 0.0), 0.1),)
    said = Unknown("what cribbing holds is not known: no centre of gravity is planned")
    assert lowering.not_held(at_work(scene, fall=None, cribs=cribs), "load") == said
    assert lowering.not_held(at_work(scene, cribs=cribs), "load").share == 2.0
    assert lowering.not_held(at_work(scene, fall=None), "load").share == 2.0


@pytest.mark.parametrize(
    ("other", "known"),
    [
        ({"gap_m": 0.006}, False),  # as far as allowed, met exactly
        ({"gap_m": 0.0061}, True),
        ({"gap_m": 0.0, "doing": "released"}, True),
        ({"gap_m": None, "doing": "released"}, False),
    ],
)
def test_whether_shores_hold_is_not_known_while_one_is_unseen_and_the_rest_would(scene, other, known):
    it = lowering.not_held(at_work(shore(shore(scene, "N1", **other), "N2", gap_m=None)), "load")
    unseen = [name for name, gap in (("N1", other["gap_m"]), ("N2", None)) if gap is None]
    if known:
        assert it.share == 2.0
    else:
        assert it == Unknown(f"gap at {unseen[0]} not known", tuple(f"{name}-ext" for name in unseen))


# A load that moves alone.


def test_moved_alone(scene, blank):
    quiet = shores(scene, dropped_m=0.0)
    it = lowering.moved_alone(moved(quiet, -0.008), "load")
    assert (it.share, it.what) == (pytest.approx(2.0), "8 mm down, nobody fills or vents")
    assert it.evidence == {"moved_m": -0.008, "limit_m": 0.004, "bound_m": 0.001}
    assert lowering.moved_alone(moved(quiet, 0.008), "load").what == "8 mm up, nobody fills or vents"
    assert lowering.moved_alone(moved(quiet, -0.008, alone=False), "load").share == 0.0
    assert lowering.moved_alone(blank, "load") == blank.no_pose()
    said = Unknown("pressure in S1-lower not known", ("S1-lower-p",))
    assert (
        lowering.moved_alone(moved(gauged(scene), -0.008, alone=None, unheard=("S1-lower", "S1-upper")), "load") == said
    )


@pytest.mark.parametrize(("by", "watched"), [(-0.008, False), (0.008, True), (0.0, True)])
def test_a_load_that_is_let_go_comes_down(scene, by, watched):
    quiet = shores(scene, dropped_m=0.0)
    for it in (moved(quiet, by, air_fell=True), moved(shore(quiet, "N2", told_released=True), by)):
        assert (lowering.moved_alone(it, "load") is not None) is watched


@pytest.mark.parametrize(("bound", "share"), [(0.002, 1.5), (0.02, 0.0)])
def test_without_a_bags_word_the_error_is_taken_off(scene, bound, share):
    it = lowering.moved_alone(moved(shores(scene, dropped_m=0.0), -0.008, by_air=False, bound_m=bound), "load")
    assert it.share == pytest.approx(share)


def test_a_lie_that_would_go_unseen_looks_like_a_load_that_moves(scene):
    quiet = shores(scene, dropped_m=0.0)
    said = Unknown("a sensor of rise that lies would look the same: no bag's pressure says")
    assert lowering.moved_alone(moved(quiet, -0.008, by_air=False, bound_m=None), "load") == said
    it = lowering.moved_alone(moved(quiet, -0.004, by_air=False, bound_m=None), "load")
    assert it.share == 1.0  # the limit, met exactly
    assert lowering.moved_alone(moved(quiet, -0.008, bound_m=None), "load").share == pytest.approx(2.0)


@pytest.mark.parametrize(
    ("by", "dropped", "said"),
    [
        (-0.008, 0.005, True),
        (-0.008, 0.0041, True),
        (-0.008, 0.0035, False),  # it came down farther than that explains
        (-0.008, 0.002, False),  # no drop yet
        (0.008, 0.02, False),
    ],
)
def test_a_shore_that_drops_says_it_better(scene, by, dropped, said):
    it = lowering.moved_alone(moved(shore(shores(scene, dropped_m=0.0), "N2", dropped_m=dropped), by), "load")
    assert it == Suppressed("shore-drop N2 says why") if said else it.share > 1.0


def test_a_shore_that_lifts_says_it_better(scene):
    strong = shores(scene, dropped_m=0.0, air_pa=3e5)
    up = moved(strong, 0.008, shores=(("N1", 0.0, 0.0), ("N2", 0.008, 0.008)))
    assert lowering.moved_alone(up, "load") == Suppressed("shore-lifting N2 says why")
    down = replace(up, moved=replace(up.moved, moved_m=-0.008))
    assert lowering.moved_alone(down, "load").share > 1.0
    weak = shores(up, air_pa=1e5)
    assert lowering.moved_alone(weak, "load").share > 1.0


def test_a_slip_and_a_hinge_that_shifts_say_it_better(scene):
    quiet = moved(shores(scene, dropped_m=0.0), -0.008)
    slips = picture(quiet, stacks=(replace(quiet.picture.stacks[0], slipping=True),))
    assert lowering.moved_alone(slips, "load") == Suppressed("a head slips on the load")

    def shifting(shift: float) -> Scene:
        hinge = replace(quiet.picture.hinge, shift_m=shift, shift_limit_m=0.004, walk_m=0.01)
        return picture(quiet, hinge=hinge)

    assert lowering.moved_alone(shifting(0.005), "load") == Suppressed("the hinge shifts")
    assert lowering.moved_alone(shifting(0.004), "load").share > 1.0


def test_words_are_in_the_units_of_the_rig(scene, document):
    document["rig"]["units"] = "us"
    us = replace(shores(scene, dropped_m=0.0), rig=Rig.model_validate(document))
    assert lowering.moved_alone(moved(us, -0.0254), "load").what.startswith("1 in down")
    assert lowering.not_held(at_work(us, rise=0.0508), "load").what == "work, 2 in up on bags alone"
    assert freed(us).what == "raised 0 in of 1/16 in"
