"""The engine's filters, its residual test and its idea of noise, against the field's published numbers."""

import math
import random

import filterpy.kalman
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.linalg import solve_discrete_are
from scipy.stats import chi2, norm

from drivers.config import Channel
from drivers.reading import Reading
from monitor.engine.channels import ChannelState
from monitor.engine.integrity import Seen, judge, limit
from monitor.engine.kalman import RateFilter, TripleFilter

LEVEL = (1.0, 0.0, 0.0)
NOTHING = (0.0, 0.0, 0.0)


class Level:
    """The 6-state filter as a level that walks: a variance is added between readings, the rates stay nothing."""

    def __init__(self, start, variance, walk, noise):
        self.it = TripleFilter(NOTHING, (variance, 0.0, 0.0), NOTHING)
        self.it.x[0] = start
        self.walk, self.noise = walk, noise

    def take(self, reading):
        self.it.update(LEVEL, reading - self.it.x[0], self.noise)
        return self.it.x[0], self.it.p[0][0]

    def wait(self):
        self.it.open_up((self.walk, 0.0, 0.0), NOTHING)


@pytest.fixture(scope="module")
def nile():
    from statsmodels.datasets import nile

    return [float(value) for value in nile.load_pandas().data["volume"]]


def test_the_flow_of_the_nile(nile):
    # Durbin and Koopman, Time Series Analysis by State Space Methods (2012), chapter 2: local level, variances 15099 and
    # 1469.1 (from memory), start 0 with variance 1e7; steady gain about 0.267. Rows recomputed from their equations.
    level = Level(0.0, 1e7, 1469.1, 15099.0)
    rows = []
    for flow in nile:
        rows.append((*level.take(flow), level.it.p[0][0] / 15099.0))
        level.wait()
    assert rows[0] == pytest.approx((1118.3115, 15076.236, 0.99849), rel=1e-5)
    assert rows[1] == pytest.approx((1140.1084, 7894.558, 0.52285), rel=1e-5)
    assert (rows[2][0], rows[3][0]) == pytest.approx((1072.316, 1116.975), abs=1e-3)
    assert rows[99] == pytest.approx((798.3703, 4032.158, 0.267048), rel=1e-6)
    assert level.it.p[0][0] == pytest.approx(5501.258, abs=1e-3)


def test_the_flow_of_the_nile_from_its_first_reading(nile):
    # The same by statsmodels 0.15, exact diffuse: begins where the first reading is all that is known.
    level = Level(nile[0], 15099.0, 1469.1, 15099.0)
    found = {1871: nile[0]}
    for year, flow in enumerate(nile[1:], 1872):
        level.wait()
        found[year] = level.take(flow)[0]
    expected = {1871: 1120.0, 1872: 1140.92784, 1873: 1072.79853, 1920: 849.07057, 1970: 798.37029}
    assert {year: found[year] for year in expected} == pytest.approx(expected, abs=1e-5)


def test_a_constant_by_its_exact_variance_and_not_the_printed_one():
    # Welch and Bishop, An Introduction to the Kalman Filter: the constant voltage, Q 1e-5, R 0.01, P0 1. Their text says
    # about 2e-4 after 50 steps (from memory); the equations give 3.39211e-4, and 3.11267e-4 in the end.
    level = Level(0.0, 1.0, 1e-5, 0.01)
    for k in range(1000):
        level.wait()
        _, variance = level.take(-0.37727)
        if k == 49:
            assert variance == pytest.approx(3.39211e-4, rel=1e-5)
    assert variance == pytest.approx(3.11267e-4, rel=1e-5)


