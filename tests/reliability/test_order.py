"""laplace_test: the formula, where it comes from, its behaviour without a trend, errors."""

from __future__ import annotations

import math
from fractions import Fraction
from itertools import combinations

import numpy as np
import pytest
from scipy import stats

from trialog.errors import InvalidValueError
from trialog.reliability import TrendResult, laplace_test

GROWING = [5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478]
"""Failure times of NIST/SEMATECH e-Handbook 8.4.5.2 (seen), of a test of 1,500 hours."""


def by_hand(positions, cycles):
    """U with everything but the last square root in fractions."""
    offset = Fraction(sum(positions), len(positions)) - Fraction(cycles, 2)
    return float(offset / cycles) * math.sqrt(12 * len(positions))


def test_statistic_is_the_formula():
    result = laplace_test(GROWING, 1500)
    # (568.3 / 1500 - 0.5) * sqrt(120), by pocket calculator; 1e-14: a few roundings
    assert result.statistic == pytest.approx(-1.3269492, abs=5e-8)
    assert result.statistic == pytest.approx(by_hand(GROWING, 1500), rel=1e-14)
    assert (result.failures, result.cycles) == (10, 1500)


def test_p_values_are_normal_tails():
    result = laplace_test(GROWING, 1500)
    # 1e-12: two libraries' normal tails
    assert result.p_worsening == pytest.approx(stats.norm.sf(result.statistic), rel=1e-12)
    assert result.p_improving == pytest.approx(stats.norm.cdf(result.statistic), rel=1e-12)
    assert result.p_improving < 0.1 < result.p_worsening


def test_statistic_is_the_score_test_of_a_log_linear_rate():
    """U is score / sqrt(information) at slope 0 of the failure rate exp(a + b t), given k.

    Given k, failure times have density b exp(b t) / (exp(b T) - 1); its log likelihood is
    differentiated numerically here, so the formula itself is not used.
    """
    total = 1500.0

    def log_likelihood(slope):
        return sum(slope * time + math.log(slope / math.expm1(slope * total)) for time in GROWING)

    step = 1e-5
    score = (log_likelihood(step) - log_likelihood(-step)) / (2 * step)
    information = -(
        log_likelihood(2 * step)
        - log_likelihood(step)
        - log_likelihood(-step)
        + log_likelihood(-2 * step)
    ) / (3 * step**2)
    # 1e-3: the error of the numerical derivatives at this step
    assert laplace_test(GROWING, 1500).statistic == pytest.approx(
        score / math.sqrt(information), rel=1e-3
    )


def test_without_a_trend_the_mean_is_half_a_cycle_late_and_the_variance_near_1():
    """Over every set of 3 cycles of 12: mean sqrt(3 k) / n, variance (n + 1)(n - k) / n^2."""
    cycles, failures = 12, 3
    results = [laplace_test(s, cycles).statistic for s in combinations(range(1, 13), failures)]
    # 1e-12: sums of 220 terms
    assert np.mean(results) == pytest.approx(math.sqrt(9) / cycles, rel=1e-12)
    assert np.var(results) == pytest.approx(13 * 9 / 144, rel=1e-12)


def test_false_alarms_come_as_often_as_stated():
    rng = np.random.default_rng(20240501)
    draws = [rng.choice(np.arange(1, 5001), size=8, replace=False) for _ in range(2000)]
    alarms = sum(laplace_test(draw, 5000).p_worsening < 0.05 for draw in draws)
    # preset: 0.1 % tails of binomial(2000, 0.05)
    low, high = stats.binom.ppf([0.001, 0.999], 2000, 0.05)
    assert low <= alarms <= high


def test_crowding_towards_the_end_is_worsening_and_its_mirror_image_improving():
    late, early = [900, 950, 980], [21, 51, 101]
    worse, better = laplace_test(late, 1000), laplace_test(early, 1000)
    assert worse.statistic > 2 > -2 > better.statistic
    assert worse.p_worsening < 0.05 < worse.p_improving
    assert better.p_improving < 0.05 < better.p_worsening


def test_order_of_the_positions_does_not_matter():
    assert laplace_test(GROWING[::-1], 1500) == laplace_test(np.array(GROWING), 1500)


def test_results_are_plain_numbers():
    result = laplace_test(np.array(GROWING), np.int64(1500))
    kinds = [type(v) for v in (result.statistic, result.p_worsening, result.p_improving)]
    assert kinds == [float, float, float]
    assert (type(result.failures), type(result.cycles)) == (int, int)


# Conventions.


def test_zero_cycles_have_no_trend_figure():
    assert laplace_test([], 0) == TrendResult(None, None, None, 0, 0)


def test_zero_failures_have_no_trend_figure():
    assert laplace_test([], 100) == TrendResult(None, None, None, 0, 100)


def test_one_failure_has_no_trend_figure():
    assert laplace_test([7], 100) == TrendResult(None, None, None, 1, 100)


def test_two_failures_have_one():
    assert laplace_test([50, 50 + 1], 100).statistic == pytest.approx(0.005 * math.sqrt(24))


def test_all_cycles_failed_is_no_trend():
    # sqrt(3 / n) for all of n cycles: the half cycle alone
    assert laplace_test(range(1, 101), 100).statistic == pytest.approx(math.sqrt(3 / 100))


# Errors.


@pytest.mark.parametrize(
    ("positions", "cycles", "message"),
    [
        ([0, 5], 10, "positions must be whole numbers from 1 to cycles (10), got 0.0"),
        ([5, 11, 12], 10, "positions must be whole numbers from 1 to cycles (10), got 11.0"),
        ([1.5, 5], 10, "positions must be whole numbers from 1 to cycles (10), got 1.5"),
        ([float("nan")], 10, "positions must be whole numbers from 1 to cycles (10), got nan"),
        ([5, 5, 6], 10, "positions must name each cycle once, got [5, 5, 6]"),
        ([[1, 2]], 10, "positions must be a plain sequence of numbers, got [[1, 2]]"),
        (["a", "b"], 10, "positions must be a plain sequence of numbers, got ['a', 'b']"),
        ([1], -1, "cycles must be a whole number of at least 0, got -1"),
    ],
)
def test_impossible_positions_are_refused(positions, cycles, message):
    with pytest.raises(InvalidValueError) as caught:
        laplace_test(positions, cycles)
    assert str(caught.value) == message


def test_the_first_and_the_last_cycle_are_positions():
    assert laplace_test([1, 10], 10).failures == 2
