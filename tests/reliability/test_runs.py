"""runs_test: counts, both normal statistics, exact tails by enumeration, conventions, errors."""

from __future__ import annotations

import math
from fractions import Fraction
from itertools import combinations, groupby

import numpy as np
import pytest
from scipy import stats
from statsmodels.sandbox.stats.runs import Runs

from trialog.errors import InvalidValueError
from trialog.reliability import RunsResult, runs_test

BURST = ([11, 12, 13, 14, 31], 40)


def sequence(positions, cycles):
    return [int(cycle in set(positions)) for cycle in range(1, cycles + 1)]


def count(outcomes):
    return sum(1 for _ in groupby(outcomes))


def tail(cycles, failures, runs):
    """P(R <= runs) in whole numbers, by Wald and Wolfowitz's two formulas."""
    k, m = failures, cycles - failures

    def ways(r):
        j = r // 2
        if r % 2 == 0:
            return 2 * math.comb(k - 1, j - 1) * math.comb(m - 1, j - 1)
        more_failed = math.comb(k - 1, j) * math.comb(m - 1, j - 1)
        return more_failed + math.comb(k - 1, j - 1) * math.comb(m - 1, j)

    return float(Fraction(sum(ways(r) for r in range(2, runs + 1)), math.comb(cycles, failures)))


@pytest.mark.parametrize("cycles", [3, 4, 7, 9])
def test_tails_are_shares_of_all_orders(cycles):
    for failures in range(1, cycles):
        orders = list(combinations(range(1, cycles + 1), failures))
        counts = np.array([count(sequence(order, cycles)) for order in orders])
        for order, runs in zip(orders, counts, strict=True):
            result = runs_test(order, cycles)
            assert result.runs == runs
            # 1e-12: sums of fractions
            assert result.p_few == pytest.approx(np.mean(counts <= runs), rel=1e-12)
            assert result.p_many == pytest.approx(np.mean(counts >= runs), rel=1e-12)
            assert result.expected == pytest.approx(counts.mean(), rel=1e-12)
            assert result.z == pytest.approx((runs - counts.mean()) / counts.std(), abs=1e-12)


def test_z_without_correction():
    positions, cycles = BURST
    result = runs_test(positions, cycles)
    z, _ = Runs(np.array(sequence(positions, cycles))).runs_test(correction=False)
    assert result.z == pytest.approx(z, rel=1e-12)
    # mean 1 + 350 / 40 = 9.75, variance 350 * 310 / (1600 * 39), by hand
    assert result.expected == 9.75
    assert result.z == pytest.approx((5 - 9.75) / math.sqrt(108500 / 62400), rel=1e-12)


def test_z_with_correction():
    positions, cycles = BURST
    result = runs_test(positions, cycles)
    # that library corrects below 50 cycles only
    z, _ = Runs(np.array(sequence(positions, cycles))).runs_test(correction=True)
    assert result.z_corrected == pytest.approx(z, rel=1e-12)
    assert result.z_corrected == pytest.approx((5.5 - 9.75) / math.sqrt(108500 / 62400), rel=1e-12)


def test_correction_moves_many_runs_down_and_never_beyond_the_mean():
    many = runs_test(range(1, 20, 2), 20)
    assert many.runs == 20
    assert many.z > many.z_corrected > 0
    # 8 cycles, 4 failures: mean 5. Here 5 runs, no distance at all
    assert runs_test([1, 3, 4, 8], 8).z_corrected == 0
    # 10 cycles, 3 failures: mean 5.2; 5 runs are nearer than half a run
    near = runs_test([2, 6, 7], 10)
    assert (near.runs, near.expected) == (5, 5.2)
    assert near.z < 0
    assert near.z_corrected == 0


def test_two_sided_p_is_twice_the_smaller_tail_and_at_most_1():
    few = runs_test(*BURST)
    assert few.p_two_sided == 2 * few.p_few < 0.01
    many = runs_test(range(1, 20, 2), 20)
    assert many.p_two_sided == 2 * many.p_many < 0.01
    assert runs_test([2, 6, 7], 10).p_two_sided == 1


