"""The trend against scipy's, on random series and on series with ties. All invented."""

import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st

from monitor.season.trend import trend

VALUES = st.lists(
    st.tuples(st.integers(0, 400).map(float), st.integers(-5, 5).map(float)), min_size=3, max_size=40
).filter(lambda pairs: len({t for t, _ in pairs}) > 1)


@given(VALUES.filter(lambda pairs: len({t for t, _ in pairs}) == len(pairs)))
def test_the_slope_and_its_bounds_are_those_of_scipy(pairs):
    """scipy.stats.theilslopes is Sen's 1968; its variance leaves out ties in both at once, so that times differ here."""
    times, values = zip(*pairs, strict=True)
    found, theirs = trend(times, values), scipy.stats.theilslopes(values, times, 0.95)
    assert found.slope == pytest.approx(theirs.slope, abs=1e-12)
    assert (found.low, found.high) == pytest.approx((theirs.low_slope, theirs.high_slope), abs=1e-12)


@given(VALUES)
def test_chance_is_that_of_mann_and_kendall(pairs):
    """S and its variance are Kendall's tau-b's: scipy gives p without the continuity correction, which is put back here."""
    times, values = zip(*pairs, strict=True)
    found = trend(times, values)
    if len(set(values)) == 1:
        assert found.p == 1.0
        return
    theirs = scipy.stats.kendalltau(times, values, method="asymptotic")
    s = sum(((u > t) - (u < t)) * ((w > v) - (w < v)) for i, (t, v) in enumerate(pairs) for u, w in pairs[i + 1 :])
    if s == 0:
        assert found.p == 1.0
        return
    z = scipy.stats.norm.isf(theirs.pvalue / 2.0)
    corrected = 2.0 * scipy.stats.norm.sf(z * (abs(s) - 1) / abs(s))
    assert found.p == pytest.approx(min(1.0, corrected), rel=1e-6)


def test_a_straight_line_has_its_slope_and_no_doubt():
    found = trend([float(i) for i in range(12)], [3.0 - 0.5 * i for i in range(12)])
    assert (found.slope, found.low, found.high) == (-0.5, -0.5, -0.5)
    assert found.p < 1e-4
    assert found.bounded


def test_one_odd_lift_moves_nothing():
    values = [0.01 * i for i in range(20)]
    values[7] = 50.0
    assert trend([float(i) for i in range(20)], values).slope == pytest.approx(0.01)


def test_all_at_one_time_is_no_trend():
    assert trend([1.0, 1.0, 1.0], [1.0, 2.0, 3.0]) is None
