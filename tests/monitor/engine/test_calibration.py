"""What the engine makes of calibrations: corrected first of all, as sure as they are, to the bit as without where they say nothing.

The lift is the invented one of conftest.py; so are the calibrations.
"""

from __future__ import annotations

import math
import re
from dataclasses import replace
from math import radians

import pytest

from monitor.engine.algebra import inverse, off_alike
from monitor.rig.schema import Rig
from replay.entries import Notice

HEIGHTS = ("H1", "H2", "H3")
TILTS = ("load-x", "load-y")
STACK = ("S1-head-x", "S1-head-y", "S1-mid-x", "S1-mid-y")
GAUGES = ("S1-lower-p", "S1-upper-p")


def tables(channels, points, uncertainty):
    """One calibration of each of these channels: points in SI."""
    made = {"date": "2026-01-02", "who": "x", "points": points, "uncertainty": uncertainty}
    return [{"channel": name, **made} for name in channels]


def calibrated(document, *made):
    return Rig.model_validate({**document, "calibration": [it for some in made for it in some]})


def true_from(low, high):
    return [[low, low], [(low + high) / 2.0, (low + high) / 2.0], [high, high]]


def without_calibration(picture):
    sensors = tuple(replace(it, calibration_sd=None, beyond_calibration=False) for it in picture.sensors)
    return replace(picture, sensors=sensors)


@pytest.mark.timeout(240)
def test_channels_that_read_true_with_nothing_uncertain_are_to_the_bit_as_without(document, new_lift, clean_script):
    rig = calibrated(
        document,
        tables([*HEIGHTS, "N1-ext", "N2-ext"], true_from(0.05, 1.0), 0),
        tables([*TILTS, *STACK], true_from(-0.5, 0.5), 0),
        tables(GAUGES, true_from(0.0, 8e5), 0),
    )
    ours = new_lift(rig=rig)
    plain = new_lift()
    for _ in range(24 * 20):
        t = plain.now_ns * 1e-9
        assert without_calibration(ours.step(clean_script(t))) == plain.step(clean_script(t))


def test_a_reading_is_corrected_before_anything_uses_it(document, new_lift, clean_script):
    """Gauges 3 % high with 0.1 bar more, and a draw-wire 2 % long: corrected, the lift is as it truly is."""

    def spoilt(t):
        it = clean_script(t)
        it.lower, it.upper = 1.03 * it.lower + 1e4, 1.03 * it.upper + 1e4
        return it

    rig = calibrated(document, tables(GAUGES, [[1e4, 0.0], [1.03 * 8e5 + 1e4, 8e5]], "1 mbar"))
    right, wrong = new_lift(rig=rig, seed=2), new_lift(seed=2)
    ours, theirs = right.play(spoilt, 12.0), wrong.play(spoilt, 12.0)
    truth = clean_script(11.95)
    assert ours.stacks[0].bags[1].pressure_pa == pytest.approx(truth.upper, abs=5e3)
    assert theirs.stacks[0].bags[1].pressure_pa > truth.upper + 1.2e4
    assert ours.stacks[0].force_n == pytest.approx(32e3, rel=0.012)
    assert theirs.stacks[0].force_n > 32e3 * 1.05


