"""Shores: gaps, and how far the load falls if the bags fail."""

import math

import pytest

from drivers.reading import Quality, Reading
from monitor.engine.estimate import PoseEstimate
from monitor.engine.mounts import Level
from monitor.engine.shores import Below, Crib, captured
from monitor.rig.schema import Rig


def pose(rise: float) -> PoseEstimate:
    return PoseEstimate((0.0, rise / 4.2, 0.0, 0.0, 0.0, 0.0), [[0.0] * 6 for _ in range(6)], Level())


@pytest.fixture
def shores(lift, moment):
    picture = lift.play(lambda t: moment(), 3.0)

    def with_gaps(*gaps, doing="locked"):
        from dataclasses import replace

        return tuple(replace(s, gap_m=gap, doing=doing) for s, gap in zip(picture.shores, gaps, strict=True))

    return with_gaps


def test_the_gap_is_the_rise_less_the_extension(lift, moment):
    picture = lift.play(lambda t: moment(rise=min(0.05, max(0.0, (t - 3) * 0.006)), upper=2.7e5, gap_n1=0.004), 15.0)
    by_name = {shore.name: shore for shore in picture.shores}
    assert by_name["N1"].gap_m == pytest.approx(0.004, abs=0.001)
    assert by_name["N2"].gap_m == pytest.approx(0.001, abs=0.001)
    assert by_name["N1"].air_pa == pytest.approx(1.8e5, rel=0.01)
    assert by_name["N1"].gap_sd_m > 0


def test_captured_means_every_shore_within_its_gap(shores):
    assert captured(shores(0.001, 0.006))
    assert not captured(shores(0.001, 0.0061))
    assert not captured(shores(0.001, None))
    assert not captured(shores(0.001, 0.001, doing="released"))
    assert not captured(())


def test_the_load_turns_down_to_the_first_support_that_holds_it(rig, shores):
    # Gap 4.6 mm at 4.6 m from the hinge: one thousandth; at the stack, 4.2 m out, 4.2 mm. One shore holds the centre of
    # gravity inside hinge and shore (the centre is at y = 0, the hinge 2.5 m long).
    assert Below(rig).fall(pose(0.1), shores(0.0046, 0.0092), []) == pytest.approx(0.0042)
    assert Below(rig).fall(pose(0.1), shores(0.0, 0.0), []) == 0.0


def test_a_shore_short_of_the_centre_of_gravity_is_a_see_saw(document, shores):
    document["load"]["centre_of_gravity"] = ["4.5 m", "-0.9 m", "0.1 m"]  # beyond what N1 alone can hold
    rig = Rig.model_validate(document)
    assert Below(rig).fall(pose(0.1), shores(0.0046, 0.0092), []) == pytest.approx(0.0084)


def test_what_is_unknown_or_released_holds_nothing(rig, shores):
    assert Below(rig).fall(pose(0.1), shores(None, 0.0092), []) == pytest.approx(0.0084)
    assert Below(rig).fall(pose(0.1), shores(None, None), []) == pytest.approx(0.1)
    assert Below(rig).fall(pose(0.1), shores(0.0, 0.0, doing="released"), []) == pytest.approx(0.1)


def test_cribbing_counts_at_the_height_it_was_packed_to(rig, shores):
    crib = Crib((4.2, 0.0), 0.09)
    assert Below(rig).fall(pose(0.1), shores(None, None), [crib]) == pytest.approx(0.01)


def test_a_fall_is_never_more_than_the_rise(rig, shores):
    assert Below(rig).fall(pose(0.002), shores(0.5, 0.5), []) == pytest.approx(0.002)


def test_without_a_hinge_the_load_comes_down_onto_what_holds_its_centre_of_gravity(document, shores):
    # It still rests on its west edge: two locked shores beyond the centre of gravity hold it, one is a corner short of that.
    del document["load"]["hinge"]
    rig = Rig.model_validate(document)
    assert Below(rig).fall(pose(0.1), shores(0.0, 0.0), []) == pytest.approx(0.0, abs=1e-9)
    assert Below(rig).fall(pose(0.1), shores(None, None), []) == pytest.approx(0.1)


