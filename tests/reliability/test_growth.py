"""Power-law growth: estimates, exact bounds, fit, conventions, errors."""

from __future__ import annotations

import math

import mpmath as mp
import numpy as np
import pytest
from scipy import stats
from scipy.optimize import brentq

from trialog.errors import InvalidValueError
from trialog.reliability import (
    GrowthFit,
    PowerLawGrowth,
    cramer_von_mises_test,
    mil_hdbk_189_test,
    power_law_growth,
)

GROWING = [5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478]
"""Failure times of NIST/SEMATECH e-Handbook 8.4.5.2 (seen), of a test of 1,500 hours."""

TOTAL = math.fsum(math.log(1500 / time) for time in GROWING)
ENDED = math.fsum(math.log(1478 / time) for time in GROWING)


def at_end(**options):
    return power_law_growth(GROWING, 1478, termination="failure", **options)


def made(shape, total, failures, end=1000.0):
    """Failure times whose sum of logarithms is `total`, spread as a power law spreads them."""
    logs = -np.log((np.arange(failures) + 0.5) / failures) / shape
    return end * np.exp(-logs * total / logs.sum())


# Estimates.


def test_plain_and_modified_estimate_where_the_trial_ended_at_a_number_of_cycles():
    growth = power_law_growth(GROWING, 1500)
    assert growth.shape == pytest.approx(10 / TOTAL, rel=1e-14)
    assert growth.shape_modified == pytest.approx(9 / TOTAL, rel=1e-14)
    # 0.483506 and 0.2913003: printed in NIST/SEMATECH e-Handbook 8.4.5.2 (seen), modified
    assert growth.shape_modified == pytest.approx(0.483506, abs=5e-7)
    assert growth.scale_modified == pytest.approx(0.2913003, abs=5e-8)
    assert growth.shape == pytest.approx(0.483506 * 10 / 9, abs=6e-7)


def test_plain_and_modified_estimate_where_the_trial_ended_at_a_failure():
    growth = at_end()
    assert growth.shape == pytest.approx(10 / ENDED, rel=1e-14)
    assert growth.shape_modified == pytest.approx(8 / ENDED, rel=1e-14)


@pytest.mark.parametrize("growth", [power_law_growth(GROWING, 1500), at_end()])
def test_scale_and_rate_belong_to_the_shape_they_are_named_after(growth):
    for shape, scale, rate in (
        (growth.shape, growth.scale, growth.rate),
        (growth.shape_modified, growth.scale_modified, growth.rate_modified),
    ):
        # so many failures are expected by the end, and the rate there is the derivative
        assert scale * growth.cycles**shape == pytest.approx(10, rel=1e-13)
        assert rate == pytest.approx(scale * shape * growth.cycles ** (shape - 1), rel=1e-13)


def test_the_plain_estimate_has_the_largest_likelihood():
    growth = power_law_growth(GROWING, 1500)

    def log_likelihood(shape, scale):
        logs = sum(math.log(scale * shape * time ** (shape - 1)) for time in GROWING)
        return logs - scale * 1500**shape

    best = log_likelihood(growth.shape, growth.scale)
    for shape in (0.99, 1, 1.01):
        for scale in (0.99, 1, 1.01):
            assert log_likelihood(growth.shape * shape, growth.scale * scale) <= best
    assert log_likelihood(growth.shape_modified, growth.scale_modified) < best - 0.01


@pytest.mark.parametrize("termination", ["time", "failure"])
def test_the_modified_estimate_has_no_bias_and_the_plain_one_has(termination):
    """Given k failures, shape * ln(T / t) are exponential variables; k - 1 of them at a failure."""
    rng = np.random.default_rng(20240501)
    shape, failures, draws = 1.7, 6, 2_000
    times = np.exp(-rng.standard_exponential((draws, failures)) / shape)
    if termination == "failure":
        times[:, 0] = 1.0
    fits = [power_law_growth(row, 1.0, termination=termination) for row in times]
    modified = np.array([fit.shape_modified for fit in fits])
    plain = np.array([fit.shape for fit in fits])
    # preset: 3.3 standard errors
    assert abs(modified.mean() - shape) < 3.3 * modified.std() / math.sqrt(draws)
    assert plain.mean() - shape > 3.3 * plain.std() / math.sqrt(draws)


