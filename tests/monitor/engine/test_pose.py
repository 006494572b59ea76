"""Rise and tilt against a truth in closed form; what is not known is not said."""

import math

import pytest

from monitor.engine.picture import AlarmState, SensorStatus
from monitor.rig.schema import Rig


def lifting(moment, rate=0.006, top=0.1, **more):
    return lambda t: moment(rise=min(top, max(0.0, (t - 3.0) * rate)), upper=2.7e5 if t > 2.5 else 0.0, **more)


def test_nothing_is_known_before_the_zero(new_lift, moment):
    lift = new_lift(hand=False)
    picture = lift.play(lambda t: moment(), 3.0)
    assert picture.load.rise_m is None
    assert picture.load.tilt_x_rad is None
    assert picture.zero.ready
    assert {blind.because for blind in picture.blind} == {"no zero taken yet"}


def test_rise_and_tilt_follow_the_truth(lift, moment):
    script = lifting(moment)
    for _ in range(500):
        t = lift.now_ns * 1e-9
        picture = lift.step(script(t))
        if t > 2.5:
            truth = script(t).rise
            assert picture.load.rise_m == pytest.approx(truth, abs=0.0025)
            assert picture.load.tilt_x_rad == pytest.approx(math.asin(truth / 4.2), abs=math.radians(0.04))
            assert picture.load.tilt_y_rad == pytest.approx(0.0, abs=math.radians(0.04))
    assert picture.load.rise_m == pytest.approx(0.1, abs=0.0006)
    assert picture.load.rate_m_s == pytest.approx(0.0, abs=0.003)
    assert 0.0 < picture.load.rise_sd_m < 0.0005
    assert 3 * picture.load.rise_sd_m < picture.load.bound_m < 0.005  # and what one lying sensor could do unseen


def test_without_noise_the_estimate_is_the_truth(new_lift, moment):
    lift = new_lift(noise=0.0)
    picture = lift.play(lifting(moment, cross=0.0), 30.0)
    assert picture.load.rise_m == pytest.approx(0.1, abs=1e-6)
    assert picture.load.tilt_x_rad == pytest.approx(math.asin(0.1 / 4.2), abs=1e-6)


def test_a_load_that_was_not_level_at_the_zero_is_measured_from_there(new_lift, moment):
    lift = new_lift(noise=0.0)
    slope = math.radians(4.0)

    def script(t):
        it = moment(rise=0.0)
        turned = min(0.03, max(0.0, (t - 3.0) * 0.002))
        # sin of the reading grows by the cosine's change: the body axis was at 4 degrees already
        it.offset = {
            "load-x": math.asin(math.sin(slope) + turned),
            "H1": 4.7 * turned,
            "H2": 4.7 * turned,
            "H3": 1.0 * turned,
        }
        return it

    picture = lift.play(script, 25.0)
    assert picture.load.rise_m == pytest.approx(4.2 * 0.03, abs=1e-5)
    assert picture.load.tilt_x_rad == pytest.approx(math.asin(math.sin(slope) + 0.03) - slope, abs=1e-5)


def test_a_rangefinder_on_the_ground_is_modelled_as_one(document, new_lift, moment):
    # Invented: 15 degrees, where z + (aX + bY)/cos differs from the linear term by 3.5 %: the reading is X * tan(theta).
    for sensor in document["height"]:
        sensor["mount"] = "ground"
    lift = new_lift(rig=Rig.model_validate(document), noise=0.0)

    def script(t):
        theta = min(math.radians(15), max(0.0, (t - 3.0) * 0.01))
        it = moment(rise=4.2 * math.sin(theta))
        it.offset = {
            name: x * (math.tan(theta) - math.sin(theta)) for name, x in (("H1", 4.7), ("H2", 4.7), ("H3", 1.0))
        }
        return it

    picture = lift.play(script, 35.0)
    assert picture.load.rise_m == pytest.approx(4.2 * math.sin(math.radians(15)), abs=1e-4)


def test_one_wild_reading_moves_nothing(lift, moment):
    script = lifting(moment, top=0.03)
    lift.play(script, 12.0)
    before = lift.pictures[-1].load.rise_m
    it = script(12.0)
    it.offset = {"H1": 0.8}
    after = lift.step(it).load.rise_m
    assert after == pytest.approx(before, abs=0.001)
    assert not [alarm for alarm in lift.raised() if alarm[2] != "caution"]


def test_a_sensor_that_jumps_away_alone_is_left_out_and_named(lift, moment):
    script = lifting(moment, top=0.03)

    def lying(t):
        it = script(t)
        it.offset = {"H1": 0.05} if t > 12.0 else {}
        return it

    picture = lift.play(lying, 16.0)
    assert picture.load.rise_m == pytest.approx(0.03, abs=0.002)
    status = {sensor.name: sensor.status for sensor in picture.sensors}
    assert status["H1"] is SensorStatus.CHECK
    assert lift.raised() == [("sensor-disagrees", "H1", "caution")]
    picture = lift.play(script, 22.0)  # it agrees again: it is taken back
    assert {sensor.status for sensor in picture.sensors} == {SensorStatus.OK}
    assert picture.alarms[0].state is AlarmState.RETURNED


def test_a_load_that_drops_is_believed_at_once(lift, moment):
    def dropping(t):
        return moment(rise=min(0.1, max(0.0, (t - 3.0) * 0.006)) - (0.02 if t > 22.0 else 0.0), upper=2.7e5)

    lift.play(dropping, 22.0)
    picture = lift.play(dropping, 22.5)
    assert picture.load.rise_m == pytest.approx(0.08, abs=0.002)
    assert not [alarm for alarm in lift.raised() if alarm[0] == "sensor-disagrees"]


def test_with_too_few_sensors_the_rise_is_unknown_and_says_why(lift, moment):
    script = lifting(moment, top=0.03)
    lift.play(script, 12.0)

    def silent(t):
        it = script(t)
        it.silent = ("H1", "H2", "H3")
        return it

    picture = lift.play(silent, 14.0)
    assert picture.load.rise_m is None
    assert picture.stacks[0].lean_m is None
    assert any(blind.rule == "uncaptured" and "H1" in blind.because for blind in picture.blind)
    picture = lift.play(script, 15.0)
    assert picture.load.rise_m == pytest.approx(0.03, abs=0.002)


def test_the_rise_is_known_without_inclinometers_on_the_load(lift, moment):
    script = lifting(moment, top=0.03)

    def silent(t):
        it = script(t)
        it.silent = ("load-x", "load-y") if t > 10 else ()
        return it

    assert lift.play(silent, 15.0).load.rise_m == pytest.approx(0.03, abs=0.002)