@pytest.mark.parametrize(
    ("index", "alpha", "beta"), [(0.1, 0.36, 0.08), (0.5, 0.628373, 0.304806), (1, 0.75, 0.5), (2, 0.854102, 0.763932)]
)
def test_steady_gains_by_tracking_index(index, alpha, beta):
    # Kalata, "The tracking index", IEEE Transactions AES-20(2), 1984: an acceleration held through each interval T moves
    # position by T^2/2 and rate by T, as a kick to the rate half way through does.
    it = TripleFilter(NOTHING, (1.0, 0.0, 0.0), (1.0, 0.0, 0.0))
    interval, noise = 0.25, 0.01
    kick = (index * noise / interval) ** 2
    for _ in range(400):
        it.predict(interval / 2.0)
        it.open_up(NOTHING, (kick, 0.0, 0.0))
        it.predict(interval / 2.0)
        ph, spread = it.along(LEVEL)
        gains = ph[0] / (spread + noise**2), interval * ph[3] / (spread + noise**2)
        it.update(LEVEL, 0.0, noise**2)
    assert gains == pytest.approx((alpha, beta), abs=1e-6)


@pytest.mark.parametrize("index", [0.01, 0.1, 1.0, 10.0])
def test_the_rate_filters_steady_gains(index):
    # White-noise acceleration, Bar-Shalom, Li and Kirubarajan (2001), section 6.5 (closed form from memory): index^2 is
    # q T^3 / r; u = 1/3 + sqrt(1/12 + 4/index^2), beta = 12/(6(u + sqrt u) + 1), alpha = beta sqrt u. And the Riccati
    # equation as scipy solves it.
    interval, noise = 0.05, 0.002
    q = (index * noise) ** 2 / interval**3
    it = RateFilter(noise, q, 1.0)
    for k in range(4000):
        it.update(k * 50_000_000, 0.0)
    alpha, beta = it.p00 / noise**2, interval * it.p01 / noise**2
    u = 1.0 / 3.0 + math.sqrt(1.0 / 12.0 + 4.0 / index**2)
    assert beta == pytest.approx(12.0 / (6.0 * (u + math.sqrt(u)) + 1.0), rel=1e-6)
    assert alpha == pytest.approx(beta * math.sqrt(u), rel=1e-6)
    f, h = np.array([[1.0, interval], [0.0, 1.0]]), np.array([[1.0], [0.0]])
    noise_of_motion = q * np.array([[interval**3 / 3, interval**2 / 2], [interval**2 / 2, interval]])
    p = solve_discrete_are(f.T, h, noise_of_motion, np.array([[noise**2]]))
    assert alpha == pytest.approx(p[0, 0] / (p[0, 0] + noise**2), rel=1e-8)


@given(st.integers(0, 2**31))
@settings(max_examples=25, deadline=None)
def test_one_reading_after_another_is_the_same_as_all_at_once(seed):
    # filterpy 2.0, KalmanFilter, which takes the readings of a moment together, as one vector; times and rows at random.
    rng = random.Random(seed)
    q, p0, v0 = (1e-5, 2e-6, 3e-6), (1e-4, 2e-5, 3e-5), (1e-3, 2e-4, 3e-4)
    ours, theirs = TripleFilter(q, p0, v0), filterpy.kalman.KalmanFilter(dim_x=6, dim_z=1)
    theirs.x, theirs.P = np.zeros((6, 1)), np.diag([*p0, *v0])
    eye, none = np.eye(3), np.zeros((3, 3))
    for _ in range(100):
        dt = max(0.0, rng.gauss(0.05, 0.03))
        ours.predict(dt)
        d = np.diag(q)
        theirs.F = np.block([[eye, dt * eye], [none, eye]])
        theirs.Q = np.block([[d * dt**3 / 3, d * dt**2 / 2], [d * dt**2 / 2, d * dt]])
        theirs.predict()
        count = rng.randrange(1, 5)
        rows = [(rng.choice([0.0, 1.0]), rng.uniform(-5, 5), rng.uniform(-2, 2)) for _ in range(count)]
        read, noise = [rng.gauss(0, 0.1) for _ in rows], [rng.uniform(1e-7, 1e-4) for _ in rows]
        for h, value, r in zip(rows, read, noise, strict=True):
            ours.update(h, value - sum(a * b for a, b in zip(h, ours.x, strict=False)), r)
        theirs.dim_z = count
        theirs.update(np.array(read)[:, None], R=np.diag(noise), H=np.hstack([np.array(rows), np.zeros((count, 3))]))
        np.testing.assert_allclose(ours.x, theirs.x[:, 0], rtol=1e-9, atol=1e-9)
        size = np.sqrt(np.outer(np.diag(theirs.P), np.diag(theirs.P)))
        np.testing.assert_allclose(ours.p / size, theirs.P / size, atol=1e-9)


