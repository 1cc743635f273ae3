"""Cycles between failures: geometric limits, the chart against them, conventions, errors."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest
from scipy import stats

from trialog.errors import InvalidValueError
from trialog.reliability import (
    BetweenChart,
    BetweenLimits,
    between_limits,
    cycles_between_failures,
)

RATES = [0.9, 0.5, 0.1, 0.02, 1e-3, 3.7e-5]
TAILS = [0.2, 0.05, 0.00135, 1e-6]


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("tail", TAILS)
def test_limits_are_geometric_quantiles(rate, tail):
    limits = between_limits(rate, tail=tail)
    # that library counts the failed cycle too
    assert limits.lower == stats.geom.ppf(tail, rate) - 1
    assert limits.upper == stats.geom.isf(tail, rate) - 1
    # 1e-9: two libraries' tails
    assert limits.chance_below == pytest.approx(stats.geom.cdf(limits.lower, rate), rel=1e-9)
    assert limits.chance_above == pytest.approx(stats.geom.sf(limits.upper + 1, rate), rel=1e-9)


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("tail", TAILS)
def test_limits_are_as_tight_as_the_chance_of_a_false_signal_allows(rate, tail):
    limits = between_limits(rate, tail=tail)
    good = 1 - rate
    assert limits.chance_below <= tail < 1 - good ** (limits.lower + 1) + 1e-12
    assert limits.chance_above <= tail
    assert limits.upper == 0 or good**limits.upper > tail


def test_a_tie_is_decided_in_decimals():
    # P(Y <= 1) = 1 - 0.9^2 = 0.19 exactly, which no float says
    assert between_limits(0.1, tail=0.19).lower == 1
    assert between_limits(0.1, tail=0.190001).lower == 2
    # P(Y > 1) = 0.5^2
    assert between_limits(0.5, tail=0.25).upper == 1
    assert between_limits(0.5, tail=0.249).upper == 2


def test_classic_limits_are_mean_and_3_sigma():
    limits = between_limits(1 / 21)
    assert limits.mean == pytest.approx(20, rel=1e-14)
    assert limits.mean == pytest.approx(stats.geom.mean(1 / 21) - 1, rel=1e-12)
    above = limits.g_chart_upper - limits.mean
    assert above == pytest.approx(3 * stats.geom.std(1 / 21), rel=1e-12)
    assert limits.g_chart_lower == 0


def test_the_classic_upper_limit_is_broken_by_chance_at_1_8_percent_of_failures():
    limits = between_limits(1e-6)
    chance = (1 - 1e-6) ** (math.floor(limits.g_chart_upper) + 1)
    # e^-4, the tail of an exponential variable at four times its mean
    assert chance == pytest.approx(math.exp(-4), rel=1e-4)
    assert limits.chance_above <= 0.00135


def test_limits_keep_what_they_were_made_from():
    limits = between_limits(0.25, tail=0.01)
    assert (limits.rate, limits.tail, limits.mean) == (0.25, 0.01, 3.0)
    assert between_limits(0.25).tail == 0.00135


def test_a_rate_of_1_has_limits_of_0():
    assert between_limits(1) == BetweenLimits(1.0, 0.00135, 0.0, 0, 0, 0.0, 0.0, 0.0, 0.0)


def test_lower_limit_appears_where_the_rate_reaches_the_tail():
    assert between_limits(0.00135).lower == 0
    assert between_limits(0.001349).lower == 1


def test_chart_counts_good_cycles_between_failures():
    chart = cycles_between_failures([12, 3, 13], 20, rate=0.2)
    assert chart.between == (2, 8, 0)
    assert chart.since == 7
    assert sum(chart.between) + chart.since + 3 == 20


def test_chart_names_the_failures_that_break_a_limit():
    limits = between_limits(0.01, tail=0.05)
    assert (limits.lower, limits.upper) == (5, 298)
    # the limits themselves break nothing
    gaps = np.array([5, 4, 298, 299])
    places = np.cumsum(gaps + 1)
    chart = cycles_between_failures(places, 1000, rate=0.01, tail=0.05)
    assert chart.between == (5, 4, 298, 299)
    assert chart.short == (places[1],)
    assert chart.long == (places[3],)
    assert chart.limits == limits


def test_chart_without_a_rate_takes_the_trials_own():
    chart = cycles_between_failures([10, 20], 40, tail=0.1)
    assert chart.limits == between_limits(2 / 40, tail=0.1)


def test_false_signals_come_as_often_as_the_limits_say():
    rng = np.random.default_rng(20240501)
    rate, count = 0.003, 20_000
    places = np.cumsum(rng.geometric(rate, count))
    chart = cycles_between_failures(places, int(places[-1]), rate=rate, tail=0.02)
    for found, chance in (
        (chart.short, chart.limits.chance_below),
        (chart.long, chart.limits.chance_above),
    ):
        # preset: 0.1 % tails of the binomial at the exact chance
        low, high = stats.binom.ppf([0.001, 0.999], count, chance)
        assert low <= len(found) <= high


def test_results_are_plain_numbers():
    chart = cycles_between_failures(np.array([5, 9]), np.int64(30), rate=0.5, tail=0.4)
    numbers = (*chart.between, chart.since, *chart.short, *chart.long)
    assert {type(number) for number in numbers} == {int}
    assert len(numbers) > 3


# Conventions.


def test_zero_cycles_are_an_empty_chart():
    assert cycles_between_failures([], 0) == BetweenChart((), 0, (), (), None)


def test_zero_failures_have_no_limits_unless_the_rate_is_known():
    assert cycles_between_failures([], 100) == BetweenChart((), 100, (), (), None)
    known = cycles_between_failures([], 100, rate=0.1)
    assert known == BetweenChart((), 100, (), (), between_limits(0.1))


def test_all_cycles_failed_break_no_limit_of_their_own():
    chart = cycles_between_failures([1, 2, 3], 3)
    assert chart == BetweenChart((0, 0, 0), 0, (), (), between_limits(1))


@pytest.mark.parametrize(
    ("positions", "options", "message"),
    [
        ([1], {"rate": 0}, "rate must be above 0 and at most 1, got 0"),
        ([1], {"rate": 1.1}, "rate must be above 0 and at most 1, got 1.1"),
        ([1], {"tail": 0}, "tail must be above 0 and below one half (0.5), got 0"),
        ([1], {"tail": 0.5}, "tail must be above 0 and below one half (0.5), got 0.5"),
        ([], {"tail": 0.5}, "tail must be above 0 and below one half (0.5), got 0.5"),
        ([11], {}, "positions must be whole numbers from 1 to cycles (10), got 11.0"),
        ([2, 2], {}, "positions must name each cycle once, got [2, 2]"),
    ],
)
def test_impossible_arguments_are_refused(positions, options, message):
    with pytest.raises(InvalidValueError) as caught:
        cycles_between_failures(positions, 10, **options)
    assert str(caught.value) == message


def test_impossible_cycles_are_refused():
    with pytest.raises(InvalidValueError, match=r"^cycles must be a whole number of at least 0"):
        cycles_between_failures([], -1)


def test_exact_chances_are_those_of_fractions():
    limits = between_limits(0.25, tail=0.3)
    good = Fraction(3, 4)
    assert limits.chance_below == pytest.approx(float(1 - good**limits.lower), rel=1e-14)
    assert limits.chance_above == pytest.approx(float(good ** (limits.upper + 1)), rel=1e-14)
    assert (limits.lower, limits.upper) == (1, 4)
