"""homogeneity_test: statistic, exact and simulated p value, conventions, errors."""

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


@pytest.fixture
def only_draws(monkeypatch):
    monkeypatch.setattr(spread, "MOST_TABLES", 0)


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


SMALL = [
    ([0, 1, 4], [9, 9, 9]),
    ([1, 1, 2], [6, 8, 10]),
    ([3, 1], [20, 15]),
    ([1, 1, 1], [4, 4, 4]),
    ([5, 8, 6], [6, 8, 10]),
    ([0, 0, 3, 1], [5, 6, 3, 4]),
    ([2, 2, 0, 0, 1], [3, 3, 3, 3, 3]),
]


@pytest.mark.parametrize(("failures", "cycles"), SMALL)
def test_p_value_is_that_of_every_table_with_the_same_margins(failures, cycles):
    result = homogeneity_test(failures, cycles, rng=seeded_rng())
    # 1e-12: sums of up to a thousand products of a few factors
    assert result.p_value == pytest.approx(exact_p_value(failures, cycles), rel=1e-12)
    assert (result.exact, result.p_error) == (True, 0.0)


@pytest.mark.parametrize(("failures", "cycles"), SMALL)
def test_simulated_p_value_of_a_large_table_is_the_exact_one(failures, cycles, only_draws):
    result = homogeneity_test(failures, cycles, rng=seeded_rng())
    # preset: four Monte Carlo standard errors, and the add-one rule's 1 / draws
    slack = 4 * result.p_error + 1 / 20_000
    assert result.p_value == pytest.approx(exact_p_value(failures, cycles), abs=slack)
    assert not result.exact


@pytest.mark.parametrize(("failures", "cycles"), [([3, 12], [500, 600]), ([1, 9], [1000, 9000])])
def test_two_groups_give_the_sum_over_the_hypergeometric_distribution(failures, cycles):
    total, size = sum(failures), sum(cycles)
    law = stats.hypergeom(size, total, cycles[0])
    as_uneven = [
        k
        for k in range(total + 1)
        if chi_square([k, total - k], cycles) >= chi_square(failures, cycles) * (1 - 1e-9)
    ]
    result = homogeneity_test(failures, cycles, rng=seeded_rng())
    # 1e-9: the library's probabilities
    assert result.p_value == pytest.approx(law.pmf(as_uneven).sum(), rel=1e-9)


def test_exact_and_simulated_agree_for_twelve_shifts(monkeypatch):
    failures, cycles = [0, 1, 0, 6, 1, 0, 2, 0, 1, 0, 3, 0], [900, 950] * 6
    exact = homogeneity_test(failures, cycles, rng=seeded_rng())
    monkeypatch.setattr(spread, "MOST_TABLES", 0)
    drawn = homogeneity_test(failures, cycles, rng=seeded_rng(), draws=100_000)
    # preset: four Monte Carlo standard errors
    assert drawn.p_value == pytest.approx(exact.p_value, abs=4 * drawn.p_error)
    assert (exact.exact, drawn.exact) == (True, False)


def test_failures_and_good_cycles_trade_places():
    one = homogeneity_test([1, 2, 6], [10, 11, 12], rng=seeded_rng())
    other = homogeneity_test([9, 9, 6], [10, 11, 12], rng=seeded_rng())
    # 1e-12: sums of a few terms
    assert one.p_value == pytest.approx(other.p_value, rel=1e-12)
    assert one.statistic == pytest.approx(other.statistic, rel=1e-12)


def test_the_order_of_the_groups_does_not_matter():
    one = homogeneity_test([1, 2, 6], [10, 31, 12], rng=seeded_rng())
    other = homogeneity_test([6, 1, 2], [12, 10, 31], rng=seeded_rng())
    # 1e-12: sums of a few terms
    assert one.p_value == pytest.approx(other.p_value, rel=1e-12)


def test_exact_p_values_need_no_randomness():
    results = {
        homogeneity_test([1, 2, 6], [10, 31, 12], rng=np.random.default_rng(seed))
        for seed in range(3)
    }
    assert len(results) == 1


def test_the_exact_sum_is_given_up_where_it_would_take_too_long(monkeypatch):
    """One failure in two groups: two states, got by the first group or not."""
    monkeypatch.setattr(spread, "MOST_TABLES", 2)
    assert homogeneity_test([1, 0], [7, 9], rng=seeded_rng()).exact
    monkeypatch.setattr(spread, "MOST_TABLES", 1)
    assert not homogeneity_test([1, 0], [7, 9], rng=seeded_rng()).exact


def test_no_p_value_is_below_1e_minus_300():
    result = homogeneity_test([0, 2000], [2000, 2000], rng=seeded_rng())
    assert (result.p_value, result.exact) == (1e-300, True)


def test_p_value_of_many_failures_is_the_chi_square_tail():
    failures, cycles = [110, 95, 130, 120], [1000, 1000, 1100, 1000]
    result = homogeneity_test(failures, cycles, rng=seeded_rng(), draws=20_000)
    tail = stats.chi2.sf(chi_square(failures, cycles), 3)
    # 0.005: the chi-square tail is itself an approximation; and four standard errors
    assert result.p_value == pytest.approx(tail, abs=0.005 + 4 * result.p_error)


@pytest.mark.parametrize("most", [0, 100_000])
def test_ties_with_the_observed_table_count_as_uneven(most, monkeypatch):
    """Groups of the same size and one failure: every table is as uneven as the observed."""
    monkeypatch.setattr(spread, "MOST_TABLES", most)
    result = homogeneity_test([1, 0, 0], [7, 7, 7], rng=seeded_rng(), draws=300)
    assert (result.p_value, result.p_error) == (1.0, 0.0)


