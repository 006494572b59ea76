"""A hinge that walks or sinks, against poses laid by hand; noise and loads are invented."""

import random
from math import cos, hypot, radians, sin

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.engine.estimate import PoseEstimate
from monitor.engine.mounts import Level
from monitor.engine.walk import HingeWatch

HINGE = ((0.0, -1.25), (0.0, 1.25))
SD = 0.0003


def pose(z, a, sd=SD, rate=0.0):
    p = [[0.0] * 6 for _ in range(6)]
    p[0][0], p[1][1], p[2][2] = sd * sd, (sd / 5) ** 2, (sd / 5) ** 2
    return PoseEstimate((z, a, 0.0, 0.0, rate, 0.0), p, Level())


def play(path, seconds, *, seed=1, noise=0.0002, watch=None):
    """(time, shift) of a lift whose (hinge distance, tilt, sunk) is `path(t)`; the load's origin lies on the planned hinge."""
    rng, out, watch = random.Random(seed), [], watch or HingeWatch(HINGE, [(4.2, 0.0)])
    error = 0.0
    for k in range(round(seconds * 10)):
        gone, tilt, sunk = path(k / 10)
        error += 0.3 * (rng.gauss(0.0, noise * 2.4) - error)  # a filter's errors hang together for a few tenths
        out.append((k / 10, watch.tick(k * 100_000_000, pose(-gone * tilt - sunk + error, tilt))))
    return out


def rising(t):
    return min(radians(6.0), max(0.0, t - 3.0) * 0.002)


def beyond(shift):
    return shift is not None and abs(shift.rise_m) >= shift.limit_m


@pytest.mark.parametrize("seed", range(8))
def test_a_hinge_that_stays_is_never_beyond_its_limit_wherever_it_lies(seed):
    aside = random.Random(seed).uniform(-0.3, 0.3)  # the plan is a drawing, the hinge an edge somewhere near it
    assert not any(beyond(s) for _, s in play(lambda t: (aside, rising(t), 0.0), 120.0, seed=seed))


@pytest.mark.parametrize("seed", range(8))
def test_twenty_millimetres_are_seen_within_two_seconds(seed):
    def path(t):
        return 0.02 * min(1.0, max(0.0, (t - 70.0) / 0.5)), rising(t), 0.0

    shifts = play(path, 73.0, seed=seed)
    first = next(t for t, s in shifts if beyond(s))
    assert 70.0 < first <= 72.0
    told = dict(shifts)[72.5]
    assert told.walk_m == pytest.approx(0.02, abs=0.006)
    assert told.rise_m < 0.0, "the plan's line has sunk as the load turns about one nearer to the stack"


@pytest.mark.parametrize("seed", range(8))
def test_a_tenth_of_a_metre_at_once_is_seen_before_it_is_over(seed):
    def path(t):
        return 0.1 * min(1.0, max(0.0, (t - 70.0) / 0.5)), rising(t), 0.0

    first = next(t for t, s in play(path, 73.0, seed=seed) if beyond(s))
    assert 70.0 < first <= 70.5


def test_a_pose_that_stands_off_for_a_moment_is_no_slide():
    """A busy wire's readings come late, all together: a millimetre for a third of a second, as a live session had it."""

    def path(t):
        return 0.0, rising(t), 0.001 if 70.0 <= t < 70.35 else 0.0

    shifts = play(path, 75.0)
    assert max(abs(s.rise_m) for t, s in shifts if s is not None and t > 69.0) > 0.0003, "it is seen"
    assert not any(beyond(s) for _, s in shifts)


def test_a_support_that_is_crushed_is_seen_as_well():
    shifts = play(lambda t: (0.0, rising(t), 0.003 * min(1.0, max(0.0, (t - 40.0) / 0.5))), 44.0)
    assert 40.0 < next(t for t, s in shifts if beyond(s)) < 41.5
    assert dict(shifts)[42.0].rise_m == pytest.approx(-0.003, abs=0.0006)


def test_what_walks_over_an_hour_is_learned_and_not_told():
    shifts = play(lambda t: (0.02 * max(0.0, t - 70.0) / 3600.0, rising(t), 0.0), 400.0)
    assert not any(beyond(s) for _, s in shifts)


def test_nothing_is_said_before_the_load_has_turned_a_degree_and_been_learned():
    shifts = play(lambda t: (0.0, rising(t), 0.0), 16.0)
    assert all(s is None for t, s in shifts if rising(t) < radians(0.97))
    assert play(lambda t: (0.0, radians(3.0), 0.0), 4.0)[-1][1] is None


def test_a_sudden_change_of_pace_widens_the_limit():
    watch = HingeWatch(HINGE, [(4.2, 0.0)])
    play(lambda t: (0.0, rising(t), 0.0), 60.0, watch=watch)
    calm = watch.tick(60_000_000_000, pose(0.0, radians(6.0)))
    hasty = watch.tick(60_100_000_000, pose(0.0, radians(6.0), rate=0.01))
    assert hasty.limit_m > calm.limit_m + 0.002


@settings(max_examples=25, deadline=None)
@given(st.floats(-3.1, 3.1), st.floats(-0.1, 0.1))
def test_it_does_not_matter_how_the_hinge_lies(angle, by):
    """The same lift about a hinge turned in the load frame: the same shift, toward the stack positive."""
    n = cos(angle), sin(angle)
    line = ((n[1] * 1.25, -n[0] * 1.25), (-n[1] * 1.25, n[0] * 1.25))
    watch, shift = HingeWatch(line, [(4.2 * n[0], 4.2 * n[1])]), None
    for k in range(300):
        tilt = min(0.1, 0.001 * k)
        gone = by if k >= 280 else 0.0
        p = pose(0.0, 0.0)
        at = PoseEstimate((-gone * tilt, tilt * n[0], tilt * n[1], 0.0, 0.0, 0.0), p.p, Level())
        shift = watch.tick(k * 100_000_000, at)
    assert hypot(*n) == pytest.approx(1.0)
    assert shift.walk_m == pytest.approx(by, abs=0.002 + 0.02 * abs(by))