@pytest.mark.parametrize(
    ("cycles", "failures", "blocks"),
    [(2_000, 700, 400), (2_000, 1_000, 480), (5_000, 2_500, 1_200), (100_000, 300, 290)],
)
def test_tails_keep_their_digits_for_many_cycles(cycles, failures, blocks):
    """Failures in `blocks` blocks, the first of them long, the others alone, at odd places."""
    first = failures - blocks + 1
    positions = [*range(1, first + 1), *range(first + 2, first + 2 * blocks, 2)]
    result = runs_test(positions, cycles)
    assert (result.failures, result.runs) == (failures, 2 * blocks)
    # 1e-10: thousands of logarithms added up
    assert result.p_few == pytest.approx(tail(cycles, failures, result.runs), rel=1e-10)
    upper = 1 - tail(cycles, failures, result.runs - 1)
    assert result.p_many == pytest.approx(upper, rel=1e-10, abs=1e-14)


def test_a_thousand_failures_in_five_million_cycles():
    failures, cycles = 1_000, 5_000_000
    spread = np.arange(1, failures + 1) * 5_000
    spread[1:11] = spread[0] + np.arange(1, 11)
    result = runs_test(spread, cycles)
    assert result.runs == 2 * (failures - 10)
    assert result.p_few == pytest.approx(tail(cycles, failures, result.runs), rel=1e-9)


def test_false_alarms_come_no_more_often_than_stated():
    rng = np.random.default_rng(20240501)
    draws = [rng.choice(np.arange(1, 101), size=40, replace=False) for _ in range(2000)]
    results = [runs_test(draw, 100) for draw in draws]
    for alarms in (
        sum(result.p_few <= 0.05 for result in results),
        sum(result.p_many <= 0.05 for result in results),
        sum(result.p_two_sided <= 0.05 for result in results),
    ):
        # preset: 0.1 % upper tail of binomial(2000, 0.05)
        assert 0 < alarms <= stats.binom.ppf(0.999, 2000, 0.05)


def test_bursts_have_few_runs_and_an_even_spread_many():
    burst, even = runs_test([40, 41, 42, 43], 100), runs_test([20, 40, 60, 80], 100)
    assert burst.p_few < 0.001
    assert burst.z < 0
    assert (burst.runs, even.runs) == (3, 9)
    assert even.p_few == 1


def test_failed_and_good_cycles_may_change_places():
    one, other = runs_test([1, 2, 5], 8), runs_test([3, 4, 6, 7, 8], 8)
    assert one.p_few == pytest.approx(other.p_few, rel=1e-14)
    assert (one.runs, one.z) == (other.runs, other.z)


def test_results_are_plain_numbers():
    result = runs_test(np.array([9, 2]), np.int64(12))
    assert result == runs_test([2, 9], 12)
    figures = (result.expected, result.z, result.z_corrected, result.p_few, result.p_many)
    assert {type(figure) for figure in (*figures, result.p_two_sided)} == {float}
    assert {type(figure) for figure in (result.runs, result.failures, result.cycles)} == {int}


# Conventions: None where every order has the same number of runs.


def sure(runs, failures, cycles):
    return RunsResult(runs, None, None, None, None, None, None, failures, cycles)


def test_zero_cycles_have_no_runs():
    assert runs_test([], 0) == sure(0, 0, 0)


def test_zero_failures_are_one_run():
    assert runs_test([], 100) == sure(1, 0, 100)


def test_all_cycles_failed_are_one_run():
    assert runs_test(range(1, 11), 10) == sure(1, 10, 10)


@pytest.mark.parametrize("place", [1, 2])
def test_one_failure_in_two_cycles_is_two_runs(place):
    assert runs_test([place], 2) == sure(2, 1, 2)


def test_one_failure_in_three_cycles_says_something():
    result = runs_test([2], 3)
    assert (result.runs, result.p_few, result.p_many) == (3, 1.0, pytest.approx(1 / 3))


@pytest.mark.parametrize(
    ("positions", "cycles", "message"),
    [
        ([0], 10, "positions must be whole numbers from 1 to cycles (10), got 0.0"),
        ([11], 10, "positions must be whole numbers from 1 to cycles (10), got 11.0"),
        ([5, 5], 10, "positions must name each cycle once, got [5, 5]"),
        ([1], 1.5, "cycles must be a whole number of at least 0, got 1.5"),
    ],
)
def test_impossible_positions_are_refused(positions, cycles, message):
    with pytest.raises(InvalidValueError) as caught:
        runs_test(positions, cycles)
    assert str(caught.value) == message
