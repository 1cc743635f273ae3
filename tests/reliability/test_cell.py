"""The cell from devices proven apart: four bounds, their identities and their coverage."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, special, stats

from trialog.errors import InvalidValueError
from trialog.reliability import SeriesBound, failure_rate_bounds, series_upper_bound

seeded = settings(derandomize=True, database=None, deadline=None, max_examples=25)

OF_FIXED_TRIALS = ("lindstrom_madden", "bayes", "simultaneous")
"""Those that hold for trials whose numbers of cycles were fixed beforehand."""

METHODS = (*OF_FIXED_TRIALS, "peek_safe")


def upper(failures, cycles, confidence=0.95, method="lindstrom_madden"):
    return series_upper_bound(failures, cycles, confidence=confidence, method=method).upper


# One device.


@pytest.mark.parametrize("method", ["lindstrom_madden", "simultaneous"])
@pytest.mark.parametrize("confidence", [0.001, 0.5, 0.95, 0.999999])
@pytest.mark.parametrize(
    ("failures", "cycles"),
    [(0, 1), (0, 1920), (3, 100), (9, 10), (5, 10**7), (2, 10**9), (10**8, 10**9)],
)
def test_one_device_makes_a_cell_with_its_own_exact_bound(failures, cycles, confidence, method):
    own = failure_rate_bounds(failures, cycles, confidence=confidence).upper
    # 5e-12: the path integral keeps twelve digits
    assert upper([failures], [cycles], confidence, method) == pytest.approx(own, rel=5e-12, abs=0)


@pytest.mark.parametrize(
    ("failures", "cycles"), [(0, 1), (0, 59), (3, 100), (9, 10), (0, 9 * 10**8), (500, 10**6)]
)
def test_the_bayesian_bound_of_one_device_is_the_exact_one_for_a_cycle_more(failures, cycles):
    # the posterior beta(k + 1, n - k + 1) against the exact bound's beta(k + 1, n - k)
    own = failure_rate_bounds(failures, cycles + 1).upper
    assert upper([failures], [cycles], method="bayes") == pytest.approx(own, rel=5e-12, abs=0)


# Lindstrom and Madden.


@pytest.mark.parametrize("cycles", [(20, 20), (1920, 27_296, 5_000)])
def test_clean_devices_count_as_the_shortest_run(cycles):
    closed = -math.expm1(math.log(0.05) / min(cycles))
    assert upper([0] * len(cycles), cycles) == pytest.approx(closed, rel=1e-12)


@pytest.mark.parametrize(
    ("failures", "cycles"),
    [((0, 3, 1), (35, 100, 60)), ((2, 7), (400, 1000)), ((1, 1), (10**6, 10**7))],
)
@pytest.mark.parametrize("confidence", [0.001, 0.9, 0.999999999])
def test_the_bound_leaves_the_error_in_a_tail_of_failures_that_need_not_be_whole(
    failures, cycles, confidence
):
    shortest = min(cycles)
    rate = 1 - math.prod(1 - k / n for k, n in zip(failures, cycles, strict=True))
    failed = shortest * rate
    tail = special.betaincc(failed + 1, shortest - failed, upper(failures, cycles, confidence))
    # 1e-8: the rate is a difference from 1 here, which costs digits where it is small
    assert tail == pytest.approx(1 - confidence, rel=1e-8)


def test_hardly_any_good_cycle_leaves_any_rate_possible():
    # 3 x (1/3)^40: the beta function's first shape is all but 0
    assert upper([2] * 40, [3] * 40) == 1.0


# The Bayesian product.


@pytest.mark.parametrize("confidence", [0.001, 0.1, 0.5, 0.95, 0.999999, 0.999999999])
@pytest.mark.parametrize(
    ("first", "second", "cycles"),
    [
        (0, 0, 5),
        (2, 0, 30),
        (0, 4, 200),
        (3, 6, 10_000),
        (40, 7, 10**6),
        (1, 0, 9 * 10**8),
        (300, 0, 301),
        (88_886, 3, 94_686),
        (3, 88_886, 94_686),
        (10**8, 10**7, 5 * 10**8),
    ],
)
def test_two_betas_that_fit_together_multiply_to_one(first, second, cycles, confidence):
    # beta(a, b) x beta(a + b, c) is beta(a, b + c); so the second device needs n + 1 + k cycles
    bound = upper([first, second], [cycles, cycles + 1 + second], confidence, "bayes")
    joint = failure_rate_bounds(first + second + 1, cycles + second + 2, confidence=confidence)
    assert bound == pytest.approx(joint.upper, rel=5e-12, abs=0)


@pytest.mark.parametrize(
    ("failures", "cycles"), [((0, 0), (20, 300)), ((3, 1), (100, 60)), ((0, 5), (1, 8))]
)
def test_the_product_of_two_posteriors_lies_above_the_bound_with_the_error(failures, cycles):
    bound = upper(failures, cycles, 0.9, "bayes")
    one, other = (stats.beta(n - k + 1, k + 1) for k, n in zip(failures, cycles, strict=True))
    inner = integrate.quad(lambda x: one.pdf(x) * other.cdf((1 - bound) / x), 1 - bound, 1)[0]
    # below 1 - bound the first device alone is bad enough; 1e-8: what quad promises
    assert one.cdf(1 - bound) + inner == pytest.approx(0.1, abs=1e-8)


@pytest.mark.parametrize("confidence", [0.001, 0.1, 0.5, 0.95, 0.999])
@pytest.mark.parametrize(
    ("wide", "narrow"),
    [
        ((0, 277), (74_315_871, 198_098_006)),
        ((0, 2), (39_300, 48_758)),
        ((0, 48), (6_428, 1_489_535)),
        ((0, 94), (88_886, 94_686)),
        ((3, 2_608), (1_687_143, 2_076_620)),
        ((0, 3), (500, 10**6)),
    ],
)
def test_a_short_trial_beside_a_long_one_with_many_failures(wide, narrow, confidence):
    good = 1 - upper((wide[0], narrow[0]), (wide[1], narrow[1]), confidence, "bayes")
    one, other = (stats.beta(n - k + 1, k + 1) for k, n in (wide, narrow))
    middle, reach = other.mean(), 12 * other.std()
    low, high = max(middle - reach, 0.0), min(middle + reach, 1.0)
    pieces = sorted({low, middle, min(max(good, low), high), high})
    side = one.sf if confidence < 0.5 else one.cdf
    tail = sum(
        integrate.quad(lambda x: other.pdf(x) * side(good / x), *ends, epsabs=0, limit=200)[0]
        for ends in itertools.pairwise(pieces)
    )
    # 1e-6: what that library's density keeps of its digits at such counts
    assert tail == pytest.approx(min(confidence, 1 - confidence), rel=1e-6)


def test_the_product_of_four_posteriors_by_simulation():
    failures, cycles = (0, 2, 1, 40), (50, 300, 1000, 5000)
    rng, draws = np.random.default_rng(20240501), 200_000
    good = np.ones(draws)
    for k, n in zip(failures, cycles, strict=True):
        good *= rng.beta(n - k + 1, k + 1, draws)
    over = int((1 - good > upper(failures, cycles, 0.95, "bayes")).sum())
    # four standard errors of a binomial count
    assert abs(over - 0.05 * draws) < 4 * math.sqrt(draws * 0.05 * 0.95)


def test_an_integral_that_does_not_settle_is_an_error_and_no_number(monkeypatch):
    monkeypatch.setattr("trialog.reliability._beta_products.MOST_BLOCKS", 1)
    with pytest.raises(ArithmeticError, match="the integral did not settle within 64 points"):
        upper([0, 0], [20, 20], 0.95, "bayes")


def test_two_hundred_devices_make_a_cell():
    # the sum of two hundred gamma(2) terms is gamma(400), for many cycles
    bound = upper([1] * 200, [10**9] * 200, method="bayes")
    assert bound * 10**9 == pytest.approx(special.gammaincinv(400, 0.95), rel=1e-6)


def test_ten_clean_devices_count_for_ten_failures_and_more_in_the_bayesian_bound():
    # for many cycles -n log(product) is gamma(10): its 95 % quantile is 15.7052, from tables of
    # chi-square with 20 degrees of freedom, 31.410 / 2
    bound = upper([0] * 10, [10**8] * 10, method="bayes")
    assert bound * 10**8 == pytest.approx(31.410 / 2, abs=3e-4)
    assert upper([0] * 10, [10**8] * 10) * 10**8 == pytest.approx(-math.log(0.05), rel=1e-6)


# All devices' bounds at once.


def test_simultaneous_bounds_multiply():
    # 0.9^(1/2) each
    one, other = (
        failure_rate_bounds(k, n, confidence=math.sqrt(0.9)).upper for k, n in ((3, 100), (0, 40))
    )
    bound = upper([3, 0], [100, 40], 0.9, "simultaneous")
    assert bound == pytest.approx(1 - (1 - one) * (1 - other), rel=1e-12)


# The bound that may be looked at.


@pytest.mark.parametrize(("failures", "cycles"), [(0, 1920), (3, 100), (9, 10), (2, 10**7)])
def test_one_device_makes_a_cell_with_its_own_peek_safe_bound(failures, cycles):
    own = failure_rate_bounds(failures, cycles, method="peek_safe").upper
    # 1e-12: the error is handed on as 1 less the confidence
    assert upper([failures], [cycles], method="peek_safe") == pytest.approx(own, rel=1e-12)


def test_peek_safe_bounds_at_an_equal_part_of_the_error_are_added_up():
    # 1 - 0.1 / 4 each
    each = [
        failure_rate_bounds(k, n, confidence=0.975, method="peek_safe").upper
        for k, n in ((3, 100), (0, 40), (1, 900), (0, 7000))
    ]
    found = upper([3, 0, 1, 0], [100, 40, 900, 7000], 0.9, "peek_safe")
    assert found == pytest.approx(sum(each), rel=1e-12)
    assert found > upper([3, 0, 1, 0], [100, 40, 900, 7000], 0.9, "simultaneous")


def test_rates_that_add_up_to_more_than_1_make_the_bound_1():
    assert upper([4, 4, 4], [5, 5, 5], method="peek_safe") == 1.0


def test_looking_after_every_cycle_seldom_finds_the_peek_safe_bound_too_low():
    """Two devices that never fail in the same cycle, so that the cell's rate is their sum."""
    rng, runs, cycles = np.random.default_rng(20240501), 200, 400
    wrong = 0
    for drawn in rng.random((runs, cycles)):
        one, other = drawn < 0.01, (drawn >= 0.01) & (drawn < 0.04)
        # the bound is lowest just before a failure, and at the end
        looks = [*np.flatnonzero(one | other), cycles]
        wrong += any(
            upper([one[:n].sum(), other[:n].sum()], [n, n], 0.5, "peek_safe") < 0.04
            for n in looks
            if n
        )
    # more would happen once in 10,000 times were it wrong half of the time
    assert wrong <= stats.binom.ppf(0.9999, runs, 0.5)


