"""Percentiles of measured times, and between which of them the true one lies."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from trialog.errors import InvalidValueError
from trialog.reliability import PercentileBounds, percentile_bounds, values_within

# Ranks of the 95 % interval for a median, as sign-test tables print them; from memory (Hollander
# and Wolfe, Nonparametric Statistical Methods, the interval that goes with the sign test).
MEDIAN_RANKS = [(6, 1, 6), (10, 2, 9), (15, 4, 12), (20, 6, 15), (25, 8, 18), (30, 10, 21)]


@pytest.mark.parametrize(("n", "lower", "upper"), MEDIAN_RANKS)
def test_the_ranks_of_a_median_are_those_of_the_sign_tests_tables(n, lower, upper):
    found = percentile_bounds(range(1, n + 1), 0.5)
    assert (found.lower_rank, found.upper_rank) == (lower, upper)


@pytest.mark.parametrize("share", [0.1, 0.5, 0.9])
@pytest.mark.parametrize("n", [36, 50, 213])
def test_the_interval_is_scipys(n, share):
    values = np.random.default_rng(20_240_501).lognormal(4, 1, n)
    outside = stats.quantile_test(values, p=share).confidence_interval(0.95)
    ours = percentile_bounds(values, share)
    assert (ours.lower, ours.upper) == pytest.approx((outside.low, outside.high), nan_ok=True)


@pytest.mark.parametrize("share", [0.25, 0.9])
@pytest.mark.parametrize("confidence", [0.8, 0.95, 0.99])
@pytest.mark.parametrize("n", [40, 60, 300])
def test_each_side_spends_at_most_half_of_the_error_and_the_next_rank_would_spend_more(
    n, confidence, share
):
    found = percentile_bounds(range(n), share, confidence=confidence)
    half = (1 - confidence) / 2 * (1 + 1e-9)  # what a float's 1 - confidence may be off
    below = stats.binom(n, share)  # how many values do not exceed the true percentile
    if found.lower_rank is not None:
        assert below.cdf(found.lower_rank - 1) <= half < below.cdf(found.lower_rank)
    if found.upper_rank is not None:
        assert below.sf(found.upper_rank - 1) <= half < below.sf(found.upper_rank - 2)
    assert found.lower_rank is not None
    assert (found.upper_rank is None) == (share**n > half)


@pytest.mark.parametrize(("n", "upper"), [(35, None), (36, 36.0)])
def test_an_upper_bound_of_the_90th_percentile_takes_36_values(n, upper):
    assert percentile_bounds(range(1, n + 1), 0.9).upper == upper


@pytest.mark.parametrize(
    ("n", "share", "estimate"), [(10, 0.9, 9), (11, 0.9, 10), (100, 0.07, 7), (1, 0.9, 1)]
)
def test_the_estimate_is_the_smallest_value_that_so_many_do_not_exceed(n, share, estimate):
    assert percentile_bounds(range(1, n + 1), share).estimate == estimate


def test_the_order_of_the_values_and_their_type_change_nothing():
    values = [3, 1, 2] * 20
    assert percentile_bounds(values, 0.9) == percentile_bounds(np.sort(values).astype(float), 0.9)


def test_without_a_value_nothing_is_known():
    found = percentile_bounds([], 0.9)
    assert found == PercentileBounds(0, 0.9, 0.95, None, None, None, None, None)


def test_one_value_has_no_bounds():
    assert percentile_bounds([7], 0.9) == PercentileBounds(1, 0.9, 0.95, 7, None, None, None, None)


def test_equal_values_make_an_interval_of_one_point():
    found = percentile_bounds([5.0] * 50, 0.9)
    assert (found.lower, found.estimate, found.upper) == (5.0, 5.0, 5.0)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (([1, math.nan], 0.9), "values must be one row of finite numbers, got nan"),
        (([[1], [2]], 0.9), "values must be one row"),
        ((["1"], 0.9), "values must be one row"),
        (([1], 0), "share must be above 0 and below 1"),
        (([1], 1), "share must be above 0 and below 1"),
    ],
)
def test_bad_input_is_named(arguments, words):
    with pytest.raises(InvalidValueError, match=words):
        percentile_bounds(*arguments)


@pytest.mark.parametrize("confidence", [0, 1, 0.0001, True, "x"])
def test_a_confidence_out_of_range_is_refused(confidence):
    with pytest.raises(InvalidValueError, match="confidence must"):
        percentile_bounds([1], 0.9, confidence=confidence)


def test_values_within_are_scipys_empirical_distribution():
    values = np.random.default_rng(20_240_501).integers(1, 60, 200)
    found, outside = values_within(values), stats.ecdf(values).cdf
    assert found.values.tolist() == outside.quantiles.tolist()
    assert found.shares == pytest.approx(outside.probabilities, rel=1e-12)
    assert found.counts[-1] == 200


def test_a_percentiles_estimate_is_the_first_value_that_its_share_is_within():
    values = np.random.default_rng(20_240_501).integers(1, 60, 73)
    found = values_within(values)
    first = found.values[np.argmax(found.shares >= 0.9)]
    assert percentile_bounds(values, 0.9).estimate == first


def test_of_no_value_there_is_no_share():
    found = values_within([])
    assert (found.values.size, found.counts.size, found.shares.size) == (0, 0, 0)


def test_equal_values_are_one_step():
    assert values_within([7, 7, 7]).shares.tolist() == [1.0]
