"""The two filters against an independent library, to nine digits, and against what must always hold."""

import random

import filterpy.common
import filterpy.kalman
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.engine.kalman import RateFilter, TripleFilter, variance_along


def reference(size: int, q) -> filterpy.kalman.KalmanFilter:
    it = filterpy.kalman.KalmanFilter(dim_x=2 * size, dim_z=1)
    it.x = np.zeros((2 * size, 1))
    return it


def step_matrices(size: int, dt: float, q):
    eye, zero = np.eye(size), np.zeros((size, size))
    f = np.block([[eye, dt * eye], [zero, eye]])
    d = np.diag(q)
    return f, np.block([[d * dt**3 / 3, d * dt**2 / 2], [d * dt**2 / 2, d * dt]])


@given(st.integers(0, 2**31))
def test_the_triple_filter_agrees_with_filterpy(seed):
    # filterpy 2.0, KalmanFilter: an independent implementation of the same equations (Joseph form).
    rng = random.Random(seed)
    q, p0, v0 = ((1e-5, 2e-6, 3e-6), (1e-4, 2e-5, 3e-5), (1e-3, 2e-4, 3e-4))
    ours, theirs = TripleFilter(q, p0, v0), reference(3, q)
    theirs.P = np.diag([*p0, *v0])
    for _ in range(60):
        dt, r = rng.uniform(0.0, 0.3), rng.uniform(1e-8, 1e-4)
        h = (rng.choice([0.0, 1.0]), rng.uniform(-5, 5), rng.uniform(-2, 2))
        measured = rng.gauss(0, 0.1)
        ours.predict(dt)
        theirs.F, theirs.Q = step_matrices(3, dt, q)
        theirs.predict()
        ours.update(h, measured - sum(a * b for a, b in zip(h, ours.x, strict=False)), r)
        theirs.update(np.array([[measured]]), R=np.array([[r]]), H=np.array([[*h, 0, 0, 0]]))
        np.testing.assert_allclose(ours.x, theirs.x[:, 0], rtol=1e-9, atol=1e-13)
        np.testing.assert_allclose(ours.p, theirs.P, rtol=1e-8, atol=1e-13)


@given(st.integers(0, 2**31))
def test_the_rate_filter_agrees_with_filterpy(seed):
    rng = random.Random(seed)
    ours, theirs = RateFilter(0.01, 1e-3, 0.5), reference(1, [1e-3])
    t = 0
    ours.update(0, 1.0)
    theirs.x, theirs.P = np.array([[1.0], [0.0]]), np.diag([0.01**2, 0.25])
    for _ in range(80):
        t += rng.randrange(1, 200_000_000)
        dt = (t - ours.time_ns) * 1e-9
        measured = rng.gauss(1.0, 0.05)
        theirs.F, theirs.Q = step_matrices(1, dt, [1e-3])
        theirs.predict()
        theirs.update(np.array([[measured]]), R=np.array([[1e-4]]), H=np.array([[1.0, 0.0]]))
        ours.update(t, measured)
        np.testing.assert_allclose([ours.value, ours.rate], theirs.x[:, 0], rtol=1e-9, atol=1e-12)
        np.testing.assert_allclose([[ours.p00, ours.p01], [ours.p01, ours.p11]], theirs.P, rtol=1e-8, atol=1e-13)


def test_the_rate_of_a_ramp_is_found():
    it = RateFilter(0.01, 1e-3, 0.5)
    for i in range(200):
        it.update(i * 50_000_000, 0.3 * i * 0.05)
    assert it.rate == pytest.approx(0.3, rel=1e-3)
    assert 0.0 < it.rate_sd < 0.05


def test_a_reading_from_the_past_does_not_turn_time_back():
    it = RateFilter(0.01, 1e-3, 0.5)
    it.update(1_000_000_000, 1.0)
    it.update(2_000_000_000, 2.0)
    it.update(1_500_000_000, 1.5)
    assert it.time_ns == 2_000_000_000


@given(
    st.lists(
        st.tuples(st.floats(0, 5), st.floats(-5, 5), st.floats(-5, 5), st.floats(-10, 10), st.floats(1e-9, 1)),
        min_size=1,
        max_size=60,
    )
)
def test_the_covariance_stays_symmetric_and_positive(readings):
    it = TripleFilter((3e-6, 2e-7, 2e-7), (1e-8,) * 3, (1e-8,) * 3)
    for dt, a, b, innovation, r in readings:
        it.predict(dt)
        it.update((1.0, a, b), innovation, r)
        p = np.array(it.p)
        assert np.isfinite(it.x).all()
        assert (p == p.T).all()
        assert np.linalg.eigvalsh(p).min() > -1e-12 * np.trace(p)


def test_a_copy_looks_ahead_without_moving_the_filter():
    it = TripleFilter((1e-5,) * 3, (1e-4,) * 3, (1e-3,) * 3)
    ahead = it.copy()
    ahead.predict(1.0)
    assert it.p[0][0] == 1e-4
    assert ahead.p[0][0] > 1e-4
    assert variance_along(ahead.p, (1.0, 0.0, 0.0)) == ahead.p[0][0]
