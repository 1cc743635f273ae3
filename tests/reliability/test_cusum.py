"""Bernoulli CUSUM: its path, exact run lengths, thresholds, conventions, errors."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import sparse, stats
from scipy.sparse.linalg import spsolve

from trialog.errors import InvalidValueError
from trialog.reliability import (
    CusumResult,
    bernoulli_cusum,
    cusum_m,
    cusum_run_length,
    cusum_threshold,
)


def step_by_step(positions, cycles, m, threshold):
    """The definition, cycle by cycle."""
    value, signal, values = 0, None, []
    for cycle in range(1, cycles + 1):
        value = max(0, value + (m - 1 if cycle in positions else -1))
        if cycle in positions:
            values.append(value)
        if value >= threshold and signal is None:
            signal = cycle
    return CusumResult(tuple(values), value, signal, m, threshold)


def chain(rate, m, threshold):
    """The mean number of cycles to the threshold: one equation a state, solved."""
    states = np.arange(threshold)
    up = states[: max(threshold - (m - 1), 0)]
    matrix = sparse.lil_matrix((threshold, threshold))
    matrix[states, np.maximum(states - 1, 0)] = -(1 - rate)
    matrix[up, up + m - 1] = -rate
    matrix.setdiag(matrix.diagonal() + 1)
    return float(spsolve(matrix.tocsc(), np.ones(threshold))[0])


def exact_chain(rate, m, threshold):
    """The same mean in fractions, from the threshold down, a state at a time."""
    down = []  # chance of getting one state down before the threshold, and the mean time for it
    for state in reversed(range(1, threshold)):
        chance, time = Fraction(1), Fraction(0)
        for passed in range(state + m - 1, state, -1):
            if passed >= threshold:
                chance = Fraction(0)
                break
            step_chance, step_time = down[threshold - 1 - passed]
            time += chance * step_time
            chance *= step_chance
        again = 1 - rate * chance
        down.append(((1 - rate) / again, (1 + rate * time) / again))
    chance, time = Fraction(1), Fraction(0)
    for passed in range(m - 1, 0, -1):
        if passed >= threshold:
            return 1 / rate
        step_chance, step_time = down[threshold - 1 - passed]
        time += chance * step_time
        chance *= step_chance
    return (1 + rate * time) / (rate * (1 - chance))


# The path.


@given(
    outcomes=st.lists(st.booleans(), max_size=60),
    m=st.integers(2, 9),
    threshold=st.integers(1, 30),
)
def test_path_is_the_definition_cycle_by_cycle(outcomes, m, threshold):
    positions = [cycle for cycle, failed in enumerate(outcomes, 1) if failed]
    ours = bernoulli_cusum(positions, len(outcomes), m=m, threshold=threshold)
    assert ours == step_by_step(positions, len(outcomes), m, threshold)


def test_path_of_an_example_worked_by_hand():
    result = bernoulli_cusum([400, 700, 710, 715], 740, m=50, threshold=120)
    # 49; back to 0; 49; 49 - 9 + 49 = 89; 89 - 4 + 49 = 134; 134 - 25 = 109
    assert result == CusumResult((49, 49, 89, 134), 109, 715, 50, 120)


def test_reaching_the_threshold_is_a_signal():
    assert bernoulli_cusum([1, 2], 5, m=4, threshold=6).signal == 2
    assert bernoulli_cusum([1, 2], 5, m=4, threshold=7).signal is None


def test_the_first_signal_is_named_and_the_path_runs_on():
    result = bernoulli_cusum([1, 2, 3], 3, m=4, threshold=5)
    assert result.signal == 2
    assert result.values == (3, 6, 9)


def test_five_million_cycles_cost_no_more_than_their_failures():
    result = bernoulli_cusum([4_000_000, 1_000], 5_000_000, m=1_500_000, threshold=2_000_000)
    assert result.values == (1_499_999, 1_499_999)
    assert result.final == 499_999


def test_results_are_plain_numbers():
    result = bernoulli_cusum(np.array([9, 2]), np.int64(12), m=np.int64(5), threshold=np.int64(4))
    numbers = (*result.values, result.final, result.signal, result.m, result.threshold)
    assert {type(number) for number in numbers} == {int}


def test_zero_cycles_stay_at_0():
    assert bernoulli_cusum([], 0, m=5, threshold=3) == CusumResult((), 0, None, 5, 3)


def test_zero_failures_stay_at_0():
    assert bernoulli_cusum([], 100, m=5, threshold=3) == CusumResult((), 0, None, 5, 3)


def test_all_cycles_failed_grow_by_m_less_1_a_cycle():
    result = bernoulli_cusum([1, 2, 3], 3, m=5, threshold=100)
    assert result == CusumResult((4, 8, 12), 12, None, 5, 100)


# m.


@pytest.mark.parametrize(("good", "bad"), [(1e-5, 1e-4), (1e-4, 1.1e-4), (0.01, 0.05), (0.2, 0.6)])
def test_m_weighs_outcomes_as_their_likelihoods_do(good, bad):
    failed, fine = math.log(bad / good), math.log((1 - bad) / (1 - good))
    m = cusum_m(good, bad)
    # a failure is worth m - 1 good cycles, up to rounding m
    assert m - 1 == pytest.approx(failed / -fine, abs=0.5 + 1e-9 * m)
    assert 1 / bad - 1 < m < 1 / good + 1


def test_m_is_at_least_2():
    assert cusum_m(0.8, 0.9) == 2


# Run lengths.


@pytest.mark.parametrize("rate", ["0.9", "0.5", "0.1", "0.001"])
@pytest.mark.parametrize(
    ("m", "threshold"),
    [(2, 1), (2, 2), (2, 7), (3, 2), (3, 3), (3, 11), (10, 9), (10, 10), (10, 30)],
)
def test_run_length_is_that_of_the_markov_chain_to_the_last_digit(rate, m, threshold):
    exact = exact_chain(Fraction(rate), m, threshold)
    length = cusum_run_length(float(rate), m=m, threshold=threshold)
    # 1e-15: one rounding
    assert length == pytest.approx(float(exact), rel=1e-15)


@pytest.mark.parametrize(
    ("rate", "m", "threshold"),
    [(0.9, 50, 400), (0.1, 50, 400), (0.02, 50, 150), (0.01, 200, 777), (1e-3, 400, 3_000)],
)
def test_run_length_is_that_of_a_longer_markov_chain(rate, m, threshold):
    length = cusum_run_length(rate, m=m, threshold=threshold)
    # 1e-9: thousands of equations solved in floats
    assert length == pytest.approx(chain(rate, m, threshold), rel=1e-9)


def test_run_length_is_the_published_one():
    # 570.138: a chain of 150 states solved apart
    assert cusum_run_length(0.02, m=50, threshold=150) == pytest.approx(570.138, abs=5e-4)


def test_run_length_for_tiny_rates_tends_to_that_of_a_poisson_process():
    """Rates, m and threshold grown by a thousand: run lengths in units of m agree."""
    short = cusum_run_length(1e-5, m=100_000, threshold=400_000) / 100_000
    long = cusum_run_length(1e-8, m=100_000_000, threshold=400_000_000) / 100_000_000
    # a cycle is 1e-5 of m
    assert short == pytest.approx(long, rel=1e-4)
    assert short != pytest.approx(long, rel=1e-8)


@pytest.mark.parametrize("rate", [0.7, 0.3, 0.01])
def test_a_threshold_that_one_failure_reaches_waits_for_one_failure(rate):
    for threshold in (1, 5, 9):
        length = cusum_run_length(rate, m=10, threshold=threshold)
        assert length == pytest.approx(1 / rate, rel=1e-14)
    assert cusum_run_length(rate, m=10, threshold=10) > 1.01 / rate


def test_two_failures_running_is_a_classic():
    """m = 2, threshold 2: the mean wait for two failures with no good cycle between them."""
    # 1 / p + 1 / p^2: Feller (1968), volume 1, section XIII.7
    length = cusum_run_length(0.25, m=2, threshold=2)
    assert length == pytest.approx(4 + 16, rel=1e-14)


def test_simulated_waits_have_the_mean_that_is_stated():
    rng = np.random.default_rng(20240501)
    waits = []
    for _ in range(1_000):
        positions = np.cumsum(rng.geometric(0.02, 400))
        waits.append(bernoulli_cusum(positions, 100_000, m=50, threshold=150).signal)
    assert None not in waits
    error = np.std(waits) / math.sqrt(len(waits))
    # preset: 3.3 standard errors
    assert abs(np.mean(waits) - 570.138) < 3.3 * error


def test_run_length_falls_with_the_rate_and_grows_with_the_threshold():
    by_rate = [cusum_run_length(r, m=100, threshold=400) for r in (1e-3, 5e-3, 0.01, 0.05, 0.5)]
    assert by_rate == sorted(by_rate, reverse=True)
    by_threshold = [cusum_run_length(0.01, m=20, threshold=h) for h in range(1, 120)]
    assert by_threshold == sorted(by_threshold)


@pytest.mark.parametrize(("rate", "lines"), [(0.5, 10), (0.9, 5), (0.999, 5), (0.05, 80)])
def test_run_length_where_failures_rule_is_about_the_threshold_over_the_drift(rate, lines):
    m = 60
    length = cusum_run_length(rate, m=m, threshold=lines * (m - 1))
    # Wald's equation, off by at most one failure's jump and what is lost at 0
    drift = rate * m - 1
    assert lines * (m - 1) / drift <= length * (1 + 1e-12)
    assert length <= (lines + 1) * (m - 1) / drift + 4 / rate


# Thresholds.


@pytest.mark.parametrize("wanted", [1, 99.9, 100, 100.1, 1_000, 12_345.6, 1e8])
def test_threshold_is_the_smallest_that_waits_long_enough(wanted):
    threshold = cusum_threshold(0.01, wanted, m=40)
    assert cusum_run_length(0.01, m=40, threshold=threshold) >= wanted
    if threshold > 1:
        assert cusum_run_length(0.01, m=40, threshold=threshold - 1) < wanted


def test_a_short_wait_needs_a_threshold_of_1():
    assert cusum_threshold(0.01, 1, m=40) == 1
    assert cusum_threshold(0.01, 100, m=40) == 1


def test_thresholds_for_tiny_rates():
    m = cusum_m(1e-5, 1e-4)
    threshold = cusum_threshold(1e-5, 1e7, m=m)
    assert cusum_run_length(1e-5, m=m, threshold=threshold) >= 1e7
    worse = cusum_run_length(1e-4, m=m, threshold=threshold)
    # a device ten times as bad is found a hundred times sooner
    assert worse < 1e5


# The range.


def test_the_largest_threshold_is_100_failures_running():
    assert cusum_run_length(0.5, m=2, threshold=100) == pytest.approx(100 * 101, rel=1e-14)
    with pytest.raises(InvalidValueError) as caught:
        cusum_run_length(0.5, m=2, threshold=101)
    rule = "between 1 and the largest that is worked out for this m and rate (100)"
    assert str(caught.value) == f"threshold must be {rule}, got 101"


def test_terms_may_grow_by_1000_digits():
    # 0.1^1000 at a rate of 0.9
    assert cusum_run_length(0.9, m=1000, threshold=1000) == pytest.approx(
        chain(0.9, 1000, 1000), rel=1e-9
    )
    with pytest.raises(InvalidValueError, match=r"for this m and rate \(1000\), got 1001"):
        cusum_run_length(0.9, m=1000, threshold=1001)


def test_a_rate_next_to_1_still_has_a_threshold():
    assert cusum_run_length(1 - 1e-16, m=100, threshold=50) == 1


def test_a_run_length_that_no_float_holds_is_refused():
    with pytest.raises(InvalidValueError) as caught:
        cusum_run_length(1e-9, m=50, threshold=2_450)
    rule = "threshold must be low enough for a run length below 1e308 at a rate of 1e-09"
    assert str(caught.value) == f"{rule}, got 2450"
    with pytest.raises(InvalidValueError, match="low enough for a run length below 1e308"):
        cusum_run_length(1e-300, m=50, threshold=2_450)
    with pytest.raises(InvalidValueError, match="low enough for a run length below 1e308"):
        cusum_run_length(5e-324, m=50, threshold=2_450)


def test_a_run_length_near_the_largest_float_is_given():
    length = cusum_run_length(1e-300, m=5, threshold=4)
    assert length == pytest.approx(1e300, rel=1e-14)


def test_a_run_length_out_of_reach_is_refused():
    with pytest.raises(InvalidValueError) as caught:
        cusum_threshold(0.5, 10_101, m=2)
    assert str(caught.value) == "run_length must be within reach of a threshold of 100, got 10101"
    assert cusum_threshold(0.5, 10_100, m=2) == 100


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda: bernoulli_cusum([1], 5, m=1, threshold=1),
            "m must be a whole number of at least 2, got 1",
        ),
        (
            lambda: bernoulli_cusum([1], 5, m=2, threshold=0),
            "threshold must be a whole number of at least 1, got 0",
        ),
        (
            lambda: bernoulli_cusum([6], 5, m=2, threshold=1),
            "positions must be whole numbers from 1 to cycles (5), got 6.0",
        ),
        (
            lambda: bernoulli_cusum([], -1, m=2, threshold=1),
            "cycles must be a whole number of at least 0, got -1",
        ),
        (lambda: cusum_m(0, 0.1), "good must be above 0 and below 1, got 0"),
        (lambda: cusum_m(0.1, 0.1), "bad must be above good (0.1) and below 1, got 0.1"),
        (
            lambda: cusum_run_length(0, m=2, threshold=1),
            "rate must be above 0 and below 1, got 0",
        ),
        (
            lambda: cusum_run_length(0.1, m=1, threshold=1),
            "m must be a whole number of at least 2, got 1",
        ),
        (
            lambda: cusum_threshold(1, 10, m=2),
            "rate must be above 0 and below 1, got 1",
        ),
        (
            lambda: cusum_threshold(0.1, 10, m=1),
            "m must be a whole number of at least 2, got 1",
        ),
        (
            lambda: cusum_threshold(0.1, 0.9, m=2),
            "run_length must be a number of at least 1, got 0.9",
        ),
        (
            lambda: cusum_threshold(0.1, math.inf, m=2),
            "run_length must be a number of at least 1, got inf",
        ),
    ],
)
def test_impossible_arguments_are_refused(call, message):
    with pytest.raises(InvalidValueError) as caught:
        call()
    assert str(caught.value) == message


def test_false_signals_come_no_sooner_than_asked_for():
    """Half of the geometric waits of a chart in order end before ln 2 of the mean."""
    rng = np.random.default_rng(20240501)
    threshold = cusum_threshold(0.02, 2_000, m=40)
    mean = cusum_run_length(0.02, m=40, threshold=threshold)
    early = 0
    for _ in range(500):
        positions = np.cumsum(rng.geometric(0.02, 60))
        end = int(mean * math.log(2))
        signal = bernoulli_cusum(positions[positions <= end], end, m=40, threshold=threshold).signal
        early += signal is not None
    # preset: 0.1 % tails about one half, widened by 0.05 as waits are not quite geometric
    low, high = stats.binom.ppf([0.001, 0.999], 500, [0.45, 0.55])
    assert low <= early <= high