# Drawn at random.


@pytest.mark.usefixtures("only_draws")
class TestDrawn:
    def test_p_value_follows_the_add_one_rule_and_is_never_0(self):
        result = homogeneity_test([0, 200], [1000, 1000], rng=seeded_rng(), draws=999)
        assert result.p_value == 1 / 1000
        # sqrt(p (1 - p) / draws); 1e-12: plain arithmetic
        assert result.p_error == pytest.approx(math.sqrt(0.001 * 0.999 / 999), rel=1e-12)

    def test_draws_end_with_the_400th_as_uneven_table(self):
        result = homogeneity_test([1, 0, 0], [7, 7, 7], rng=seeded_rng(), draws=400)
        assert (result.p_value, result.p_error) == (1.0, 0.0)
        result = homogeneity_test([2, 4, 6], [70, 70, 70], rng=seeded_rng())
        draws = 400 / result.p_value
        assert draws == pytest.approx(round(draws), rel=1e-12)
        error = result.p_value * math.sqrt((1 - result.p_value) / 400)
        # 1e-12: plain arithmetic
        assert result.p_error == pytest.approx(error, rel=1e-12)

    def test_the_400th_is_found_in_whatever_batch_it_falls(self, monkeypatch):
        whole = homogeneity_test([2, 4, 6], [70, 70, 70], rng=seeded_rng())
        tables = seeded_rng().multivariate_hypergeometric([70, 70, 70], 12, size=2_000)
        bar = sum(k * k for k in (2, 4, 6))
        as_uneven = np.flatnonzero((tables**2).sum(axis=1) >= bar)
        assert whole.p_value == 400 / (as_uneven[399] + 1)
        for batch in (1, 7, 400, 5_000):
            monkeypatch.setattr(spread, "BATCH", batch)
            assert homogeneity_test([2, 4, 6], [70, 70, 70], rng=seeded_rng()) == whole

    @pytest.mark.parametrize(
        ("groups", "draws"), [(2, 20_000), (10, 20_000), (11, 18_181), (100, 2_000), (999, 500)]
    )
    def test_draws_unless_told_otherwise(self, groups, draws):
        failures, cycles = [200] + [0] * (groups - 1), [1000] * groups
        result = homogeneity_test(failures, cycles, rng=seeded_rng())
        assert result.p_value == 1 / (1 + draws)

    def test_one_draw_is_enough(self):
        result = homogeneity_test([0, 200], [900, 900], rng=seeded_rng(), draws=1)
        assert result.p_value == 0.5

    def test_same_seed_same_result_and_the_batches_leave_no_trace(self, monkeypatch):
        whole = homogeneity_test([1, 2, 6], [50, 60, 70], rng=seeded_rng(), draws=300)
        monkeypatch.setattr(spread, "BATCH", 7)
        assert homogeneity_test([1, 2, 6], [50, 60, 70], rng=seeded_rng(), draws=300) == whole

    def test_every_draw_is_made_once_across_batches(self, monkeypatch):
        monkeypatch.setattr(spread, "BATCH", 7)
        result = homogeneity_test([1, 0, 0], [7, 7, 7], rng=seeded_rng(), draws=20)
        assert result.p_value == 1.0

    def test_p_values_are_uniform_enough_without_a_difference(self):
        rng = seeded_rng()
        cycles = [300, 200, 400, 100]
        p_values = [
            homogeneity_test(rng.binomial(cycles, 0.02), cycles, rng=rng, draws=999).p_value
            for _ in range(400)
        ]
        # preset: the 99.9 % points of binomial(400, x); a valid p value alarms no more often
        for level in (0.1, 0.5):
            assert sum(p <= level for p in p_values) <= stats.binom.ppf(0.999, 400, level)


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
    assert result == HomogeneityResult(0.0, 1.0, 0.0, groups, exact=True)


# Errors.


@pytest.mark.parametrize(
    ("failures", "cycles", "message"),
    [
        ([1, 2], [10, 20, 30], "cycles must have one count a group (2), got 3"),
        ([1, 21], [10, 20], "failures must be between 0 and cycles (20), got 21"),
        ([-1, 2], [10, 20], "failures must be between 0 and cycles (10), got -1"),
        ([0, 2], [-1, 20], "cycles must be a whole number of at least 0, got -1"),
        ([0.5, 2], [10, 20], "failures must be between 0 and cycles (10), got 0.5"),
        ([1, 2], [10**9 - 20, 20], "cycles must be at most 999,999,999 together, got 1000000000"),
    ],
)
def test_wrong_counts_are_refused(failures, cycles, message):
    with pytest.raises(InvalidValueError) as caught:
        homogeneity_test(failures, cycles, rng=seeded_rng())
    assert str(caught.value) == message


def test_as_many_cycles_as_the_draws_reach_are_accepted(only_draws):
    result = homogeneity_test([1, 0], [10**9 - 21, 20], rng=seeded_rng(), draws=20)
    assert result.p_value > 0.9


def test_draws_and_rng_are_checked():
    with pytest.raises(InvalidValueError) as caught:
        homogeneity_test([1, 2], [10, 20], rng=seeded_rng(), draws=0)
    assert str(caught.value) == "draws must be a whole number of at least 1, got 0"
    with pytest.raises(InvalidValueError) as caught:
        homogeneity_test([1, 2], [10, 20], rng=7)
    assert str(caught.value) == "rng must be a numpy.random.Generator, got 7"