def test_what_the_calibrations_leave_uncertain_is_in_every_bound_that_a_danger_is_compared_with(
    document, new_lift, clean_script
):
    """The same lift with good and with poor references: rise, tilt, lean, force, gap and a bag's pressure are less sure."""

    def made(share):
        rig = calibrated(
            document,
            tables(HEIGHTS, [[0.1, 0.1], [0.6, 0.6]], f"{4.0 * share} mm"),
            tables(TILTS, [[-0.2, -0.2], [0.2, 0.2]], f"{0.3 * share} deg"),
            tables(STACK, [[-0.2, -0.2], [0.2, 0.2]], f"{0.5 * share} deg"),
            tables(GAUGES, [[0.0, 0.0], [8e5, 8e5]], f"{0.1 * share} bar"),
        )
        lift = new_lift(rig=rig, seed=3)
        return lift.play(clean_script, 15.0), lift

    (poor, lift), (good, _) = made(1.0), made(1e-6)
    assert not [it for it in lift.raised() if it[2] in ("danger", "warning")]
    ours, theirs = poor.stacks[0], good.stacks[0]
    assert poor.load.bound_m > good.load.bound_m + 3.0 * 0.0005
    assert poor.load.tilt_sd_rad > good.load.tilt_sd_rad + 1e-4  # rad: 0.73 degrees turned
    assert ours.lean_bound_m > theirs.lean_bound_m + 0.0004  # the load's own motion vouches for most of it
    more = (ours.force_steady_sd_n**2 - theirs.force_steady_sd_n**2) ** 0.5
    assert more / ours.force_n == pytest.approx(0.1e5 / 2.67e5, rel=0.03)  # the gauge's share, whatever is averaged
    assert poor.shores[0].gap_sd_m > good.shores[0].gap_sd_m
    assert poor.sensors[0].calibration_sd == pytest.approx(1e4)
    assert not any(it.beyond_calibration for it in poor.sensors)


def test_no_averaging_makes_a_calibrated_rise_surer_than_its_calibration(document, new_lift, moment):
    """After a minute at rest, 60 mm up, three wires of 4 mm each over half a metre leave what a line of two points leaves."""
    rig = calibrated(document, tables(HEIGHTS, [[0.1, 0.1], [0.6, 0.6]], "4 mm"))
    lift = new_lift(rig=rig, seed=4)

    def script(t):
        return moment(rise=min(0.06, max(0.0, 0.006 * (t - 4.0))), upper=2.7e5 if t > 4.0 else 0.0)

    early = lift.play(script, 16.0)
    late = lift.play(script, 45.0)
    # 4 mm / sqrt(2 * 0.25^2) a metre of way: 0.76 mm on the 67 mm of H1; two wires bear on the head, and two inclinometers.
    assert late.load.rise_sd_m > 0.0002
    assert late.load.rise_sd_m == pytest.approx(early.load.rise_sd_m, rel=0.35)


@pytest.mark.parametrize("together", [True, False])
def test_the_errors_claimed_cover_those_that_wrong_references_make(document, new_lift, moment, together):
    """References of heights two standard deviations off in their slope: all of them, as one tape would be, or one (invented)."""

    def script(t):
        return moment(rise=min(0.12, max(0.0, 0.012 * (t - 3.0))), upper=2.7e5 if t > 3.0 else 0.0)

    bend = 0.004 * math.sqrt(2.0)
    wrong = HEIGHTS if together else HEIGHTS[:1]
    tapes = [tables((name,), [[0.1, 0.1 - bend], [0.6, 0.6 + bend]], "4 mm") for name in wrong]
    rest = tables(HEIGHTS[len(wrong) :], [[0.1, 0.1], [0.6, 0.6]], "4 mm")
    tilts = tables(TILTS, [[-0.2, -0.2], [0.2, 0.2]], "1 deg")
    lift = new_lift(rig=calibrated(document, *tapes, rest, tilts), seed=5)
    picture = lift.play(script, 15.0)
    off = abs(picture.stacks[0].rise_m - 0.12)
    assert not [it for it in lift.raised() if it[0].startswith("sensor")]
    assert off <= 2.2 * picture.load.rise_sd_m
    assert off <= picture.load.bound_m
    if together:
        assert off > 0.001  # by the trembling alone it would be known to a quarter of that