def test_chi_square_trend_is_the_plain_shape():
    trend = mil_hdbk_189_test(GROWING, 1500)
    assert trend.statistic == pytest.approx(20 / power_law_growth(GROWING, 1500).shape, rel=1e-13)


def test_a_unit_of_length_changes_rates_and_scales_alone():
    hours, days = power_law_growth(GROWING, 1500), power_law_growth(np.array(GROWING) / 24, 62.5)
    assert days.shape == pytest.approx(hours.shape, rel=1e-12)
    assert days.fit_statistic == pytest.approx(hours.fit_statistic, rel=1e-12)
    assert days.rate_upper == pytest.approx(24 * hours.rate_upper, rel=1e-12)
    assert days.scale == pytest.approx(24**hours.shape * hours.scale, rel=1e-12)


def test_order_of_the_positions_does_not_matter():
    assert power_law_growth(GROWING[::-1], 1500) == power_law_growth(np.array(GROWING), 1500)


# Bounds.


def few_given_the_sum(failures, z):
    """P(K <= failures) given the sum of logarithms, with Bessel's function as the constant."""
    z = mp.mpf(z)
    terms = (z**j / (mp.factorial(j) * mp.factorial(j - 1)) for j in range(1, failures + 1))
    return mp.fsum(terms) / (mp.sqrt(z) * mp.besseli(1, 2 * mp.sqrt(z)))


def product_above(failures, z):
    """P(G V > z), G gamma of shape k and V of shape k - 1, as a sum over Bessel's functions."""
    z = mp.mpf(z)
    orders = range(failures)
    terms = (
        z**j
        / mp.factorial(j)
        * z ** (mp.mpf(failures - 1 - j) / 2)
        * mp.besselk(failures - 1 - j, 2 * mp.sqrt(z))
        for j in orders
    )
    return 2 * mp.fsum(terms) / mp.gamma(failures - 1)


@pytest.mark.parametrize("failures", [2, 3, 10, 200])
@pytest.mark.parametrize("confidence", [0.5, 0.95, 0.999999])
def test_bounds_have_the_tails_that_they_claim_at_a_number_of_cycles(failures, confidence):
    growth = power_law_growth(made(0.6, 30.0, failures), 1000, confidence=confidence, sides="both")
    error = (1 - mp.mpf(str(confidence))) / 2
    z_upper, z_lower = growth.rate_upper * 1000 * 30, growth.rate_lower * 1000 * 30
    with mp.workdps(60):
        # 1e-10: the digits promised
        assert float(few_given_the_sum(failures, z_upper) / error) == pytest.approx(1, rel=1e-10)
        lower = 1 - few_given_the_sum(failures - 1, z_lower)
        assert float(lower / error) == pytest.approx(1, rel=1e-10)


@pytest.mark.parametrize("failures", [3, 4, 12])
@pytest.mark.parametrize("confidence", [0.5, 0.95, 0.999999])
def test_bounds_have_the_tails_that_they_claim_at_a_failure(failures, confidence):
    times = np.append(made(0.6, 30.0, failures - 1), 1000)
    growth = power_law_growth(
        times, 1000, termination="failure", confidence=confidence, sides="both"
    )
    error = (1 - mp.mpf(str(confidence))) / 2
    z_upper, z_lower = growth.rate_upper * 1000 * 30, growth.rate_lower * 1000 * 30
    with mp.workdps(60):
        assert float(product_above(failures, z_upper) / error) == pytest.approx(1, rel=1e-10)
        lower = 1 - product_above(failures, z_lower)
        assert float(lower / error) == pytest.approx(1, rel=1e-10)


def test_the_sum_over_bessel_functions_is_the_chance_of_a_product():
    rng = np.random.default_rng(20240501)
    draws = rng.standard_gamma(4, 20_000) * rng.standard_gamma(3, 20_000)
    above = int((draws > 15).sum())
    # preset: 0.1 % tails
    low, high = stats.binom.ppf([0.001, 0.999], 20_000, float(product_above(4, 15)))
    assert low <= above <= high


@pytest.mark.parametrize("shape", [0.5, 1.0, 2.0])
@pytest.mark.parametrize("side", ["upper", "lower"])
def test_bounds_at_a_number_of_cycles_hold_at_least_as_often_as_stated(shape, side):
    rng = np.random.default_rng(20240501)
    expected, rate, held, draws = 6.0, 6.0 * shape, 0, 800
    for count in rng.poisson(expected, draws):
        growth = power_law_growth(
            rng.uniform(size=count) ** (1 / shape), 1.0, confidence=0.9, sides=side
        )
        bound = getattr(growth, f"rate_{side}")
        held += bound is None or (bound >= rate if side == "upper" else bound <= rate)
    # preset: 0.1 % lower tail of binomial(800, 0.9)
    assert held >= stats.binom.ppf(0.001, draws, 0.9)


