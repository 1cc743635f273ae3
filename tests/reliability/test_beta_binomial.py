"""beta_binomial_fit and tarone_z: against the library's likelihood, simulation, conventions."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import optimize, stats

from trialog.errors import InvalidValueError
from trialog.reliability import (
    BetaBinomialFit,
    TaroneResult,
    beta_binomial_fit,
    tarone_z,
)
from trialog.reliability import _beta_binomial_likelihood as likelihood

BURSTS = [
    ([0, 1, 0, 9, 2], [400, 410, 390, 400, 400]),
    ([0, 1, 5], [5, 5, 5]),
    ([3, 0, 1, 7, 2, 2, 0, 12], [20, 15, 30, 12, 8, 25, 17, 40]),
    ([30, 20, 0, 100], [50_000, 40_000, 60_000, 50_000]),
]


def shapes(mean, correlation):
    """The beta distribution's two numbers."""
    total = 1 / correlation - 1
    return mean * total, (1 - mean) * total


def library_log_likelihood(mean, correlation, failures, cycles):
    a, b = shapes(mean, correlation)
    return stats.betabinom.logpmf(failures, cycles, a, b).sum()


@pytest.mark.parametrize(("failures", "cycles"), BURSTS)
def test_log_likelihood_is_the_librarys(failures, cycles):
    fit = beta_binomial_fit(failures, cycles)
    ours = library_log_likelihood(fit.mean, fit.correlation, failures, cycles)
    # 1e-6: the library's log of a beta function loses digits where its arguments are large
    assert fit.log_likelihood == pytest.approx(ours, abs=1e-6)


@pytest.mark.parametrize(("failures", "cycles"), BURSTS)
def test_fit_is_the_one_that_a_plain_search_finds(failures, cycles):
    def height(at):
        mean, correlation = 1 / (1 + math.exp(-at[0])), 1 / (1 + math.exp(-at[1]))
        return -library_log_likelihood(mean, correlation, failures, cycles)

    settings = {"xatol": 1e-9, "fatol": 1e-11, "maxiter": 4_000}
    found = optimize.minimize(height, [-2.0, -4.0], method="Nelder-Mead", options=settings)
    fit = beta_binomial_fit(failures, cycles)
    # 2e-4: the search sees no slope, and the library's likelihood is rough
    assert math.log(fit.mean / (1 - fit.mean)) == pytest.approx(found.x[0], abs=2e-4)
    assert math.log(fit.correlation / (1 - fit.correlation)) == pytest.approx(found.x[1], abs=2e-4)


@pytest.mark.parametrize(("failures", "cycles"), BURSTS)
def test_statistic_is_twice_the_gain_over_one_rate(failures, cycles):
    fit = beta_binomial_fit(failures, cycles)
    pooled = sum(failures) / sum(cycles)
    binomial = stats.binom.logpmf(failures, cycles, pooled).sum()
    # 1e-6: the library's probabilities
    assert fit.statistic == pytest.approx(2 * (fit.log_likelihood - binomial), abs=1e-6)
    # 1e-12: both are the same function
    assert fit.p_value == pytest.approx(stats.chi2.sf(fit.statistic, 1) / 2, rel=1e-12)


@pytest.mark.parametrize(("mean", "correlation"), [(0.01, 0.02), (0.3, 0.001), (1e-4, 1e-4)])
def test_many_groups_give_back_what_they_were_drawn_from(mean, correlation):
    rng = np.random.default_rng(20240501)
    cycles = np.full(2_000, 5_000)
    failures = rng.binomial(cycles, rng.beta(*shapes(mean, correlation), size=2_000))
    fit = beta_binomial_fit(failures, cycles)
    # preset: 2,000 groups leave a few per cent; five of its standard errors at the worst
    assert fit.mean == pytest.approx(mean, rel=0.2)
    assert fit.correlation == pytest.approx(correlation, rel=0.25)


def test_digits_hold_for_a_hundred_million_cycles():
    """The likelihood falls by as much on either side of the fit."""
    failures, cycles = np.array([4_000, 6_000, 5_500, 4_700]), np.full(4, 100_000_000)
    groups = likelihood.Groups(failures.astype(float), (cycles - failures) * 1.0, cycles * 1.0)
    fit = beta_binomial_fit(failures, cycles)
    odds = fit.correlation / (1 - fit.correlation)
    ways = likelihood.log_ways(groups)

    def gain(factor):
        return fit.log_likelihood - ways - likelihood.log_likelihood(groups, fit.mean, factor)

    # 0.2: the top leans a little
    up, down = gain(odds * 1.1), gain(odds / 1.1)
    assert up > 1e-4
    assert up == pytest.approx(down, rel=0.2)


@pytest.mark.parametrize("x", [0.3, 5.0, 12.0, 4e5, 1e12])
@pytest.mark.parametrize("j", [0.0, 1.0, 7.0, 1_000.0])
def test_log_rise_is_a_sum_of_logs(x, j):
    logs = math.fsum(math.log1p(i / x) for i in range(int(j)))
    # what cancels in j (log(1 + j / x) - 1) is at most a few j in size
    assert likelihood.log_rise(x, np.array([j]))[0] == pytest.approx(logs, abs=3e-15 * j + 1e-14)


def test_alarms_are_as_seldom_as_stated_without_bursts():
    rng = np.random.default_rng(20240501)
    cycles = [300] * 20
    alarms = sum(
        beta_binomial_fit(rng.binomial(cycles, 0.03), cycles).p_value <= 0.05 for _ in range(300)
    )
    # preset: the 99.9 % point of binomial(300, 0.05); the test alarms less often in small samples
    assert 3 <= alarms <= stats.binom.ppf(0.999, 300, 0.05)


