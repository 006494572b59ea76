"""The residual test: its limits from the chi-square table, whom it names, whom it does not, and what it admits to miss."""

import math
import random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import chi2

from monitor.engine.integrity import Seen, apart, judge, limit, off_if_lying, shift, unseen_faults

# Invented: five rows that see each other well, and a sixth.
ROWS = [(1.0, 4.7, 1.2), (1.0, 4.7, -1.2), (1.0, 0.3, 1.0), (1.0, 0.5, -1.0), (1.0, 2.4, 0.1), (1.0, 3.0, 1.1)]


def seen(rows, noise=0.1, bias=(), seed=0, motion=(1.0, -0.5, 0.3)):
    rng = random.Random(seed)
    off = dict(bias)
    return [
        Seen(h, sum(a * b for a, b in zip(h, motion, strict=True)) + rng.gauss(0, noise) + off.get(i, 0.0), noise**2)
        for i, h in enumerate(rows)
    ]


@pytest.mark.parametrize("spare", range(1, 30))
def test_the_limits_are_those_of_the_chi_square_table(spare):
    # scipy.stats.chi2: one in ten million. Beyond the table Wilson and Hilferty err on the side of silence.
    table = chi2.isf(1e-7, spare)
    assert table * (1.0 - 1e-4) <= limit(spare) <= table * (1.0001 if spare < 10 else 1.03)


def test_the_misfit_is_that_of_numpys_least_squares():
    rows = seen(ROWS, seed=3)
    a, b = np.array([row.h for row in rows]) / 0.1, np.array([row.mean for row in rows]) / 0.1
    assert judge(rows).chi_square == pytest.approx(np.linalg.lstsq(a, b, rcond=None)[1][0], rel=1e-9)
    solution = np.linalg.lstsq(a[1:], b[1:], rcond=None)[0]
    assert apart(rows, 0) == pytest.approx(rows[0].mean - a[0] @ solution * 0.1, rel=1e-9)


@given(st.floats(-2, 2), st.floats(-2, 2), st.floats(-2, 2), st.integers(0, 10_000))
def test_a_motion_common_to_all_is_never_a_contradiction(z, a, b, seed):
    assert not judge(seen(ROWS, seed=seed, motion=(z, a, b))).at_odds


def without(parity):
    """What one test alone has gathered."""
    return [math.inf if left is None else left for left in parity.without]


@pytest.mark.parametrize("liar", range(6))
def test_with_spare_rows_the_liar_is_named(liar):
    parity = judge(seen(ROWS, bias=[(liar, 3.0)], seed=liar))
    assert parity.at_odds
    assert parity.culprit(without(parity)) == liar
    assert parity.explained_without(liar)


def test_with_one_spare_row_nobody_is_named():
    parity = judge(seen(ROWS[:4], bias=[(1, 3.0)]))
    assert parity.at_odds
    assert parity.culprit(without(parity)) is None


def test_two_rows_that_only_check_each_other_are_not_told_apart():
    # Invented: one height near the hinge and one inclinometer see the same spare direction: either may be the liar.
    rows = [(1.0, 4.7, 1.2), (1.0, 4.7, -1.2), (0.0, 0.0, 1.0), (1.0, 1.0, 0.0), (0.0, 1.0, 0.0)]
    noise = (0.1, 0.1, 0.05, 0.1, 0.05)
    rows = [Seen(h, 3.0 if i == 4 else 0.0, s**2) for i, (h, s) in enumerate(zip(rows, noise, strict=True))]
    parity = judge(rows)
    assert parity.at_odds
    assert parity.culprit(without(parity)) is None


def test_what_one_test_leaves_open_several_tell():
    """Two rows that nearly check each other alone: by one test the odds are too even, by four they are not."""
    rows = [(1.0, 4.7, 1.2), (1.0, 4.7, -1.2), (1.0, 1.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)]
    noise = (0.5, 0.5, 0.5, 0.2, 0.2)
    parity = judge([Seen(h, 5.0 * (i == 0), s**2) for i, (h, s) in enumerate(zip(rows, noise, strict=True))])
    once = without(parity)
    assert parity.at_odds
    assert parity.culprit(once) is None
    assert parity.culprit([4.0 * left for left in once]) == 0


def test_a_test_says_something_of_who_lies_from_half_its_limit_on():
    h = (1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0), (1.0, 0.0, 0.0)
    for share, uneasy in ((0.49, False), (0.51, True), (1.01, True)):
        off = math.sqrt(2.0 * share * limit(1))
        parity = judge([Seen(row, off * (i == 3), 1.0) for i, row in enumerate(h)])
        assert (parity.uneasy, parity.at_odds) == (uneasy, share > 1.0)


def test_with_no_spare_row_nothing_can_be_at_odds_and_everything_could_hide():
    rows = seen(ROWS[:3], bias=[(0, 100.0)])
    assert not judge(rows).at_odds
    assert shift(unseen_faults(rows, [100.0] * 3), (1.0, 4.2, 0.0)) == float("inf")


def test_where_one_lies_the_others_say_how_far_off_it_all_is():
    rows = seen(ROWS[:4], noise=1e-9, bias=[(2, 5.0)], motion=(0.3, -0.2, 0.1))
    assert off_if_lying(rows, 2) == (pytest.approx((0.3, -0.2, 0.1), abs=1e-6),)
    assert off_if_lying(rows, 0) != (pytest.approx((0.3, -0.2, 0.1), abs=0.1),)
    assert off_if_lying(rows[:3], 2) == ()


def test_a_fault_of_the_admitted_size_is_seen_and_moves_the_answer_as_admitted():
    clean = [Seen(h, 0.0, 0.01) for h in ROWS]
    weights = [100.0] * 6
    moved = unseen_faults(clean, weights)
    a = np.array(ROWS) * 10.0
    for i in range(6):
        unit = np.zeros(6)
        unit[i] = 10.0
        shift_of_one = np.linalg.lstsq(a, unit, rcond=None)[0]  # what a fault of 1 does to the answer
        fault = np.linalg.norm(moved[i]) / np.linalg.norm(shift_of_one)
        seen_often = sum(judge(seen(ROWS, bias=[(i, fault)], seed=s)).at_odds for s in range(400))
        assert seen_often >= 396, "seen with a probability of 0.999"
    assert shift(moved, (1.0, 4.2, 0.0)) == pytest.approx(max(abs(np.dot(m, (1.0, 4.2, 0.0))) for m in moved))