def test_without_a_planned_centre_of_gravity_it_is_not_known(document, shores):
    del document["load"]["centre_of_gravity"]
    assert Below(Rig.model_validate(document)).fall(pose(0.1), shores(0.0, 0.0), []) is None


def test_the_hinge_may_lie_in_any_direction(document, shores):
    # The same rig turned by 30 degrees about the origin: the fall is the same.
    turn = math.radians(30)

    def turned(x, y):
        return [x * math.cos(turn) - y * math.sin(turn), x * math.sin(turn) + y * math.cos(turn)]

    document["load"]["hinge"] = [turned(0, -1.25), turned(0, 1.25)]
    document["load"]["centre_of_gravity"] = [*turned(2.4, 0), 0.1]
    document["stack"][0]["at"] = turned(4.2, 0)
    for shore, at in zip(document["shore"], ((4.6, 1.0), (4.6, -1.0)), strict=True):
        shore["at"] = turned(*at)
    rig = Rig.model_validate(document)
    from dataclasses import replace

    them = [replace(s, at=shore.at) for s, shore in zip(shores(0.0046, 0.0092), rig.shore, strict=True)]
    slope = 0.1 / 4.2
    at = PoseEstimate((0.0, slope * math.cos(turn), slope * math.sin(turn), 0, 0, 0), [[0.0] * 6] * 6, Level())
    assert Below(rig).fall(at, tuple(them), []) == pytest.approx(0.0042)


def test_a_load_cell_is_read_pressed_positive(document, new_lift, moment):
    # NMEA 0183 XDR, type N: compression reads negative.
    document["shore"][0]["load_cell"] = "N1-load"
    document["channel"].append(
        {
            "name": "N1-load",
            "quantity": "force",
            "range": ["-100 kN", "100 kN"],
            "source": {"port": "bench", "id": "N1L"},
        }
    )
    lift = new_lift(rig=Rig.model_validate(document))
    lift.play(lambda t: moment(), 4.0)
    lift.engine.accept(Reading("N1-load", 9999, lift.now_ns, None, -12_000.0, Quality.GOOD))
    shores = {shore.name: shore for shore in lift.tick().shores}
    assert shores["N1"].load_n == 12_000.0
    assert shores["N2"].load_n is None


def test_what_bags_are_short_of_is_the_most_a_touching_shore_carries(rig, shores):
    # 46 kN m short, 4.6 m from the hinge: 10 kN, if this shore carried it alone (levers).
    near, far = Below(rig).carrying(shores(0.0005, 0.02), 46e3, rig.load.hinge)
    assert near.load_most_n == pytest.approx(10e3)
    assert far.load_most_n == 0.0, "it stands clear of the load"
    assert Below(rig).carrying(shores(0.0005, None), 46e3, rig.load.hinge)[1].load_most_n is None
    assert Below(rig).carrying(shores(0.0, 0.0), None, rig.load.hinge)[0].load_most_n is None


def test_what_holds_the_load_is_named(rig, lift, clean_script, shores):
    stacks = lift.play(clean_script, 30.0).stacks
    crib = [Crib((4.2, 0.0), 0.099)]
    assert Below(rig).held_by(pose(0.1), stacks, shores(0.001, 0.001), []) == ("bags", "shores")
    assert Below(rig).held_by(pose(0.1), stacks, shores(0.001, 0.05), []) == ("bags",)
    assert Below(rig).held_by(pose(0.004), stacks, shores(0.05, 0.05), []) == ("bags",), (
        "a low load is not cribbed for that"
    )
    assert Below(rig).held_by(pose(0.1), stacks, shores(0.05, 0.05), crib) == ("bags", "cribbing")
    assert Below(rig).held_by(pose(0.1), (), shores(0.05, 0.05), crib) == ("cribbing",)
    assert lift.pictures[-1].held_by == ("bags", "shores")