@pytest.mark.parametrize("side", ["upper", "lower"])
def test_bounds_at_a_failure_hold_as_often_as_stated(side):
    rng = np.random.default_rng(20240501)
    shape, failures, held, draws = 0.7, 5, 0, 800
    for arrivals in np.cumsum(rng.standard_exponential((draws, failures)), axis=1):
        times = arrivals ** (1 / shape)
        rate = shape * times[-1] ** (shape - 1)
        growth = power_law_growth(
            times, times[-1], termination="failure", confidence=0.9, sides=side
        )
        bound = getattr(growth, f"rate_{side}")
        held += bound >= rate if side == "upper" else bound <= rate
    # preset: 0.1 % tails of binomial(800, 0.9)
    low, high = stats.binom.ppf([0.001, 0.999], draws, 0.9)
    assert low <= held <= high


def test_normal_bounds_are_the_printed_ones():
    growth = power_law_growth(GROWING, 1500, confidence=0.8, sides="both", method="normal")
    # 157.7138 and 548.5566: printed in NIST/SEMATECH e-Handbook 8.4.5.2 (seen)
    assert 1 / growth.rate_upper == pytest.approx(157.7138, abs=5e-5)
    assert 1 / growth.rate_lower == pytest.approx(548.5566, abs=5e-5)


def test_normal_bounds_come_near_the_exact_ones():
    times = made(0.6, 500.0, 300)
    exact, normal = (
        power_law_growth(times, 1000, sides="both", method=method) for method in ("exact", "normal")
    )
    # 1 %: what half a failure in 300 and the skewness of the counts make
    assert normal.rate_upper == pytest.approx(exact.rate_upper, rel=0.01)
    assert normal.rate_lower == pytest.approx(exact.rate_lower, rel=0.01)


def test_a_normal_lower_bound_ends_at_0():
    times = [200, 900]
    assert (
        power_law_growth(times, 1000, confidence=0.999, sides="lower", method="normal").rate_lower
        == 0.0
    )
    # q sqrt(k / 2) = q is below k = 2 here
    near = power_law_growth(times, 1000, confidence=0.9, sides="lower", method="normal")
    assert near.rate_lower > 0


def test_upper_is_the_default_and_leaves_the_other_side_open():
    growth = power_law_growth(GROWING, 1500)
    assert growth == power_law_growth(
        GROWING, 1500, confidence=0.95, sides="upper", method="exact", termination="time"
    )
    assert growth.rate_lower == 0
    assert growth.rate < growth.rate_upper < math.inf
    lower = power_law_growth(GROWING, 1500, sides="lower")
    assert 0 < lower.rate_lower < lower.rate
    assert lower.rate_upper == math.inf


def test_two_sides_are_two_single_sides_with_half_the_error_each():
    both = at_end(confidence=0.9, sides="both")
    assert both.rate_upper == at_end(confidence=0.95).rate_upper
    assert both.rate_lower == at_end(confidence=0.95, sides="lower").rate_lower
    assert both.confidence == 0.9


@pytest.mark.parametrize("method", ["exact", "normal"])
def test_bounds_nest_in_confidence(method):
    bounds = [
        power_law_growth(GROWING, 1500, confidence=c, sides="both", method=method)
        for c in (0.5, 0.8, 0.95, 0.99)
    ]
    uppers, lowers = [b.rate_upper for b in bounds], [b.rate_lower for b in bounds]
    assert uppers == sorted(set(uppers))
    assert lowers == sorted(set(lowers), reverse=True)


# Fit.


def test_fit_statistic_is_the_formula():
    growth = power_law_growth(GROWING, 1500)
    shape = growth.shape_modified
    terms = (((time / 1500) ** shape - (2 * i - 1) / 20) ** 2 for i, time in enumerate(GROWING, 1))
    assert growth.fit_statistic == pytest.approx(1 / 120 + math.fsum(terms), rel=1e-12)
    fit = cramer_von_mises_test(GROWING, 1500, rng=np.random.default_rng(1), draws=1)
    assert (fit.statistic, fit.failures) == (growth.fit_statistic, 10)


