"""Failures that nobody logged: how many, and the bound that allows for them."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from trialog.errors import InvalidValueError
from trialog.reliability import (
    InflatedBound,
    MissRate,
    failure_rate_bounds,
    inflated_upper_bound,
    observer_miss_rate,
)

seeded = settings(derandomize=True, database=None, deadline=None, max_examples=50)


# How often a failure goes unlogged.


@pytest.mark.parametrize("sides", ["upper", "lower", "both"])
@pytest.mark.parametrize(("missed", "seen"), [(0, 12), (1, 20), (7, 9), (5, 5)])
def test_the_share_missed_has_exact_binomial_bounds(missed, seen, sides):
    rate = observer_miss_rate(missed, seen, confidence=0.9, sides=sides)
    bounds = failure_rate_bounds(missed, seen, confidence=0.9, sides=sides)
    assert rate == MissRate(missed, seen, 0.9, sides, missed / seen, bounds.lower, bounds.upper)


def test_one_failure_missed_of_twenty():
    rate = observer_miss_rate(1, 20)
    outside = stats.binomtest(1, 20, alternative="less").proportion_ci(0.95)
    # 1e-10: what that library solves to
    assert rate.upper == pytest.approx(outside.high, rel=1e-10)
    u = rate.upper
    assert (1 - u) ** 20 + 20 * u * (1 - u) ** 19 == pytest.approx(0.05, rel=1e-10)
    assert (rate.estimate, rate.lower, rate.confidence, rate.sides) == (0.05, 0.0, 0.95, "upper")


def test_no_failure_seen_says_nothing_of_the_share_missed():
    assert observer_miss_rate(0, 0, sides="both") == MissRate(0, 0, 0.95, "both", None, 0.0, 1.0)


def test_no_failure_missed_leaves_a_share_possible():
    rate = observer_miss_rate(0, 58)
    assert (rate.estimate, rate.upper) == (0.0, pytest.approx(1 - 0.05 ** (1 / 58), rel=1e-12))


def test_every_failure_missed_makes_the_bound_1():
    rate = observer_miss_rate(4, 4)
    assert (rate.estimate, rate.upper) == (1.0, 1.0)


# The bound that allows for them.


@pytest.mark.parametrize("split", [0.1, 0.5, 0.8])
@pytest.mark.parametrize("confidence", [0.5, 0.95, 0.999])
def test_the_error_is_split_between_both_bounds(split, confidence):
    bound = inflated_upper_bound(3, 4000, 2, 30, confidence=confidence, split=split)
    error = 1 - confidence
    logged = stats.binom.cdf(3, 4000, bound.logged_upper)
    missed = stats.binom.cdf(2, 30, bound.miss_upper)
    # 1e-9: the subtraction from 1 above
    assert logged == pytest.approx(error * (1 - split), rel=1e-9)
    assert missed == pytest.approx(error * split, rel=1e-9)
    assert bound.upper == pytest.approx(bound.logged_upper / (1 - bound.miss_upper), rel=1e-14)


def test_the_result_keeps_its_inputs_and_the_estimate():
    bound = inflated_upper_bound(3, 400, 1, 4, confidence=0.9, split=0.25)
    # 3/400 over 3/4 is exactly a hundredth
    assert bound == InflatedBound(
        3, 400, 1, 4, 0.9, 0.25, 0.01, bound.logged_upper, bound.miss_upper, bound.upper
    )


def test_half_of_the_error_each_at_95_percent_unless_said_otherwise():
    assert inflated_upper_bound(3, 400, 1, 8) == inflated_upper_bound(
        3, 400, 1, 8, confidence=0.95, split=0.5
    )


def test_many_clean_spot_checks_cost_little_more_than_their_part_of_the_error():
    plain = failure_rate_bounds(2, 5000, confidence=0.99).upper
    bound = inflated_upper_bound(2, 5000, 0, 10**6, confidence=0.95, split=0.8)
    # with the miss bound at -ln(0.04) / 10^6
    assert bound.upper == pytest.approx(plain * (1 - math.log(0.04) / 10**6), rel=1e-9)


def test_without_cycles_nothing_is_known():
    bound = inflated_upper_bound(0, 0, 0, 50)
    assert (bound.estimate, bound.logged_upper, bound.upper) == (None, 1.0, 1.0)


def test_without_a_failure_seen_in_spot_checks_nothing_is_known():
    bound = inflated_upper_bound(2, 5000, 0, 0)
    assert (bound.estimate, bound.miss_upper, bound.upper) == (None, 1.0, 1.0)


def test_no_failure_logged_still_allows_for_those_missed():
    bound = inflated_upper_bound(0, 5000, 1, 10)
    assert bound.estimate == 0.0
    assert bound.upper > failure_rate_bounds(0, 5000, confidence=0.975).upper


def test_every_failure_missed_leaves_any_rate_possible():
    bound = inflated_upper_bound(2, 5000, 3, 3)
    assert (bound.estimate, bound.miss_upper, bound.upper) == (None, 1.0, 1.0)


def test_nothing_but_failures_logged_make_the_bound_1():
    bound = inflated_upper_bound(5, 5, 1, 10)
    assert (bound.estimate, bound.upper) == (1.0, 1.0)


@seeded
@given(
    st.integers(1, 5000).flatmap(lambda n: st.tuples(st.integers(0, n - 1), st.just(n))),
    st.integers(1, 200).flatmap(lambda n: st.tuples(st.integers(0, n - 1), st.just(n))),
)
def test_more_failures_logged_or_missed_never_lower_the_bound(logged, spots):
    bound = inflated_upper_bound(*logged, *spots)
    assert bound.logged_upper <= bound.upper <= 1.0
    assert bound.upper <= inflated_upper_bound(logged[0] + 1, logged[1], *spots).upper
    assert bound.upper <= inflated_upper_bound(*logged, spots[0] + 1, spots[1]).upper
    assert bound.upper <= inflated_upper_bound(*logged, *spots, confidence=0.99).upper
    assert bound.estimate <= bound.upper


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: observer_miss_rate(3, 2), "spot_missed must be between 0 and spot_seen (2)"),
        (lambda: observer_miss_rate(-1, 2), "spot_missed must be between 0 and spot_seen (2)"),
        (lambda: observer_miss_rate(0, -1), "spot_seen must be a whole number of at least 0"),
        (lambda: observer_miss_rate(0, 1.5), "spot_seen must be a whole number of at least 0"),
        (lambda: observer_miss_rate(0, 1, confidence=1), "confidence must be above 0"),
        (lambda: observer_miss_rate(0, 1, sides="left"), "sides must be one of"),
        (lambda: inflated_upper_bound(3, 2, 0, 1), "failures must be between 0 and cycles (2)"),
        (lambda: inflated_upper_bound(0, 2, 2, 1), "spot_missed must be between 0 and spot_seen"),
        (lambda: inflated_upper_bound(0, 2, 0, 1, split=0), "split must be above 0 and below 1"),
        (lambda: inflated_upper_bound(0, 2, 0, 1, split=1), "split must be above 0 and below 1"),
        (lambda: inflated_upper_bound(0, 2, 0, 1, confidence=0), "confidence must be above 0"),
    ],
)
def test_values_out_of_range_are_refused(call, message):
    with pytest.raises(InvalidValueError) as caught:
        call()
    assert str(caught.value).startswith(message)


# Coverage.


def least_coverage(cycles, seen, split):
    """The least chance of a bound at or above the true rate over a grid of rates and shares missed,
    summed over every outcome."""
    logged, missed = np.arange(cycles + 1), np.arange(seen + 1)
    low = [inflated_upper_bound(k, cycles, 0, seen, split=split).logged_upper for k in logged]
    high = [inflated_upper_bound(0, cycles, x, seen, split=split).miss_upper for x in missed]
    with np.errstate(divide="ignore"):
        bounds = np.minimum(np.divide.outer(low, 1 - np.array(high)), 1.0)
    worst = 1.0
    for rate in (0.005, 0.01, 0.02, 0.03, 0.05, 0.1, 0.2, 0.5):
        for miss in (0.0, 0.02, 0.05, 0.1, 0.2, 0.35, 0.5, 0.8):
            of_logged = stats.binom.pmf(logged, cycles, rate * (1 - miss))
            of_missed = stats.binom.pmf(missed, seen, miss)
            held = of_logged @ (bounds >= rate) @ of_missed
            worst = min(worst, float(held))
    return worst


@pytest.mark.parametrize(
    ("cycles", "seen", "split", "least"),
    [
        (100, 5, 0.5, 0.9983),
        (100, 20, 0.5, 0.9938),
        (100, 60, 0.5, 0.9907),
        (300, 20, 0.5, 0.9943),
        (300, 20, 0.2, 0.9943),
        (300, 20, 0.8, 0.9971),
    ],
)
def test_coverage_over_a_grid_summed_exactly(cycles, seen, split, least):
    found = least_coverage(cycles, seen, split)
    assert found >= 0.95
    # half a unit of the last digit shown
    assert found == pytest.approx(least, abs=5.1e-5)


@pytest.mark.parametrize(("rate", "miss"), [(0.002, 0.1), (0.01, 0.3), (0.03, 0.05)])
def test_coverage_where_spot_checks_are_some_of_the_cycles_by_simulation(rate, miss):
    """A tenth of 3,000 cycles is watched; the second person misses a fifth of the failures."""
    rng, trials, cycles = np.random.default_rng(20240501), 1000, 3000
    held = 0
    for _ in range(trials):
        failed = rng.random(cycles) < rate
        logged = failed & (rng.random(cycles) >= miss)
        seen = failed & (rng.random(cycles) >= 0.2)
        seen[cycles // 10 :] = False
        bound = inflated_upper_bound(
            int(logged.sum()), cycles, int((seen & ~logged).sum()), int(seen.sum())
        )
        held += bound.upper >= rate
    # at 95 % true coverage fewer than 927 of 1,000 have a chance below 1 in 1,000
    assert held >= stats.binom.ppf(0.001, trials, 0.95)