# What holds for every method.


@seeded
@given(
    st.lists(
        st.integers(1, 300).flatmap(lambda n: st.tuples(st.integers(0, n - 1), st.just(n))),
        min_size=1,
        max_size=4,
    ),
    st.sampled_from(METHODS),
)
def test_more_failures_or_confidence_never_lower_the_bound(devices, method):
    k, n = (list(part) for part in zip(*devices, strict=True))
    bound = upper(k, n, 0.9, method)
    assert bound <= upper(k, n, 0.95, method)
    assert bound <= upper([k[0] + 1, *k[1:]], n, 0.9, method)
    # 1e-12: the order of the devices may change the rounding
    assert bound == pytest.approx(upper(k[::-1], n[::-1], 0.9, method), rel=1e-12)
    assert bound <= 1.0


@pytest.mark.parametrize("method", METHODS)
def test_the_result_keeps_its_inputs(method):
    result = series_upper_bound(np.array([1, 0]), (40, 10), confidence=0.8, method=method)
    bound = upper([1, 0], [40, 10], 0.8, method)
    assert result == SeriesBound((1, 0), (40, 10), 0.8, method, result.estimate, bound)
    # 1 - 39/40
    assert result.estimate == pytest.approx(0.025, rel=1e-12)


def test_lindstrom_and_madden_at_95_percent_unless_said_otherwise():
    assert series_upper_bound([1], [40]) == series_upper_bound(
        [1], [40], confidence=0.95, method="lindstrom_madden"
    )


