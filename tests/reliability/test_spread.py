"""homogeneity_test: statistic, p value against full enumeration, conventions, errors."""

from __future__ import annotations

import math
from itertools import product

import numpy as np
import pytest
from scipy import stats

from trialog.errors import InvalidValueError
from trialog.reliability import HomogeneityResult, homogeneity_test, spread


def seeded_rng():
    return np.random.default_rng(20240501)


def chi_square(failures, cycles):
    table = [failures, [n - k for k, n in zip(failures, cycles, strict=True)]]
    return stats.chi2_contingency(table, correction=False).statistic


def exact_p_value(failures, cycles):
    """Every table with the same margins, weighed by the ways to fill it."""
    total, observed = sum(failures), chi_square(failures, cycles)
    as_uneven = 0
    for table in product(*(range(n + 1) for n in cycles)):
        if sum(table) == total and chi_square(table, cycles) >= observed * (1 - 1e-9):
            as_uneven += math.prod(math.comb(n, k) for n, k in zip(cycles, table, strict=True))
    return as_uneven / math.comb(sum(cycles), total)


@pytest.mark.parametrize(
    ("failures", "cycles"), [([0, 1, 9], [900, 950, 920]), ([3, 3], [10, 40]), ([1, 2], [3, 4])]
)
def test_statistic_is_pearsons_chi_square(failures, cycles):
    result = homogeneity_test(failures, cycles, rng=seeded_rng(), draws=10)
    # 1e-12: sums of a few terms
    assert result.statistic == pytest.approx(chi_square(failures, cycles), rel=1e-12)
    assert result.groups == len(cycles)


@pytest.mark.parametrize(
    ("failures", "cycles"),
    [([0, 1, 4], [9, 9, 9]), ([1, 1, 2], [6, 8, 10]), ([3, 1], [20, 15]), ([1, 1, 1], [4, 4, 4])],
)
def test_p_value_is_that_of_every_table_with_the_same_margins(failures, cycles):
    result = homogeneity_test(failures, cycles, rng=seeded_rng())
    # preset: four Monte Carlo standard errors, and the add-one rule's 1 / draws
    slack = 4 * result.p_error + 1 / 20_000
    assert result.p_value == pytest.approx(exact_p_value(failures, cycles), abs=slack)


def test_p_value_of_many_failures_is_the_chi_square_tail():
    failures, cycles = [110, 95, 130, 120], [1000, 1000, 1100, 1000]
    result = homogeneity_test(failures, cycles, rng=seeded_rng())
    tail = stats.chi2.sf(chi_square(failures, cycles), 3)
    # 0.005: the chi-square tail is itself an approximation; and four standard errors
    assert result.p_value == pytest.approx(tail, abs=0.005 + 4 * result.p_error)


def test_ties_with_the_observed_table_count_as_uneven():
    """Two groups of the same size and one failure: every table is as uneven as the observed."""
    result = homogeneity_test([1, 0, 0], [7, 7, 7], rng=seeded_rng(), draws=500)
    assert (result.p_value, result.p_error) == (1.0, 0.0)


def test_p_value_follows_the_add_one_rule_and_is_never_0():
    result = homogeneity_test([0, 200], [1000, 1000], rng=seeded_rng(), draws=999)
    assert result.p_value == 1 / 1000
    # sqrt(p (1 - p) / draws); 1e-12: plain arithmetic
    assert result.p_error == pytest.approx(math.sqrt(0.001 * 0.999 / 999), rel=1e-12)


def test_20_000_draws_unless_told_otherwise():
    result = homogeneity_test([0, 200], [1000, 1000], rng=seeded_rng())
    assert result.p_value == 1 / 20_001


def test_one_draw_is_enough():
    assert homogeneity_test([0, 200], [900, 900], rng=seeded_rng(), draws=1).p_value == 0.5


