"""Trend tests: formulas, where they come from, behaviour without a trend, errors."""

from __future__ import annotations

import math
from fractions import Fraction
from itertools import combinations, permutations

import numpy as np
import pytest
from scipy import stats

from trialog.errors import InvalidValueError
from trialog.reliability import (
    ArrangementsResult,
    ChiSquareTrendResult,
    TrendResult,
    laplace_test,
    mil_hdbk_189_test,
    reverse_arrangements_test,
)

GROWING = [5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478]
"""Failure times of NIST/SEMATECH e-Handbook 8.4.5.2 (seen), of a test of 1,500 hours."""


INTERVALS = [5, 35, 3, 132, 214, 323, 35, 48, 504, 179]
"""The intervals between them; the last 22 hours had no failure."""


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


# Laplace, where the trial ended at a failure.


def test_a_trial_that_ended_at_a_failure_leaves_that_failure_out():
    result = laplace_test(GROWING, 1478, termination="failure")
    # Cox and Lewis (1966), section 3.3: the last time is the length, the others the sample
    assert result.statistic == pytest.approx(by_hand(GROWING[:-1], 1478), rel=1e-14)
    assert result.statistic == laplace_test(GROWING[:-1], 1478).statistic
    assert (result.failures, result.cycles) == (10, 1478)


def test_two_failures_have_a_trend_figure_where_the_trial_ended_at_the_second():
    result = laplace_test([30, 40], 40, termination="failure")
    assert result.statistic == pytest.approx(0.25 * math.sqrt(12), rel=1e-14)
    assert laplace_test([40], 40, termination="failure") == TrendResult(None, None, None, 1, 40)
    assert laplace_test([], 40, termination="failure") == TrendResult(None, None, None, 0, 40)


@pytest.mark.parametrize("test", [laplace_test, mil_hdbk_189_test])
def test_false_alarms_come_as_often_as_stated_where_the_trial_ended_at_a_failure(test):
    rng = np.random.default_rng(20240501)
    draws = [rng.choice(np.arange(1, 5001), size=8, replace=False) for _ in range(2000)]
    alarms = sum(test(d, d.max(), termination="failure").p_worsening < 0.05 for d in draws)
    # preset: 0.1 % tails of binomial(2000, 0.05)
    low, high = stats.binom.ppf([0.001, 0.999], 2000, 0.05)
    assert low <= alarms <= high


# MIL-HDBK-189.


def test_chi_square_is_the_formula_and_its_tails_are_chi_squares():
    result = mil_hdbk_189_test(GROWING, 1500)
    statistic = 2 * math.fsum(math.log(1500 / time) for time in GROWING)
    # 37.23: NIST/SEMATECH e-Handbook 8.2.3.4, from memory. 1e-12: two libraries' tails
    assert result.statistic == pytest.approx(37.23, abs=0.005)
    assert result.statistic == pytest.approx(statistic, rel=1e-14)
    assert result.degrees == 20
    assert result.p_improving == pytest.approx(stats.chi2.sf(statistic, 20), rel=1e-12)
    assert result.p_worsening == pytest.approx(stats.chi2.cdf(statistic, 20), rel=1e-12)
    assert (result.failures, result.cycles) == (10, 1500)


def test_chi_square_of_a_trial_that_ended_at_a_failure_has_two_degrees_fewer():
    result = mil_hdbk_189_test(GROWING, 1478, termination="failure")
    # the last failure adds ln 1 = 0, so the sum is that of the others
    assert result.statistic == pytest.approx(mil_hdbk_189_test(GROWING, 1478).statistic, rel=1e-14)
    assert result.degrees == 18
    assert result.p_improving == pytest.approx(stats.chi2.sf(result.statistic, 18), rel=1e-12)


def test_chi_square_over_every_set_of_cycles_has_the_mean_that_whole_cycles_give():
    """Over every set of 3 cycles of 12: 2 * 3 * (ln 12 - ln(12!) / 12)."""
    sets = combinations(range(1, 13), 3)
    mean = np.mean([mil_hdbk_189_test(places, 12).statistic for places in sets])
    assert mean == pytest.approx(6 * (math.log(12) - math.lgamma(13) / 12), rel=1e-12)


def test_chi_square_of_times_is_chi_square():
    rng = np.random.default_rng(20240501)
    times = rng.uniform(0, 7.5, (2000, 4))
    p_values = [mil_hdbk_189_test(row, 7.5).p_improving for row in times]
    # preset: Kolmogorov-Smirnov at 0.1 %
    assert stats.kstest(p_values, "uniform").pvalue > 0.001