@pytest.mark.parametrize("method", METHODS)
def test_no_cycles_of_one_device_leave_everything_open(method):
    result = series_upper_bound([0, 0], [0, 10_000], method=method)
    assert (result.estimate, result.upper) == (None, 1.0)


@pytest.mark.parametrize("method", METHODS)
def test_no_failures_leave_a_bound_above_0(method):
    result = series_upper_bound([0, 0], [100, 200], method=method)
    assert result.estimate == 0.0
    assert 0.02 < result.upper < 0.07


@pytest.mark.parametrize("method", METHODS)
def test_nothing_but_failures_of_one_device_make_the_bound_1(method):
    result = series_upper_bound([5, 0], [5, 10_000], method=method)
    assert (result.estimate, result.upper) == (1.0, 1.0)


@pytest.mark.parametrize(
    ("failures", "cycles", "more", "message"),
    [
        ([], [], {}, "failures must have a count for at least one device, got []"),
        ([0, 1], [5], {}, "cycles must have one count a device (2), got 1"),
        (
            [0],
            [-1],
            {},
            "cycles must be between 0 and the most that is counted (1000000000), got -1",
        ),
        (
            [0],
            [10**9 + 1],
            {},
            "cycles must be between 0 and the most that is counted (1000000000), got 1000000001",
        ),
        ([6], [5], {}, "failures must be between 0 and cycles (5), got 6"),
        ([0, -1], [5, 5], {}, "failures must be between 0 and cycles (5), got -1"),
        ([0.5], [5], {}, "failures must be between 0 and cycles (5), got 0.5"),
        ([0], [5], {"confidence": 1}, "confidence must be above 0 and below 1, got 1"),
        (
            [0],
            [5],
            {"confidence": 0.0009},
            "confidence must be between 0.001 and 0.999999999, got 0.0009",
        ),
        (
            [0],
            [5],
            {"confidence": 0.9999999995},
            "confidence must be between 0.001 and 0.999999999, got 0.9999999995",
        ),
        (
            [0],
            [5],
            {"method": "easterling"},
            "method must be one of lindstrom_madden, bayes, simultaneous, peek_safe, "
            "got 'easterling'",
        ),
    ],
)
def test_what_makes_no_sense_is_refused(failures, cycles, more, message):
    with pytest.raises(InvalidValueError) as caught:
        series_upper_bound(failures, cycles, **more)
    assert str(caught.value) == message