def test_same_seed_same_result_and_the_batches_leave_no_trace(monkeypatch):
    whole = homogeneity_test([1, 2, 6], [50, 60, 70], rng=seeded_rng(), draws=300)
    monkeypatch.setattr(spread, "BATCH", 7)
    assert homogeneity_test([1, 2, 6], [50, 60, 70], rng=seeded_rng(), draws=300) == whole


def test_every_draw_is_made_once_across_batches(monkeypatch):
    monkeypatch.setattr(spread, "BATCH", 7)
    result = homogeneity_test([1, 0, 0], [7, 7, 7], rng=seeded_rng(), draws=20)
    assert result.p_value == 1.0


def test_p_values_are_uniform_enough_without_a_difference():
    rng = seeded_rng()
    cycles = [300, 200, 400, 100]
    alarms = sum(
        homogeneity_test(rng.binomial(cycles, 0.02), cycles, rng=rng, draws=199).p_value <= 0.1
        for _ in range(400)
    )
    # preset: the 99.9 % point of binomial(400, 0.1); a valid p value alarms no more often
    assert alarms <= stats.binom.ppf(0.999, 400, 0.1)


def test_arrays_serve_as_well_as_lists():
    lists = homogeneity_test([1, 5], [50, 60], rng=seeded_rng(), draws=50)
    arrays = homogeneity_test(np.array([1, 5]), np.array([50, 60]), rng=seeded_rng(), draws=50)
    assert lists == arrays
    assert [type(v) for v in (arrays.statistic, arrays.p_value, arrays.p_error)] == [float] * 3
    assert type(arrays.groups) is int


# Conventions.


def test_groups_without_cycles_are_left_out():
    result = homogeneity_test([1, 0, 5], [50, 0, 60], rng=seeded_rng(), draws=50)
    assert result == homogeneity_test([1, 5], [50, 60], rng=seeded_rng(), draws=50)
    assert result.groups == 2


def test_a_group_of_one_cycle_counts():
    result = homogeneity_test([1, 1], [1, 60], rng=seeded_rng(), draws=50)
    assert result.groups == 2
    # 1e-12: sums of a few terms
    assert result.statistic == pytest.approx(chi_square([1, 1], [1, 60]), rel=1e-12)


@pytest.mark.parametrize(
    ("failures", "cycles", "groups"),
    [
        ([], [], 0),
        ([3], [10], 1),
        ([3, 0], [10, 0], 1),
        ([0, 0], [0, 0], 0),
        ([0, 0], [10, 20], 2),
        ([10, 20], [10, 20], 2),
    ],
    ids=["no group", "one group", "one with cycles", "no cycles", "no failures", "all failed"],
)
def test_where_nothing_can_differ_the_p_value_is_1(failures, cycles, groups):
    result = homogeneity_test(failures, cycles, rng=seeded_rng())
    assert result == HomogeneityResult(0.0, 1.0, 0.0, groups)


# Errors.


@pytest.mark.parametrize(
    ("failures", "cycles", "message"),
    [
        ([1, 2], [10, 20, 30], "cycles must have one count a group (2), got 3"),
        ([1, 21], [10, 20], "failures must be between 0 and cycles (20), got 21"),
        ([-1, 2], [10, 20], "failures must be between 0 and cycles (10), got -1"),
        ([0, 2], [-1, 20], "cycles must be a whole number of at least 0, got -1"),
        ([0.5, 2], [10, 20], "failures must be between 0 and cycles (10), got 0.5"),
    ],
)
def test_wrong_counts_are_refused(failures, cycles, message):
    with pytest.raises(InvalidValueError) as caught:
        homogeneity_test(failures, cycles, rng=seeded_rng())
    assert str(caught.value) == message


def test_draws_and_rng_are_checked():
    with pytest.raises(InvalidValueError) as caught:
        homogeneity_test([1, 2], [10, 20], rng=seeded_rng(), draws=0)
    assert str(caught.value) == "draws must be a whole number of at least 1, got 0"
    with pytest.raises(InvalidValueError) as caught:
        homogeneity_test([1, 2], [10, 20], rng=7)
    assert str(caught.value) == "rng must be a numpy.random.Generator, got 7"