# Tarone's Z.


@pytest.mark.parametrize(("failures", "cycles"), [*BURSTS, ([3, 2, 3], [400, 400, 400])])
def test_z_is_the_slope_at_no_correlation(failures, cycles):
    """In standard errors: the information at 0 is half the sum of n (n - 1)."""
    k, n = np.array(failures, dtype=float), np.array(cycles, dtype=float)
    p, groups = k.sum() / n.sum(), likelihood.Groups(k, n - k, n)
    step = 1e-6 / n.max() ** 1.5
    ahead = likelihood.log_likelihood(groups, p, step)
    slope = (ahead - likelihood.binomial_log_likelihood(groups, p)) / step
    information = (n * (n - 1)).sum() / 2
    # 1e-2: a difference over a short step
    assert tarone_z(failures, cycles).z == pytest.approx(
        slope / math.sqrt(information), rel=1e-2, abs=1e-2
    )


def test_z_by_hand():
    """A rate of 1/4 in two groups of 4: each is 1 off, so 2 / (3/16) - 8 = 8/3, of sqrt(48)."""
    result = tarone_z([0, 2], [4, 4])
    # 1e-14 and 1e-12: plain arithmetic
    assert result.z == pytest.approx(8 / 3 / math.sqrt(48), rel=1e-14)
    assert result.p_value == pytest.approx(stats.norm.sf(result.z), rel=1e-12)


def test_z_of_groups_more_alike_than_chance_is_negative():
    result = tarone_z([3, 3, 3], [400, 400, 400])
    assert result.z < 0
    assert result.p_value > 0.5


# Conventions.


def test_groups_that_vary_less_than_chance_have_no_correlation():
    fit = beta_binomial_fit([3, 2, 3], [400, 400, 400])
    assert (fit.correlation, fit.statistic, fit.p_value) == (0.0, 0.0, 1.0)
    assert fit.mean == 8 / 1200
    binomial = stats.binom.logpmf([3, 2, 3], 400, 8 / 1200).sum()
    # 1e-9: the library's probabilities
    assert fit.log_likelihood == pytest.approx(binomial, abs=1e-9)


def test_zero_cycles():
    assert beta_binomial_fit([], []) == BetaBinomialFit(None, 0.0, 0.0, 0.0, 1.0, 0)
    assert beta_binomial_fit([0], [0]) == BetaBinomialFit(None, 0.0, 0.0, 0.0, 1.0, 0)
    assert tarone_z([0, 0], [0, 0]) == TaroneResult(0.0, 1.0)


@pytest.mark.parametrize(
    ("failures", "cycles", "mean", "groups"),
    [
        ([0, 0], [10, 20], 0.0, 2),
        ([10, 20], [10, 20], 1.0, 2),
        ([3], [10], 0.3, 1),
        ([3, 0], [10, 0], 0.3, 1),
        ([1, 0, 0, 1], [1, 1, 1, 1], 0.5, 4),
    ],
    ids=["zero failures", "all failures", "one group", "one with cycles", "groups of one cycle"],
)
def test_where_nothing_tells_of_a_correlation_it_is_0(failures, cycles, mean, groups):
    fit = beta_binomial_fit(failures, cycles)
    assert (fit.mean, fit.correlation, fit.statistic, fit.p_value) == (mean, 0.0, 0.0, 1.0)
    assert fit.groups == groups
    some = np.array(cycles) > 0
    binomial = stats.binom.logpmf(np.array(failures)[some], np.array(cycles)[some], mean).sum()
    # 1e-12: sums of a few logs
    assert fit.log_likelihood == pytest.approx(binomial, abs=1e-12)
    assert tarone_z(failures, cycles) == TaroneResult(0.0, 1.0)


def test_all_or_nothing_groups_have_correlation_1():
    fit = beta_binomial_fit([0, 0, 5, 0], [5, 5, 5, 1])
    assert (fit.mean, fit.correlation) == (0.25, 1.0)
    # each group counts once; 1e-12: sums of a few logs
    assert fit.log_likelihood == pytest.approx(math.log(0.25) + 3 * math.log(0.75), abs=1e-12)
    near = library_log_likelihood(0.25, 1 - 1e-9, [0, 0, 5, 0], [5, 5, 5, 1])
    assert fit.log_likelihood == pytest.approx(near, abs=1e-6)


def test_a_group_whose_only_cycle_failed_counts_as_failed():
    fit = beta_binomial_fit([1, 0, 5], [1, 5, 5])
    assert (fit.mean, fit.correlation) == (2 / 3, 1.0)
    # each group counts once; 1e-12: sums of a few logs
    assert fit.log_likelihood == pytest.approx(math.log(4 / 27), abs=1e-12)


def test_groups_of_two_cycles_are_enough():
    assert beta_binomial_fit([2, 0, 1], [2, 2, 1]).correlation == 1.0
    assert tarone_z([2, 0, 1], [2, 2, 1]).z != 0


# Errors.


@pytest.mark.parametrize("function", [beta_binomial_fit, tarone_z])
def test_wrong_counts_are_refused(function):
    with pytest.raises(InvalidValueError) as caught:
        function([1, 21], [10, 20])
    assert str(caught.value) == "failures must be between 0 and cycles (20), got 21"
    with pytest.raises(InvalidValueError) as caught:
        function([1, 2], [10])
    assert str(caught.value) == "cycles must have one count a group (2), got 1"