# Coverage.


def bounds_below(cycles, confidence, method, top):
    """Every outcome whose bound lies below `top`, with it; more failures have a higher one."""
    found = []
    for head in itertools.product(*(range(n) for n in cycles[:-1])):
        for last in range(cycles[-1]):
            bound = upper((*head, last), cycles, confidence, method)
            if bound >= top:
                break
            found.append(((*head, last), bound))
    found.sort(key=lambda pair: pair[1])
    counts = np.array([counts for counts, _ in found], dtype=int).reshape(-1, len(cycles))
    return counts, np.array([bound for _, bound in found])


def worst_coverage(cycles, confidence, method, top, shares):
    """The least chance of a bound at or above the cell's rate, over rates up to `top`.

    Coverage falls where the cell's rate passes a possible bound, so it is summed just above each
    of those; `shares` deals the rate out to the devices.
    """
    counts, bounds = bounds_below(cycles, confidence, method, top)
    truths = bounds * (1 + 1e-9)
    missed = bounds[:, None] < truths
    worst = 1.0
    for share in shares:
        chances = np.ones(missed.shape)
        for k, n, part in zip(counts.T, cycles, share, strict=True):
            rates = -np.expm1(part * np.log1p(-truths))
            chances *= stats.binom.pmf(k[:, None], n, rates)
        worst = min(worst, 1 - float((chances * missed).sum(axis=0).max(initial=0.0)))
    return worst


def shares_of(devices, steps):
    """Ways to deal a rate out to devices in whole steps."""
    ways = itertools.product(range(steps + 1), repeat=devices)
    return [[part / steps for part in way] for way in ways if sum(way) == steps]


# Cycles of the devices; rates up to; steps of the deal; then the worst coverage at 90 % and at
# 95 % confidence of lindstrom_madden, bayes and simultaneous.
COVERAGE = [
    ((10, 10), 0.6, 20, (0.9000, 0.9134, 0.9954), (0.9500, 0.9654, 0.9994)),
    ((10, 30), 0.6, 20, (0.9000, 0.8698, 0.9732), (0.9500, 0.9285, 0.9906)),
    ((10, 100), 0.6, 20, (0.9000, 0.8527, 0.9577), (0.9500, 0.9182, 0.9802)),
    ((100, 100), 0.12, 20, (0.9000, 0.9431, 0.9925), (0.9500, 0.9752, 0.9983)),
    ((5, 5, 5), 0.7, 6, (0.9000, 0.9652, 1.0), (0.9500, 0.9947, 1.0)),
    ((5, 10, 20), 0.7, 6, (0.9000, 0.9003, 0.9972), (0.9500, 0.9437, 1.0)),
]


@pytest.mark.parametrize(("cycles", "top", "steps", "at_90", "at_95"), COVERAGE)
def test_coverage_summed_over_every_outcome(cycles, top, steps, at_90, at_95):
    shares = shares_of(len(cycles), steps)
    for confidence, worst in ((0.9, at_90), (0.95, at_95)):
        found = [
            worst_coverage(cycles, confidence, method, top, shares) for method in OF_FIXED_TRIALS
        ]
        # half a unit of the last digit shown
        assert found == pytest.approx(worst, abs=5.1e-5)
        # lindstrom_madden and simultaneous hold what they say; 1e-8: truths stand just above bounds
        assert min(found[0], found[2]) >= confidence - 1e-8


@pytest.mark.parametrize("cycles", [20, 100])
def test_the_bayesian_bound_of_one_short_trial_is_right_less_often_than_it_says(cycles):
    """The error at a bound u is above 5 % by u P(K = k), which keeps it within 5 % / (1 - u)."""
    _, bounds = bounds_below((cycles,), 0.95, "bayes", 0.9)
    for failures, bound in enumerate(bounds):
        error = stats.binom.cdf(failures, cycles, bound)
        excess = bound * stats.binom.pmf(failures, cycles, bound)
        # 1e-10: the bound's twelve digits
        assert error == pytest.approx(0.05 + excess, rel=1e-10)
        assert 0.05 < error <= 0.05 / (1 - bound) * (1 + 1e-10)