def test_chi_square_is_small_when_failures_crowd_towards_the_end():
    worse, better = mil_hdbk_189_test([900, 950, 980], 1000), mil_hdbk_189_test([1, 2, 3], 1000)
    assert worse.p_worsening < 0.01
    assert worse.p_improving > 0.99
    assert better.p_improving < 0.01
    assert better.p_worsening > 0.99


def test_chi_square_does_not_depend_on_order_or_unit():
    result = mil_hdbk_189_test(GROWING, 1500)
    hours = mil_hdbk_189_test(np.array(GROWING[::-1]) / 120, 12.5)
    # 1e-12: divisions that round
    assert hours.statistic == pytest.approx(result.statistic, rel=1e-12)


def test_ties_in_failure_positions_are_refused_unless_they_are_times_that_were_rounded():
    with pytest.raises(InvalidValueError, match="positions must name each cycle once"):
        mil_hdbk_189_test([5, 5, 6], 10)
    kept = mil_hdbk_189_test([5, 5, 6], 10, ties="keep")
    apart = mil_hdbk_189_test([5, 5 + 1e-12, 6], 10)
    # each entry counts: the limit of two failures close together
    assert kept.statistic == pytest.approx(apart.statistic, rel=1e-11)
    assert (kept.failures, kept.degrees) == (3, 6)


def test_chi_square_results_are_plain_numbers():
    result = mil_hdbk_189_test(np.array(GROWING), np.int64(1500))
    assert [type(v) for v in (result.statistic, result.p_worsening, result.p_improving)] == [
        float,
        float,
        float,
    ]
    assert [type(v) for v in (result.degrees, result.failures, result.cycles)] == [int, int, float]


@pytest.mark.parametrize(
    ("positions", "cycles"),
    [([], 0), ([], 100), ([7], 100)],
    ids=["zero cycles", "zero failures", "one failure"],
)
@pytest.mark.parametrize("termination", ["time", "failure"])
def test_too_few_failures_have_no_chi_square(positions, cycles, termination):
    end = max([*positions, 0]) if termination == "failure" else cycles
    result = mil_hdbk_189_test(positions, end, termination=termination)
    assert result == ChiSquareTrendResult(None, None, None, None, len(positions), end)


def test_two_failures_have_a_chi_square():
    assert mil_hdbk_189_test([5, 8], 10).degrees == 4
    ended = mil_hdbk_189_test([5, 10], 10, termination="failure")
    assert ended.degrees == 2
    # one place left to chance, uniform: half of it lies before 5 of 10
    assert ended.p_improving == pytest.approx(0.5, rel=1e-14)


def test_all_cycles_failed_is_no_trend_by_chi_square():
    result = mil_hdbk_189_test(range(1, 101), 100)
    # 2 (n ln n - ln n!) is near its 2 n degrees of freedom, about ln(2 pi n) short
    assert result.statistic == pytest.approx(200 - math.log(2 * math.pi * 100), abs=0.01)


@pytest.mark.parametrize(
    ("positions", "cycles", "options", "message"),
    [
        ([0.0, 5], 10, {}, "positions must be above 0 and at most cycles (10.0), got 0.0"),
        ([5, 10.5], 10, {}, "positions must be above 0 and at most cycles (10.0), got 10.5"),
        ([float("nan")], 10, {}, "positions must be above 0 and at most cycles (10.0), got nan"),
        ([[1, 2]], 10, {}, "positions must be a plain sequence of numbers, got [[1, 2]]"),
        ([1], -1, {}, "cycles must be a number of at least 0, got -1"),
        ([1], "10", {}, "cycles must be a number of at least 0, got '10'"),
        ([1], 10, {"ties": "drop"}, "ties must be one of refuse, keep, got 'drop'"),
        (
            [1, 2],
            10,
            {"termination": "cycles"},
            "termination must be one of time, failure, got 'cycles'",
        ),
        (
            [1, 9],
            10,
            {"termination": "failure"},
            "cycles must be the last failure (9.0) where the trial ended at a failure, got 10.0",
        ),
    ],
)
def test_impossible_times_are_refused(positions, cycles, options, message):
    with pytest.raises(InvalidValueError) as caught:
        mil_hdbk_189_test(positions, cycles, **options)
    assert str(caught.value) == message


def test_laplace_refuses_an_end_that_is_not_the_last_failure():
    with pytest.raises(InvalidValueError) as caught:
        laplace_test([1, 9], 10, termination="failure")
    rule = "cycles must be the last failure (9) where the trial ended at a failure, got 10"
    assert str(caught.value) == rule


# Reverse arrangements.