def test_a_shore_inside_its_load_holds_nothing(lift, clean_script):
    """An extension that creeps past the load is a sensor that lies, never a perfect shore."""

    def script(t):
        it = clean_script(t)
        it.gap_n1 = -0.02 if t > 25.0 else 0.001
        return it

    shore = next(s for s in lift.play(script, 30.0).shores if s.name == "N1")
    assert shore.gap_m is None
    assert lift.pictures[-1].held_by == ("bags",)
    assert any(blind.rule == "shore-behind" and blind.about == "N1" for blind in lift.pictures[-1].blind)


def test_a_shore_that_walks_down_by_fits_and_starts_holds_nothing_between_them(lift, moment):
    """Down by 2 mm in 0.3 s, then still for 0.6 s, again and again (invented): 2.2 mm/s as bags let go of a load by hand."""

    def script(t):
        way = max(0.0, t - 20.0)
        starts, into = divmod(way, 0.9)
        down = 0.002 * (starts + min(1.0, into / 0.3))
        return moment(rise=min(0.05, max(0.0, (t - 3) * 0.006)) - min(down, 0.03), upper=2.7e5)

    lift.play(script, 40.0)
    walking = [it for it in lift.pictures if 23.0 < it.time_ns * 1e-9 < 33.0]
    assert {shore.doing for it in walking for shore in it.shores} == {"released"}
    assert min(it.fall_m for it in walking) > 0.01
    assert {shore.doing for shore in lift.pictures[-1].shores} == {"locked"}, "it has stood for seconds"


@pytest.mark.parametrize("mm_s", [0.3, 0.6])
def test_a_shore_that_walks_down_slowly_holds_nothing_whatever_nobody_said(lift, moment, mm_s):
    """Down by some tenths of a millimetre a second for half a minute, and nobody marked it as released (invented)."""
    long_s = 30.0

    def script(t):
        down = 1e-3 * mm_s * min(max(0.0, t - 20.0), long_s)
        return moment(rise=min(0.05, max(0.0, (t - 3) * 0.006)) - down, upper=2.7e5)

    lift.play(script, 20.0 + long_s + 8.0)
    seen_s = 20.0 + 5.0 / mm_s  # five millimetres: its pitch, and what its noise hides
    walking = [it for it in lift.pictures if seen_s < it.time_ns * 1e-9 < 20.0 + long_s]
    assert {shore.doing for it in walking for shore in it.shores} == {"released"}
    assert all(it.fall_m > 0.03 and "shores" not in it.held_by for it in walking)
    stands = [it for it in lift.pictures if it.time_ns * 1e-9 > 20.0 + long_s + 5.0]
    assert {shore.doing for it in stands for shore in it.shores} == {"locked"}


def test_a_shore_that_seats_on_its_lock_is_locked(lift, moment):
    """The load comes down by nine tenths of the locks' pitch of 1 mm, slowly, and stays (invented)."""

    def script(t):
        down = min(max(0.0, t - 20.0) * 0.0005, 0.9e-3)
        return moment(rise=min(0.05, max(0.0, (t - 3) * 0.006)) - down, upper=2.7e5)

    lift.play(script, 40.0)
    assert {shore.doing for it in lift.pictures if it.time_ns * 1e-9 > 15.0 for shore in it.shores} == {"locked"}


def test_a_load_let_down_onto_its_shores_shows_on_them(lift, clean_script):
    """The weight is known from the lift; when the bags then lose half of what they gave, the shores carry the rest."""

    def script(t):
        it = clean_script(t)
        if t > 50.0:
            it.lower, it.upper = it.lower / 2.0, it.upper / 2.0
            it.gap_n1 = it.gap_n2 = 0.0
        return it

    lift.play(script, 49.0)
    assert max(s.load_most_n for s in lift.pictures[-1].shores) < 4e3
    lift.play(script, 53.0)
    # Half of 32 kN at 4.2 m from the hinge is 16 * 4.2 / 4.6 = 14.6 kN at the shores.
    assert max(s.load_most_n for s in lift.pictures[-1].shores) == pytest.approx(14.6e3, rel=0.15)