def test_fit_statistic_leaves_out_the_failure_that_ended_the_trial():
    growth = at_end()
    terms = (
        ((time / 1478) ** growth.shape_modified - (2 * i - 1) / 18) ** 2
        for i, time in enumerate(GROWING[:-1], 1)
    )
    assert growth.fit_statistic == pytest.approx(1 / 108 + math.fsum(terms), rel=1e-12)


def with_statistic(failures, wanted):
    """Failure times with this statistic: between a good fit and all in one place."""

    def times(share):
        good = (np.arange(failures) + 0.5) / failures
        return good * (1 - share) + share * 0.5 * (1 - 1e-6 * good)

    def miss(share):
        return power_law_growth(times(share), 1.0).fit_statistic - wanted

    return times(brentq(miss, 0, 0.95, xtol=1e-14))


@pytest.mark.parametrize(
    ("failures", "values"),
    [
        (3, (0.121, 0.154, 0.184)),
        (5, (0.121, 0.160, 0.199)),
        (10, (0.125, 0.167, 0.212)),
        (60, (0.128, 0.173, 0.220)),
    ],
)
def test_p_values_are_those_of_the_handbooks_table(failures, values):
    """Critical values at 20, 10 and 5 %: MIL-HDBK-189 (1981), appendix C, from memory."""
    for value, level in zip(values, (0.20, 0.10, 0.05), strict=True):
        times = with_statistic(failures, value)
        fit = cramer_von_mises_test(times, 1.0, rng=np.random.default_rng(1))
        assert fit.statistic == pytest.approx(value, abs=1e-9)
        # 0.01: three digits of the table and four standard errors; 0.02 where the table is flat
        assert fit.p_value == pytest.approx(level, abs=0.02)


def test_p_value_of_two_failures_is_the_share_of_a_line():
    """For two failures the logarithms, over their sum, are r and 1 - r with r uniform."""
    times = [0.3, 0.7]
    fit = cramer_von_mises_test(times, 1.0, rng=np.random.default_rng(20240501), draws=20_000)
    parts = (np.arange(100_000) + 0.5) / 100_000
    first, second = np.exp(-np.maximum(parts, 1 - parts)), np.exp(-np.minimum(parts, 1 - parts))
    line = 1 / 24 + (first - 0.25) ** 2 + (second - 0.75) ** 2
    exact = np.mean(line >= fit.statistic)
    assert 0.05 < exact < 0.95
    assert fit.p_error == pytest.approx(
        math.sqrt(fit.p_value * (1 - fit.p_value) / 20_000), rel=1e-14
    )
    assert abs(fit.p_value - exact) < 3.3 * fit.p_error


@pytest.mark.parametrize("termination", ["time", "failure"])
def test_false_alarms_of_the_fit_come_as_often_as_stated(termination):
    rng = np.random.default_rng(20240501)
    alarms, draws = 0, 600
    for _ in range(draws):
        times = rng.uniform(size=7) ** 2
        if termination == "failure":
            times[0] = 1.0
        fit = cramer_von_mises_test(times, 1.0, rng=rng, draws=199, termination=termination)
        alarms += fit.p_value <= 0.1
    # preset: 0.1 % tails of binomial(600, 0.1)
    low, high = stats.binom.ppf([0.001, 0.999], draws, 0.1)
    assert low <= alarms <= high


def test_a_rate_that_jumps_does_not_fit():
    times = [*range(100, 110), *range(900, 910)]
    fit = cramer_von_mises_test(times, 1000, rng=np.random.default_rng(1))
    assert fit.p_value < 0.01


def test_p_value_is_one_more_than_the_draws_that_fit_no_better():
    seen = {
        cramer_von_mises_test(
            [1, 2, 3, 999], 1000, rng=np.random.default_rng(seed), draws=1
        ).p_value
        for seed in range(40)
    }
    assert seen <= {0.5, 1.0}
    assert 0.5 in seen
    worst = cramer_von_mises_test(
        [*range(100, 150), *range(900, 950)], 1000, rng=np.random.default_rng(1), draws=99
    )
    assert worst.p_value == 0.01


def test_every_draw_fits_no_better_than_the_best_fit():
    times = made(1.0, 10.0, 12)
    for draws in (1, 99):
        fit = cramer_von_mises_test(times, 1000, rng=np.random.default_rng(1), draws=draws)
        assert (fit.p_value, fit.p_error) == (1.0, 0.0)