def test_two_rows_of_one_height_by_hand():
    """Two sensors at one point, weights 1 and 3, off by 4 mm and 2 mm: (1*4, 3*2)/4, apart in quadrature, and together."""
    rows = [((1.0, 0.0, 0.0), 1.0), ((1.0, 0.0, 0.0), 3.0), ((0.0, 1.0, 0.0), 1.0), ((0.0, 0.0, 1.0), 1.0)]
    apart, alike = ("length", "angle"), ("length", "length")
    assert off_alike(rows, [0.004, 0.002], apart)[0][0] == pytest.approx(0.001**2 + 0.0015**2)
    assert off_alike(rows, [0.004, 0.002], alike)[0][0] == pytest.approx(0.001**2 + 0.0015**2 + 0.0025**2)
    assert off_alike(rows, [0.004, -0.002], alike)[0][0] == pytest.approx(0.001**2 + 0.0015**2 + 0.0005**2)
    assert off_alike(rows[:2], [0.004, 0.002], alike)[0][0] == 0.0  # tilt not seen by any
    assert inverse([[4.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]) is not None


def test_a_danger_of_pressure_counts_what_the_gauge_may_be_off_by(document, new_lift, moment):
    rig = calibrated(document, tables(GAUGES, [[0.0, 0.0], [8e5, 8e5]], "0.05 bar"))
    for used, sounds in ((rig, True), (Rig.model_validate(document), False)):
        lift = new_lift(rig=used, hand=False)
        lift.play(lambda t: moment(upper=7.9e5), 2.0)
        assert (("bag-pressure", "S1-upper", "danger") in lift.raised()) is sounds
        if sounds:
            text = next(it.text for it in lift.pictures[-1].alarms if it.rule == "bag-pressure" and "DANGER" in it.text)
            assert re.search(r"S1-upper: up to 8\.0[4-6] bar of 8\.00 bar - ", text)


def test_a_reading_beyond_the_points_is_said_to_be_and_is_less_sure(document, new_lift, moment):
    rig = calibrated(document, tables(GAUGES, [[0.0, 0.0], [4e5, 4e5]], "0.05 bar"))
    lift = new_lift(rig=rig, hand=False, noise=0.0)
    inside = lift.step(moment(upper=3e5)).sensors[1]
    beyond = lift.step(moment(upper=7e5)).sensors[1]
    assert (inside.beyond_calibration, beyond.beyond_calibration) == (False, True)
    assert beyond.calibration_sd > inside.calibration_sd == pytest.approx(5e3)


def test_the_range_and_the_noise_of_a_channel_are_those_of_its_true_value(document, new_lift, moment):
    """An inclinometer of gain 2 whose range is 30 degrees: it may read 60, and 61 is no value."""
    rig = calibrated(document, tables(("load-x",), [[-1.0, -0.5], [1.0, 0.5]], 0))
    lift = new_lift(rig=rig, hand=False)
    state = lift.engine.channels["load-x"]
    assert state.noise == pytest.approx(radians(0.03) / 2.0)
    for degrees, fine in ((59.0, True), (61.0, False)):
        lift.step(moment(offset={"load-x": radians(degrees)}))
        assert state.in_range is fine


@pytest.mark.parametrize("value", [1.7e308, -1.7e308, 1e200, 5e3])
@pytest.mark.parametrize("points", [[[0.0, 0.0], [0.5, 0.6]], [[0.0, 0.0], [0.1, 0.9], [0.5, 1.0]]])
def test_whatever_a_calibrated_channel_reads_the_engine_goes_on(document, new_lift, clean_script, points, value):
    rig = calibrated(document, tables(("H1",), points, "1 mm"))
    lift = new_lift(rig=rig)

    def odd(t):
        it = clean_script(t)
        it.offset = {"H1": value} if t > 6.0 else {}
        return it

    picture = lift.play(odd, 7.0)
    sensor = next(it for it in picture.sensors if it.name == "H1")
    assert math.isfinite(sensor.value)
    assert math.isfinite(sensor.calibration_sd)
    assert picture.load.rise_m == pytest.approx(clean_script(6.95).rise, abs=0.01)


def test_a_calibration_out_of_date_is_a_caution_until_it_is_said_to_be_none(lift, clean_script):
    lift.engine.note(Notice(0, "calibration", "H1", True, "was due 2026-01-01"))
    picture = lift.play(clean_script, 2.0)
    assert lift.raised() == [("calibration-old", "H1", "caution")]
    assert picture.alarms[0].text == "CAUTION calibration-old H1: was due 2026-01-01 - check it, calibrate"
    lift.engine.note(Notice(0, "calibration", "H1", False, ""))
    assert not any(it.active for it in lift.play(clean_script, 4.0).alarms)
