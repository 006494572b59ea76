"""The smoother against three independent libraries, published series, and what must always hold of it."""

import csv
import math
import random
from pathlib import Path

import filterpy.kalman
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.debrief.smoothing import ForwardPass, Step, motion, smoothed, smoothed_states
from monitor.engine.kalman import TripleFilter


def forward(readings, f, q, h, r, x, p, offsets=None, seen=0.0):
    """The forward pass of any linear model, by numpy. `x`, `p`: after the first reading; None is no reading."""
    f, q, h, r, x, p = (np.atleast_2d(np.asarray(it, dtype=float)) for it in (f, q, h, r, x, p))
    x = x.reshape(-1)
    steps = [Step(0, f.tolist(), q.tolist(), x.tolist(), p.tolist(), x.tolist(), p.tolist())]
    for k, y in enumerate(readings, 1):
        x, p = f @ x + (0.0 if offsets is None else offsets[k - 1]), f @ p @ f.T + q
        before = x.tolist(), p.tolist()
        if y is not None:
            gain = np.linalg.solve(h @ p @ h.T + r, h @ p).T
            x, p = x + gain @ (np.atleast_1d(y) - h @ x - seen), p - gain @ h @ p
        steps.append(Step(k, f.tolist(), q.tolist(), *before, x.tolist(), p.tolist()))
    return steps


def local_level(readings, noise, walk):
    """A level that walks: exact diffuse start, so that the first reading is what is known of it."""
    return forward(readings[1:], 1.0, walk, 1.0, noise, readings[0], noise)


def test_the_flow_of_the_nile():
    # Durbin and Koopman, Time Series Analysis by State Space Methods (2012), chapter 2: annual flow of the Nile 1871 to
    # 1970, local level, variances 15099 and 1469.1. The smoothed values by statsmodels 0.15, exact diffuse.
    from statsmodels.datasets import nile

    flows = [float(value) for value in nile.load_pandas().data["volume"]]
    assert flows[:5] == [1120, 1160, 963, 1210, 1160]
    found = smoothed(local_level(flows, 15099.0, 1469.1))
    for year, level in [
        (1871, 1111.66832),
        (1872, 1110.85766),
        (1873, 1105.26557),
        (1920, 834.76326),
        (1970, 798.37029),
    ]:
        assert found[year - 1871][0][0] == pytest.approx(level, abs=1e-5)
    assert found[0][1][0][0] == pytest.approx(4032.158, abs=1e-3)
    assert found[50][1][0][0] == pytest.approx(2326.757, abs=1e-3)
    assert found[99][1][0][0] == pytest.approx(4032.158, abs=1e-3)


def test_the_level_of_a_package_in_another_language():
    # The table of an R package's smoother (KFAS), as statsmodels ships it for its own tests: variances 1.993 and 8.253. Its
    # filtered variances and its likelihood are known to be odd in the diffuse time; smoothed ones are compared only.
    statespace = pytest.importorskip("statsmodels.tsa.statespace")
    table = Path(statespace.__file__).parent / "tests/results/results_exact_initial_local_level_R.csv"
    if not table.is_file():
        pytest.skip("this statsmodels comes without its tests' tables")
    with table.open(newline="") as file:
        rows = list(csv.DictReader(file))[:-1]  # the last row is a look ahead
    readings = [float(row["v_1"]) + float(row["a_1"]) for row in rows]
    assert readings[:2] == pytest.approx([10.2394, 1.0])
    found = smoothed(local_level(readings, 1.993, 8.253))
    assert found[1][0][0] == pytest.approx(2.28778372019385, rel=1e-9)
    assert found[1][1][0][0] == pytest.approx(1.42808320855318, rel=1e-9)
    for (x, p), row in zip(found, rows, strict=True):
        assert x[0] == pytest.approx(float(row["alphahat_1"]), rel=1e-9)
        assert p[0][0] == pytest.approx(float(row["sumV"]), rel=1e-9)