def placed(intervals):
    return np.cumsum(intervals).tolist()


def growing(intervals):
    return sum(a < b for a, b in combinations(intervals, 2))


def test_reversals_are_the_pairs_that_grow():
    result = reverse_arrangements_test(GROWING, 1500)
    assert placed(INTERVALS) == GROWING
    # 33 and z = 1.88: NIST/SEMATECH e-Handbook 8.2.3.4, from memory; 35 appears twice
    assert (result.reversals, result.ties, result.failures) == (33, 1, 10)
    assert growing(INTERVALS) == 33
    assert result.z == pytest.approx((33 - 22.5) / math.sqrt(25 * 9 * 10 / 72), rel=1e-14)


def test_reversal_tails_are_shares_of_all_orders():
    """All 120 orders of five lengths; the share of orders with as many reversals or more."""
    orders = [growing(order) for order in permutations(range(5))]
    for order in list(permutations([2, 3, 5, 7, 11]))[::7]:
        result = reverse_arrangements_test(placed(order), 30)
        some = growing(order)
        # 1e-12: sums of fractions
        assert result.p_improving == pytest.approx(sum(o >= some for o in orders) / 120, rel=1e-12)
        assert result.p_worsening == pytest.approx(sum(o <= some for o in orders) / 120, rel=1e-12)


def test_ties_in_intervals_count_against_the_finding():
    """Of 2, 2, 3 the tie could have been 2, 1 (2 of 3 grow) or 1, 2 (all 3 grow)."""
    result = reverse_arrangements_test(placed([2, 2, 3]), 10)
    assert (result.reversals, result.ties) == (2, 1)
    # orders of three by reversals: 1, 2, 2, 1 with 0, 1, 2, 3
    assert result.p_improving == pytest.approx(3 / 6, rel=1e-12)
    assert result.p_worsening == pytest.approx(1.0, rel=1e-12)


def test_reversals_are_counted_exactly_up_to_300_failures():
    rng = np.random.default_rng(20240501)
    for failures in (300, 301):
        intervals = rng.permutation(np.arange(1, failures + 1))
        result = reverse_arrangements_test(placed(intervals), int(intervals.sum()))
        normal = stats.norm.cdf(result.z)
        exact = failures == 300
        # the normal tail is off by half a step, some 0.5 / 868 / sqrt(2 pi) in the middle
        assert (abs(result.p_worsening - normal) > 1e-6) == exact
        assert result.p_worsening == pytest.approx(normal, abs=3e-4)


def test_growing_intervals_are_an_improvement_and_shrinking_ones_a_worsening():
    up = reverse_arrangements_test(placed(range(1, 9)), 40)
    down = reverse_arrangements_test(placed(range(8, 0, -1)), 40)
    assert (up.reversals, down.reversals) == (28, 0)
    assert up.z == -down.z > 3
    assert up.p_improving == down.p_worsening == pytest.approx(1 / math.factorial(8), rel=1e-12)


def test_reversal_alarms_come_no_more_often_than_stated():
    rng = np.random.default_rng(20240501)
    draws = [rng.choice(np.arange(1, 61), size=12, replace=False) for _ in range(2000)]
    alarms = sum(reverse_arrangements_test(d, 60).p_worsening <= 0.05 for d in draws)
    # preset: 0.1 % upper tail of binomial(2000, 0.05); ties make the test cautious
    assert 0 < alarms <= stats.binom.ppf(0.999, 2000, 0.05)


@pytest.mark.parametrize(
    ("positions", "cycles"),
    [([], 0), ([], 100), ([7], 100)],
    ids=["zero cycles", "zero failures", "one failure"],
)
def test_too_few_failures_have_no_reversals(positions, cycles):
    expected = ArrangementsResult(None, None, None, None, None, len(positions))
    assert reverse_arrangements_test(positions, cycles) == expected


def test_two_failures_have_one_pair():
    result = reverse_arrangements_test([3, 9], 10)
    assert (result.reversals, result.p_improving, result.p_worsening) == (1, 0.5, 1.0)


def test_all_cycles_failed_is_nothing_but_ties():
    result = reverse_arrangements_test(range(1, 11), 10)
    assert (result.reversals, result.ties) == (0, 45)
    assert (result.p_worsening, result.p_improving) == (1.0, 1.0)


def test_reversals_need_cycle_numbers():
    with pytest.raises(InvalidValueError, match="positions must be whole numbers from 1 to cycle"):
        reverse_arrangements_test([1.5, 3], 10)
    with pytest.raises(InvalidValueError, match="cycles must be a whole number of at least 0"):
        reverse_arrangements_test([1, 3], -1)