def test_draws_come_in_batches_that_add_up(monkeypatch):
    options = {"draws": 25}
    whole = cramer_von_mises_test(GROWING, 1500, rng=np.random.default_rng(7), **options)
    for size in (100, 5):
        monkeypatch.setattr("trialog.reliability.growth.BATCH", size)
        parts = cramer_von_mises_test(GROWING, 1500, rng=np.random.default_rng(7), **options)
        # the draws are the same numbers, in the same order
        assert parts == whole


# Conventions and errors.


@pytest.mark.parametrize(
    ("positions", "cycles"),
    [([], 0), ([], 100), ([7], 100)],
    ids=["zero cycles", "zero failures", "one failure"],
)
def test_too_few_failures_have_no_growth(positions, cycles):
    nothing = PowerLawGrowth(len(positions), cycles, 0.95)
    assert power_law_growth(positions, cycles) == nothing
    assert nothing.shape is nothing.rate_upper is nothing.fit_statistic is None
    fit = cramer_von_mises_test(positions, cycles, rng=np.random.default_rng(1))
    assert fit == GrowthFit(None, None, None, len(positions))


def test_two_failures_have_growth_unless_the_second_ended_the_trial():
    assert power_law_growth([30, 40], 50).shape_modified > 0
    ended = power_law_growth([30, 40], 40, termination="failure")
    assert ended == PowerLawGrowth(2, 40.0, 0.95)
    assert power_law_growth([20, 30, 40], 40, termination="failure").shape_modified > 0


def test_all_cycles_failed_is_a_steady_rate_of_about_1():
    growth = power_law_growth(range(1, 1001), 1000)
    # ln(2 pi n) / (2 n) off 1, by Stirling's formula
    assert growth.shape == pytest.approx(1 + math.log(2000 * math.pi) / 2000, abs=1e-4)
    assert growth.rate == pytest.approx(growth.shape, rel=1e-13)


def test_ties_in_failure_positions_are_refused_unless_kept():
    with pytest.raises(InvalidValueError, match="positions must name each cycle once"):
        power_law_growth([5, 5, 6], 10)
    kept, apart = (
        power_law_growth(times, 10, ties="keep") for times in ([5, 5, 6], [5, 5 + 1e-12, 6])
    )
    assert kept.failures == 3
    assert kept.shape == pytest.approx(apart.shape, rel=1e-11)
    fit = cramer_von_mises_test([5, 5, 6], 10, ties="keep", rng=np.random.default_rng(1))
    assert fit.statistic == kept.fit_statistic


def test_ties_that_are_all_at_the_end_have_no_estimate():
    with pytest.raises(InvalidValueError) as caught:
        power_law_growth([10, 10], 10, ties="keep")
    assert str(caught.value) == "positions must not all be at the end (10.0), got [10.0, 10.0]"


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"confidence": 1}, "confidence must be above 0 and below 1, got 1"),
        ({"sides": "left"}, "sides must be one of upper, lower, both, got 'left'"),
        ({"method": "bayes"}, "method must be one of exact, normal, got 'bayes'"),
        ({"ties": "drop"}, "ties must be one of refuse, keep, got 'drop'"),
        ({"termination": "end"}, "termination must be one of time, failure, got 'end'"),
        (
            {"termination": "failure"},
            "cycles must be the last failure (9.0) where the trial ended at a failure, got 10.0",
        ),
    ],
)
def test_impossible_choices_are_refused(options, message):
    with pytest.raises(InvalidValueError) as caught:
        power_law_growth([2, 9], 10, **options)
    assert str(caught.value) == message


def test_a_normal_bound_is_not_offered_where_the_trial_ended_at_a_failure():
    with pytest.raises(InvalidValueError) as caught:
        at_end(method="normal")
    rule = "method must be exact where the trial ended at a failure, got 'normal'"
    assert str(caught.value) == rule


def test_the_fit_needs_a_generator_and_a_draw():
    with pytest.raises(InvalidValueError, match=r"rng must be a numpy\.random\.Generator, got 1"):
        cramer_von_mises_test(GROWING, 1500, rng=1)
    with pytest.raises(InvalidValueError, match="draws must be a whole number of at least 1"):
        cramer_von_mises_test(GROWING, 1500, rng=np.random.default_rng(1), draws=0)
