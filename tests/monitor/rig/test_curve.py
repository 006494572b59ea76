"""What a calibration makes of a reading, against published worked examples, and what must hold of any."""

from __future__ import annotations

import math
from importlib.util import find_spec
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.rig.curve import Curve, line_of

# JCGM 100:2008 (GUM), Annex H.3, Table H.6: thermometer reading t (degC) and correction b (degC) at eleven points.
THERMOMETER = [
    (21.521, -0.171), (22.012, -0.169), (22.512, -0.166), (23.003, -0.159), (23.507, -0.164), (23.999, -0.165),
    (24.513, -0.156), (25.002, -0.157), (25.503, -0.159), (26.010, -0.161), (26.511, -0.160),
]  # fmt: skip


def test_the_thermometer_of_the_guide_to_uncertainty():
    """GUM H.3.3 to H.3.5: slope 0.00218 (sd 0.00067), at 20 degC -0.1712 (0.0029), scatter 0.0035, at 30 degC -0.1494 (0.0041);
    about the mean reading, 24.0085 degC, -0.1625 (0.0011)."""
    line = line_of(*zip(*THERMOMETER, strict=True))
    assert line.slope == pytest.approx(0.00218, abs=5e-6)
    assert line.sd / math.sqrt(line.sxx) == pytest.approx(0.00067, abs=5e-6)
    assert line.sd == pytest.approx(0.0035, abs=5e-5)
    for t, correction, sd in ((20.0, -0.1712, 0.0029), (30.0, -0.1494, 0.0041), (24.0085, -0.1625, 0.0011)):
        assert line.at(t) == pytest.approx(correction, abs=5.1e-5)
        assert line.line_sd(t) == pytest.approx(sd, abs=5e-5)
    curve = Curve([(t, t + b) for t, b in THERMOMETER], 0.003)
    assert not curve.bent
    assert curve.true(30.0) == pytest.approx(29.8506, abs=5.1e-5)


def test_the_line_of_norris():
    """NIST StRD Norris: 36 measurements of ozone; certified values to ten digits. The file comes with scipy."""
    path = Path(find_spec("scipy").origin).parent / "stats/tests/data/nist_linregress/Norris.dat"
    if not path.is_file():
        pytest.skip("this scipy comes without its test data, where NIST's Norris.dat is")
    y, x = zip(*(map(float, line.split()) for line in path.read_text().splitlines()[60:96]), strict=True)
    line = line_of(x, [b - a for a, b in zip(x, y, strict=True)])
    assert line.slope + 1.0 == pytest.approx(1.00211681802045, rel=1e-12)
    assert line.at(0.0) == pytest.approx(-0.262323073774029, rel=1e-9)
    assert line.sd == pytest.approx(0.884796396144373, rel=1e-9)
    assert line.sd / math.sqrt(line.sxx) == pytest.approx(0.429796848199937e-3, rel=1e-9)
    assert line.line_sd(0.0) == pytest.approx(0.232818234301152, rel=1e-9)


def test_two_points_by_hand():
    """A gauge that reads 2 of 100 high at the top and is right at nothing; the reference is good for 0.5 (invented)."""
    curve = Curve([(0.0, 0.0), (102.0, 100.0)], 0.5)
    assert curve.true(51.0) == pytest.approx(50.0)
    assert curve.true(204.0) == pytest.approx(200.0)
    assert [curve.sd(x) for x in (0.0, 51.0, 102.0)] == pytest.approx([0.5, 0.5, 0.5])
    # One length of the points beyond: 1/2 + (1.5)^2 / (2 * 0.5^2) = 5 variances.
    assert curve.sd(204.0) == pytest.approx(0.5 * math.sqrt(5.0))
    assert curve.inside(102.0)
    assert not curve.inside(102.5)
    assert curve.sd_between(51.0, 51.0) == 0.0
    assert curve.sd_between(102.0, 0.0) == pytest.approx(0.5 * math.sqrt(2.0))  # each end errs by itself


def test_a_bend_that_the_reference_sees_is_followed_from_point_to_point():
    points = [(x, x + 0.01 * x * x) for x in (0.0, 1.0, 2.0, 3.0, 4.0)]  # invented: a square of 0.01
    bent, straight = Curve(points, 1e-4), Curve(points, 0.05)
    assert bent.bent
    assert not straight.bent
    for read, true in points:
        assert bent.true(read) == pytest.approx(true, abs=1e-12)
        assert bent.sd(read) == pytest.approx(1e-4)
    for x in (
        0.5,
        1.5,
        3.5,
        5.0,
    ):  # in the middle of a piece a square is off by a quarter of it, beyond by what it is there
        k = min(int(x), 3)
        off = 0.01 * abs((x - k) * (x - k - 1))
        assert abs(bent.true(x) - (x + 0.01 * x * x)) == pytest.approx(off)
        assert bent.sd(x) >= off / math.sqrt(3.0)


NUMBERS = st.floats(-1e6, 1e6, allow_subnormal=False)


@st.composite
def rising(draw):
    """Points that rise in both by steps that a gauge could see, and a doubt."""
    steps = st.lists(st.tuples(st.floats(0.1, 1e5), st.floats(0.1, 1e5)), min_size=1, max_size=8)
    read, true = draw(NUMBERS), draw(NUMBERS)
    points = [(read, true)]
    for dx, dy in draw(steps):
        points.append((points[-1][0] + dx, points[-1][1] + dy))
    return points, draw(st.floats(0.0, 1e4))


@given(rising(), NUMBERS)
def test_a_channel_that_reads_true_is_left_as_it_is_to_the_bit(drawn, x):
    reads = [read for read, _ in drawn[0]]
    curve = Curve([(read, read) for read in reads], 0.0)
    assert curve.true(x) == x
    assert curve.sd(x) == 0.0
    assert curve.sd_between(x, reads[0]) == 0.0


@given(rising(), NUMBERS, NUMBERS)
def test_the_order_of_readings_is_kept(drawn, x, y):
    curve = Curve(*drawn)
    low, high = sorted((x, y))
    slack = 1e-9 * (1.0 + max(map(abs, (curve.true(low), curve.true(high), low, high, *curve.reads))))
    assert curve.true(low) <= curve.true(high) + slack


@given(rising(), NUMBERS, NUMBERS)
def test_no_value_is_surer_than_the_reference_and_no_way_than_none(drawn, x, start):
    points, doubt = drawn
    curve = Curve(points, doubt)
    assert curve.sd(x) >= doubt * (1.0 - 1e-12)
    assert curve.sd_between(start, start) == 0.0
    assert curve.sd_between(x, start) >= 0.0
    assert math.isfinite(curve.sd(x))


@given(rising(), NUMBERS, st.floats(1.0, 100.0))
def test_a_worse_reference_never_makes_a_two_point_calibration_surer(drawn, x, more):
    points, doubt = drawn
    better, worse = Curve([points[0], points[-1]], doubt), Curve([points[0], points[-1]], doubt * more)
    assert worse.sd(x) >= better.sd(x) * (1.0 - 1e-12)
    assert worse.sd_between(x, points[0][0]) >= better.sd_between(x, points[0][0]) * (1.0 - 1e-12)
