"""Least squares against certified values, an independent library, and what it must refuse."""

import math
from pathlib import Path

import numpy as np
import pytest
import scipy
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.engine.leastsquares import fit

FINITE = st.floats(-1e3, 1e3)


def digits(found, certified):
    """Correct significant digits: the log relative error by which NIST compares software."""
    return 16.0 if found == certified else -math.log10(abs(found - certified) / abs(certified))


def test_norris_to_ten_digits():
    # NIST Statistical Reference Datasets, linear regression, Norris (calibration of ozone monitors): certified values.
    path = Path(scipy.__file__).parent / "stats/tests/data/nist_linregress/Norris.dat"
    if not path.is_file():
        pytest.skip("this scipy comes without its test data, where NIST's Norris.dat is")
    y, x = zip(*(map(float, line.split()) for line in path.read_text().splitlines()[60:96]), strict=True)
    assert len(y) == 36
    it = fit([(1.0, value) for value in x], y)
    assert digits(it.coefficients[0], -0.262323073774029) >= 10
    assert digits(it.coefficients[1], 1.00211681802045) >= 10
    assert digits(math.sqrt(it.covariance[0][0]), 0.232818234301152) >= 10
    assert digits(math.sqrt(it.covariance[1][1]), 0.429796848199937e-03) >= 10
    assert digits(math.sqrt(it.residual_variance), 0.884796396144373) >= 10


def test_longley_to_six_digits():
    # NIST Statistical Reference Datasets, linear regression, Longley (ill-conditioned on purpose): certified values.
    from statsmodels.datasets import longley

    data = longley.load_pandas()
    names = ["GNPDEFL", "GNP", "UNEMP", "ARMED", "POP", "YEAR"]
    rows = [(1.0, *map(float, row)) for row in data.exog[names].to_numpy()]
    it = fit(rows, [float(value) for value in data.endog])
    certified = [
        -3482258.63459582,
        15.0618722713733,
        -0.358191792925910e-01,
        -2.02022980381683,
        -1.03322686717359,
        -0.511041056535807e-01,
        1829.15146461355,
    ]
    assert min(map(digits, it.coefficients, certified)) >= 6
    assert digits(it.residual_variance, 92936.0061673238) >= 6
    # Standard deviations of intercept and year, from memory of the same certificate.
    assert math.sqrt(it.covariance[0][0]) == pytest.approx(890420.383607373, rel=1e-6)
    assert math.sqrt(it.covariance[6][6]) == pytest.approx(455.478499142212, rel=1e-6)


@settings(deadline=None)
@given(st.integers(1, 6), st.integers(1, 20), st.integers(0, 2**31))
def test_any_fit_is_that_of_numpy(unknowns, spare, seed):
    rng = np.random.default_rng(seed)
    a = rng.normal(size=(unknowns + spare, unknowns)) * 10.0 ** rng.integers(-6, 7, unknowns)
    y = rng.normal(size=unknowns + spare)
    it = fit(a.tolist(), y.tolist())
    scale = np.linalg.norm(a, axis=0)
    solution, left, rank, singular = np.linalg.lstsq(a / scale, y, rcond=None)
    if rank < unknowns or singular[-1] < 1e-6:
        return
    np.testing.assert_allclose(np.array(it.coefficients) * scale, solution, rtol=1e-6, atol=1e-8)
    assert it.residual_variance == pytest.approx(left[0] / spare, rel=1e-6)
    expected = np.linalg.inv((a / scale).T @ (a / scale)) * left[0] / spare
    np.testing.assert_allclose(np.array(it.covariance) * np.outer(scale, scale), expected, rtol=1e-4)


@settings(deadline=None)
@given(st.lists(st.tuples(FINITE, FINITE), min_size=4, max_size=12), FINITE, FINITE)
def test_a_plane_without_noise_is_found(places, a, b):
    rows = [(1.0, x, y) for x, y in places]
    if np.linalg.matrix_rank(np.array(rows), tol=1.0) < 3:
        return
    it = fit(rows, [2.0 + a * x + b * y for x, y in places])
    assert it.coefficients == pytest.approx((2.0, a, b), rel=1e-6, abs=1e-6)
    assert it.residual_variance < 1e-12 * (1.0 + max(map(abs, (a, b)))) ** 2 * 1e6


def test_units_as_far_apart_as_metres_and_newtons_hide_no_column():
    rows = [(1e-12, 1e9 * x, 1.0) for x in (0.0, 1.0, 2.0, 3.0)]
    rows = [(a, b, c * (-1) ** i) for i, (a, b, c) in enumerate(rows)]
    it = fit(rows, [3.0 + 2.0 * i + 0.5 * (-1) ** i for i in range(4)])
    assert it.coefficients == pytest.approx((3e12, 2e-9, 0.5))


def test_the_order_of_rows_and_columns_does_not_matter():
    rng = np.random.default_rng(5)
    a, y = rng.normal(size=(9, 3)), rng.normal(size=9)
    first, other = fit(a.tolist(), y.tolist()), fit(a[::-1, [2, 0, 1]].tolist(), y[::-1].tolist())
    assert other.coefficients == pytest.approx([first.coefficients[k] for k in (2, 0, 1)], rel=1e-12)
    assert other.covariance[0][1] == pytest.approx(first.covariance[2][0], rel=1e-12)


@pytest.mark.parametrize(
    ("rows", "values"),
    [
        ([], []),
        ([()], [1.0]),
        ([(1.0, 2.0), (1.0, 3.0)], [1.0, 2.0]),  # as many as unknowns: nothing says how far off
        ([(1.0, 0.0)] * 5, [1.0] * 5),
        ([(1.0, 7.0)] * 5, [1.0, 2.0, 3.0, 4.0, 5.0]),  # the x never changes
        ([(1.0, x, 2.0 - 3.0 * x) for x in (0.1, 0.2, 0.3, 0.4)], [1.0] * 4),
        ([(1.0, x, x * (1 + 1e-14)) for x in (0.1, 0.2, 0.3, 0.4)], [1.0] * 4),
        ([(1.0,), (math.nan,), (1.0,)], [1.0, 2.0, 3.0]),
        ([(1.0,), (math.inf,), (1.0,)], [1.0, 2.0, 3.0]),
        ([(1.0,), (2.0,), (1.0,)], [1.0, math.nan, 3.0]),
        ([(1.0,), (2.0,), (1.0,)], [1.0, -math.inf, 3.0]),
        ([(1.0,), (2.0,), (1.0,)], [1e200, -1e200, 3.0]),
        ([(5e-324,), (5e-324,), (5e-324,)], [1e9, 2e9, 3.0]),
    ],
)
def test_what_the_rows_do_not_tell_is_not_made_up(rows, values):
    assert fit(rows, values) is None


@settings(deadline=None)
@given(
    st.lists(st.tuples(st.floats(), st.floats()), max_size=6),
    st.lists(st.floats(), min_size=6, max_size=6),
)
def test_any_numbers_give_finite_ones_or_none(rows, values):
    it = fit(rows, values[: len(rows)])
    if it is not None:
        assert all(map(math.isfinite, (*it.coefficients, it.residual_variance, *it.covariance[0], *it.covariance[1])))
        assert it.residual_variance >= 0.0


@pytest.mark.parametrize(("rows", "values"), [([(1.0,), (1.0,)], [1.0]), ([(1.0,), (1.0, 2.0)], [1.0, 2.0])])
def test_rows_that_do_not_fit_together_are_a_mistake_of_the_caller(rows, values):
    with pytest.raises(ValueError, match="zip"):
        fit(rows, values)
