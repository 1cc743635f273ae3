"""Failures by shift against exact limits: binomial quantiles, conventions, errors."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from trialog.errors import InvalidValueError
from trialog.reliability import control_chart, control_limits

RATES = [0.0, 1e-6, 0.001, 0.0123, 0.3, 0.97, 1.0]
TAILS = [0.2, 0.00135, 1e-6]
SIZES = np.array([0, 1, 2, 7, 100, 960, 961, 40_000, 1_000_000])


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("tail", TAILS)
def test_limits_are_binomial_quantiles(rate, tail):
    limits = control_limits(rate, SIZES, tail=tail)
    some = SIZES > 0  # that library knows no group of 0 cycles
    assert (limits.upper[some] == stats.binom.isf(tail, SIZES[some], rate)).all()
    assert (limits.lower[some] == stats.binom.ppf(tail, SIZES[some], rate).clip(0)).all()
    assert (limits.lower[0], limits.upper[0]) == (0, 0)


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("tail", TAILS)
def test_a_false_signal_is_as_rare_as_asked_and_the_next_limit_would_not_be(rate, tail):
    limits = control_limits(rate, SIZES, tail=tail)
    assert (stats.binom.sf(limits.upper, SIZES, rate) <= tail).all()
    assert (stats.binom.cdf(limits.lower - 1, SIZES, rate) <= tail).all()
    above = limits.upper > 0
    assert (stats.binom.sf(limits.upper - 1, SIZES, rate)[above] > tail).all()
    assert (stats.binom.cdf(limits.lower, SIZES, rate) > tail).all()


def test_the_usual_upper_limit_is_broken_by_chance_in_1_7_percent_of_shifts():
    usual = 960 * (0.001 + 3 * np.sqrt(0.001 * 0.999 / 960))
    assert round(100 * stats.binom.sf(np.floor(usual), 960, 0.001), 1) == 1.7


def test_a_chart_has_the_rate_of_all_groups_together_and_names_those_that_break_a_limit():
    chart = control_chart([1, 0, 15, 2, 4], [900, 960, 950, 400, 9000])
    assert chart.limits.rate == 22 / 12_210
    assert (chart.low, chart.high) == ((4,), (2,))
    assert chart.failures.tolist() == [1, 0, 15, 2, 4]


def test_a_shift_of_good_cycles_only_breaks_no_limit_unless_it_is_long():
    assert control_chart([0, 50], [960, 9600]).low == ()
    assert control_chart([0, 50], [9600, 960]).low == (0,)


@pytest.mark.parametrize("counts", [([], []), ([0], [0]), ([0, 0], [0, 0])])
def test_without_a_cycle_there_are_no_limits(counts):
    chart = control_chart(*counts)
    assert (chart.limits, chart.low, chart.high) == (None, (), ())


def test_without_failures_no_group_may_have_one():
    chart = control_chart([0, 0], [100, 200])
    assert (chart.limits.rate, chart.limits.upper.tolist()) == (0.0, [0, 0])
    assert (chart.low, chart.high) == ((), ())


def test_where_all_failed_every_cycle_must():
    chart = control_chart([100, 200], [100, 200])
    assert chart.limits.lower.tolist() == chart.limits.upper.tolist() == [100, 200]
    assert (chart.low, chart.high) == ((), ())


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: control_limits(1.1, [1]), "rate must be between 0 and 1, got 1.1"),
        (lambda: control_limits(0.1, [-1]), "cycles must be at least 0, got -1"),
        (lambda: control_limits(0.1, [1], tail=0.5), "tail must be above 0 and below one half"),
        (lambda: control_chart([2], [1]), r"failures must be between 0 and cycles \(1\), got 2"),
        (lambda: control_chart([0], [0], tail=0), "tail must be above 0"),
    ],
)
def test_wrong_input_is_refused(call, message):
    with pytest.raises(InvalidValueError, match=message):
        call()