def mean_nis(rng, stated, actual):
    """Mean normalised innovation squared of 50 readings of a level that the filter's own model made."""
    level, truth, total = Level(0.0, 4.0, 0.3, stated), rng.gauss(0, 2.0), 0.0
    for _ in range(50):
        reading = truth + rng.gauss(0, math.sqrt(actual))
        total += (reading - level.it.x[0]) ** 2 / (level.it.along(LEVEL)[1] + stated)
        level.take(reading)
        level.wait()
        truth += rng.gauss(0, math.sqrt(0.3))
    return total / 50


def test_a_filter_that_is_right_about_its_noise_is_consistent():
    # Bar-Shalom, Li and Kirubarajan (2001), section 5.4: the mean of 50 scalar values lies in [0.6471, 1.4284] 95 times in
    # a hundred (chi-square with 50 degrees of freedom over 50). 1000 runs: four standard deviations are 2.8 in a hundred.
    rng = random.Random(11)
    inside = sum(0.6471 < mean_nis(rng, 1.0, 1.0) < 1.4284 for _ in range(1000)) / 1000
    assert inside == pytest.approx(0.95, abs=0.028)
    assert sum(0.6471 < mean_nis(rng, 1.0, 4.0) < 1.4284 for _ in range(200)) < 20


# NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.4: upper critical values of chi-square.
UPPER = {1: (2.706, 3.841, 6.635), 2: (4.605, 5.991, 9.210), 3: (6.251, 7.815, 11.345), 4: (7.779, 9.488, 13.277)}


@pytest.mark.parametrize("spare", UPPER)
def test_the_residual_test_follows_the_chi_square_table(spare):
    rng = random.Random(spare)
    rows = [
        (1.0, x, y) for x, y in ((4.7, 1.2), (4.7, -1.2), (0.3, 1.0), (2.4, 0.1), (0.0, -1.1), (3.0, 0.9), (1.0, 0.0))
    ]
    noise = [0.4e-3, 0.5e-3, 1e-3, 0.3e-3, 0.8e-3, 0.6e-3, 0.4e-3]
    runs = 2000
    found = [
        judge([Seen(h, rng.gauss(0.01, s), s * s) for h, s in zip(rows[: spare + 3], noise, strict=False)]).chi_square
        for _ in range(runs)
    ]
    for share, point in zip((0.1, 0.05, 0.01), UPPER[spare], strict=True):
        beyond = sum(value > point for value in found) / runs
        assert beyond == pytest.approx(share, abs=4.0 * math.sqrt(share * (1.0 - share) / runs))


@pytest.mark.parametrize("spare", [1, 2, 5, 9, 12, 20, 50, 200])
def test_its_limit_is_one_false_alarm_in_ten_million(spare):
    # The chi-square distribution as scipy has it; beyond nine by Wilson and Hilferty, which errs to the quiet side, by half
    # at most.
    assert 0.5e-7 < chi2.sf(limit(spare), spare) < 1.005e-7


def test_a_zero_is_noisier_than_stated_only_where_chance_hardly_explains_it():
    # A sample's variance over the true one is chi-square over its degrees of freedom; one in a thousand (scipy).
    count = 40
    critical = math.sqrt(chi2.isf(1e-3, count - 1) / (count - 1))
    assert norm.isf(1e-3) == pytest.approx(3.09, abs=1e-3)
    for sd, believed in [(0.99 * critical, 1.0), (1.01 * critical, 1.01 * critical)]:
        state = ChannelState(Channel(name="H", quantity="length", noise=1e-3, source={"port": "w", "id": "H"}))
        off = 1e-3 * sd * math.sqrt((count - 1) / count)
        for k in range(count):
            state.take(Reading("H", k, k * 50_000_000, None, 0.3 + (off if k % 2 else -off)))
        state.take_zero()
        assert state.baseline.sd == pytest.approx(1e-3 * sd)
        assert state.sd == pytest.approx(1e-3 * believed)