@pytest.mark.filterwarnings("ignore::ResourceWarning")  # its loader leaves a file to the collector
def test_the_robot_of_a_course():
    # P. Abbeel, data set of course CS287, Berkeley 2011, as pykalman ships it: 501 steps of 5 states and 2 outputs, with
    # smoothed means and covariances worked out there; and pykalman's own smoother.
    from pykalman import KalmanFilter
    from pykalman.datasets import load_robot

    it = load_robot()
    found = smoothed(
        forward(
            it.observations[1:].data,
            it.transition_matrix,
            it.transition_covariance,
            it.observation_matrix,
            it.observation_covariance,
            it.initial_state_mean,
            it.initial_state_covariance,
            it.transition_offsets,
            it.observation_offset,
        )
    )
    theirs = KalmanFilter(
        it.transition_matrix,
        it.observation_matrix,
        it.transition_covariance,
        it.observation_covariance,
        it.transition_offsets,
        it.observation_offset,
        it.initial_state_mean,
        it.initial_state_covariance,
    ).smooth(it.observations)
    xs, ps = np.array([x for x, _ in found]), np.array([p for _, p in found])
    assert len(xs) == 501
    np.testing.assert_allclose(xs, theirs[0], rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(ps, theirs[1], rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(xs, it.smoothed_state_means, rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(ps, it.smoothed_state_covariances, rtol=1e-9, atol=1e-9)


def lift(seed, moments=60):
    """A forward pass of the pose's model over invented readings: odd times, odd rows, here and there a widening."""
    rng = random.Random(seed)
    it = ForwardPass(TripleFilter((1e-5, 2e-6, 3e-6), (1e-4, 2e-5, 3e-5), (1e-3, 2e-4, 3e-4)), 0)
    now = 0
    for k in range(moments):
        now += rng.randrange(1_000_000, 300_000_000)
        it.advance(now)
        if k % 20 == 10:
            it.open_up((4e-4, 1e-4, 1e-4), (1e-2, 1e-3, 1e-3))
        for _ in range(rng.randrange(3)):
            h = (rng.choice([0.0, 1.0]), rng.uniform(-5, 5), rng.uniform(-2, 2))
            it.take(h, rng.gauss(0, 0.1), rng.uniform(1e-6, 1e-4))
    return it


@given(st.integers(0, 2**31))
@settings(max_examples=25, deadline=None)
def test_the_pose_looked_back_at_agrees_with_filterpy(seed):
    # filterpy 2.0, KalmanFilter.rts_smoother: an independent implementation of the same equations.
    steps = lift(seed).steps
    xs, ps, fs, qs = (np.array([getattr(s, it) for s in steps]) for it in ("x", "p", "transition", "noise"))
    x, p, *_ = filterpy.kalman.KalmanFilter(dim_x=6, dim_z=1).rts_smoother(xs, ps, fs, qs)
    ours = smoothed(steps)
    np.testing.assert_allclose([x for x, _ in ours], x, rtol=1e-9, atol=1e-9)
    for (_, mine), theirs in zip(ours, p, strict=True):
        size = np.sqrt(np.outer(np.diag(theirs), np.diag(theirs)))
        np.testing.assert_allclose(mine / size, theirs / size, atol=1e-9)


@given(st.integers(0, 2**31))
@settings(max_examples=25, deadline=None)
def test_looking_back_only_ever_makes_surer(seed):
    steps = lift(seed).steps
    found = smoothed(steps)
    np.testing.assert_allclose(smoothed_states(steps), [x for x, _ in found], rtol=1e-7, atol=1e-9)
    assert found[-1] == (steps[-1].x, steps[-1].p)
    for k, (step, (x, p)) in enumerate(zip(steps, found, strict=True), 1):
        assert all(map(math.isfinite, x))
        assert k == len(steps) or all(p[i][j] == p[j][i] for i in range(6) for j in range(i))
        scale = np.sqrt(np.diag(step.p))
        assert np.linalg.eigvalsh(np.array(p) / np.outer(scale, scale)).min() > 0.0
        gained = (np.array(step.p) - np.array(p)) / np.outer(scale, scale)
        assert np.linalg.eigvalsh(gained).min() > -1e-9


def test_it_is_the_least_squares_answer_of_all_readings_at_once():
    # A smoother gives the mean of the state given everything: the same as one big linear system, solved by numpy.
    it = ForwardPass(TripleFilter((1e-3,) * 3, (1e-2,) * 3, (1e-1,) * 3), 0)
    rng = random.Random(4)
    times = [0, 120, 310, 330, 600]
    rows, values = [], []
    for k, ms in enumerate(times):
        it.advance(ms * 1_000_000)
        if k == 0:
            for i, sd in enumerate([0.1] * 3 + [math.sqrt(0.1)] * 3):
                rows.append([(1.0 if j == i else 0.0) / sd for j in range(6 * len(times))])
                values.append(0.0)
        else:
            f, q = motion((ms - times[k - 1]) * 1e-3, (1e-3,) * 3)
            white = np.linalg.inv(np.linalg.cholesky(np.array(q)))
            for row in white @ np.hstack([-np.array(f), np.eye(6)]):
                rows.append([0.0] * (6 * (k - 1)) + row.tolist() + [0.0] * (6 * (len(times) - k - 1)))
                values.append(0.0)
        for _ in range(2):
            h, change = (1.0, rng.uniform(-5, 5), rng.uniform(-2, 2)), rng.gauss(0, 0.3)
            it.take(h, change, 4e-4)
            rows.append([0.0] * (6 * k) + [v / 0.02 for v in h] + [0.0] * (6 * (len(times) - k) - 3))
            values.append(change / 0.02)
    a = np.array(rows)
    truth = np.linalg.lstsq(a, np.array(values), rcond=None)[0].reshape(-1, 6)
    spread = np.linalg.inv(a.T @ a)
    for k, (x, p) in enumerate(smoothed(it.steps)):
        np.testing.assert_allclose(x, truth[k], rtol=1e-7, atol=1e-9)
        np.testing.assert_allclose(p, spread[6 * k : 6 * k + 6, 6 * k : 6 * k + 6], rtol=1e-6, atol=1e-10)


def test_a_jump_is_seen_before_it_comes():
    # Invented: a load that rests, then lies 30 mm higher; the step at which the model was opened up takes it all.
    it = ForwardPass(TripleFilter((1e-9,) * 3, (1e-8,) * 3, (1e-10,) * 3), 0)
    for k in range(1, 41):
        it.advance(k * 50_000_000)
        if k == 21:
            it.open_up((4e-4, 1e-4, 1e-4), (1e-8,) * 3)
        it.take((1.0, 0.0, 0.0), 0.0 if k < 21 else 0.03, 1e-6)
    rise = {step.time_ns: x[0] for step, (x, _) in zip(it.steps, smoothed(it.steps), strict=True)}
    assert rise[20 * 50_000_000] == pytest.approx(0.0, abs=1e-3)
    assert rise[22 * 50_000_000] == pytest.approx(0.03, abs=1e-3)


def test_a_state_that_is_known_to_the_last_digit_stays_as_it_is():
    it = ForwardPass(TripleFilter((0.0,) * 3, (0.0,) * 3, (0.0,) * 3), 0)
    it.filter.x[0] = 0.5
    for k in range(1, 4):
        it.advance(k * 10**9)
        it.take((1.0, 0.0, 0.0), 9.0, 1e-6)
    for x, p in smoothed(it.steps):
        assert x == [0.5, 0.0, 0.0, 0.0, 0.0, 0.0]
        assert p == [[0.0] * 6] * 6


def test_a_reading_from_the_past_does_not_turn_time_back():
    it = ForwardPass(TripleFilter((1e-5,) * 3, (1e-4,) * 3, (1e-3,) * 3), 5)
    it.advance(10**9)
    it.advance(10**8)
    it.take((1.0, 0.0, 0.0), 0.1, 1e-6)
    assert [step.time_ns for step in it.steps] == [5, 10**9]
    assert it.steps[0].x[0] == 0.0
    assert it.steps[1].x[0] > 0.09


def test_nothing_to_look_back_at():
    assert smoothed([]) == smoothed_states([]) == []
