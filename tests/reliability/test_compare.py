"""compare_rates: Fisher and Boschloo by brute force and the library, intervals, conventions."""

from __future__ import annotations

import math
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from trialog.errors import InvalidValueError
from trialog.reliability import _boschloo, compare_rates

TABLES = [
    (14, 1900, 2, 2100),
    (2, 2100, 14, 1900),
    (3, 4, 1, 4),
    (2, 17, 10, 13),
    (0, 100, 5, 90),
    (1, 7, 0, 9),
    (9, 10, 6, 12),
    (12, 12, 7, 11),
]
"""Failures and cycles of a, then of b."""


def fisher(table, alternative):
    k_a, n_a, k_b, n_b = table
    return stats.fisher_exact([[k_a, n_a - k_a], [k_b, n_b - k_b]], alternative=alternative)[1]


@pytest.mark.parametrize("table", TABLES, ids=str)
def test_fishers_p_values_are_the_librarys(table):
    result = compare_rates(*table)
    # 1e-9: the library's probabilities
    assert result.fisher_a_worse == pytest.approx(fisher(table, "greater"), rel=1e-9)
    assert result.fisher_b_worse == pytest.approx(fisher(table, "less"), rel=1e-9)
    assert result.fisher_differ == pytest.approx(fisher(table, "two-sided"), rel=1e-9)


@pytest.mark.parametrize("table", [(3, 5, 1, 6), (5, 6, 2, 9), (0, 4, 3, 4)], ids=str)
def test_fishers_p_values_are_shares_of_the_ways_to_deal_the_failures(table):
    k_a, n_a, k_b, n_b = table
    total = k_a + k_b
    ways = [math.comb(n_a, k) * math.comb(n_b, total - k) for k in range(total + 1)]
    result = compare_rates(*table)
    # 1e-12: sums of a few fractions
    assert result.fisher_a_worse == pytest.approx(sum(ways[k_a:]) / sum(ways), rel=1e-12)
    assert result.fisher_b_worse == pytest.approx(sum(ways[: k_a + 1]) / sum(ways), rel=1e-12)
    either = sum(way for way in ways if way <= ways[k_a])
    assert result.fisher_differ == pytest.approx(either / sum(ways), rel=1e-12)


@pytest.mark.parametrize("table", TABLES[2:], ids=str)
def test_boschloos_p_values_over_every_rate_are_the_librarys(table):
    k_a, n_a, k_b, n_b = table
    ours = _boschloo.over_rates(k_a, n_a, k_a + k_b, n_b, (0.0, 1.0))
    library = [
        stats.boschloo_exact([[k_a, k_b], [n_a - k_a, n_b - k_b]], alternative=side, n=64).pvalue
        for side in ("greater", "less")
    ]
    # 1e-6: the library's search for the worst rate
    assert ours == pytest.approx(library, rel=1e-6)


def extreme_tables(table, side):
    """Every table with a Fisher p value at most the observed one's."""
    _, n_a, _, n_b = table
    bar = fisher(table, side) * (1 + 1e-9)
    return [
        (x, y)
        for x, y in product(range(n_a + 1), range(n_b + 1))
        if fisher((x, n_a, y, n_b), side) <= bar
    ]


@pytest.mark.parametrize("table", [(5, 9, 1, 8), (1, 12, 5, 9), (2, 20, 0, 11)], ids=str)
def test_boschloos_p_value_is_the_worst_over_plausible_rates_of_every_table(table):
    k_a, n_a, k_b, n_b = table
    total, size = k_a + k_b, n_a + n_b
    plausible = stats.binomtest(total, size).proportion_ci(1 - 1e-6, method="exact")
    rates = np.linspace(plausible.low, plausible.high, 20_001)
    result = compare_rates(*table)
    found = {"greater": result.boschloo_a_worse, "less": result.boschloo_b_worse}
    for side, ours in found.items():
        chance = sum(
            stats.binom.pmf(x, n_a, rates) * stats.binom.pmf(y, n_b, rates)
            for x, y in extreme_tables(table, side)
        )
        # 1e-7: between two of so many rates
        assert ours == pytest.approx(min(chance.max() + 1e-6, 1), rel=1e-7)
    # 1e-15: rounding
    assert result.boschloo_differ == pytest.approx(min(1, 2 * min(found.values())), rel=1e-15)


@pytest.mark.parametrize(
    "table", [(14, 1900, 2, 2100), (14, 3_000_000, 2, 4_000_000), (60, 10**6, 90, 2 * 10**6)]
)
def test_boschloos_one_sided_p_value_lies_at_or_below_fishers(table):
    """Given any total the chance of so small a Fisher p value is at most that p value."""
    result = compare_rates(*table)
    assert result.boschloo_a_worse <= result.fisher_a_worse + 1e-6
    assert result.boschloo_b_worse <= result.fisher_b_worse + 1e-6
    assert result.boschloo_a_worse < result.fisher_a_worse


def test_boschloos_p_value_of_thousands_of_cycles_by_summing_tables():
    """14 of 1,900 against 2 of 2,100: the tables summed one by one, at 200 rates."""
    a, b = np.arange(60)[:, None], np.arange(60)[None, :]
    tails = stats.hypergeom.sf(a - 1, 4000, a + b, 1900)
    bar = stats.hypergeom.sf(13, 4000, 16, 1900)
    extreme = tails <= bar * (1 + 1e-9)
    plausible = stats.binomtest(16, 4000).proportion_ci(1 - 1e-6, method="exact")
    worst = max(
        (stats.binom.pmf(a, 1900, rate) * stats.binom.pmf(b, 2100, rate))[extreme].sum()
        for rate in np.linspace(plausible.low, plausible.high, 200)
    )
    # 1e-4: between two of 200 rates, and beyond 60 failures
    ours = compare_rates(14, 1900, 2, 2100).boschloo_a_worse
    assert ours == pytest.approx(worst + 1e-6, rel=1e-4)


def test_boschloos_p_values_keep_their_level():
    """Exactly: the chance of a p value at or below x, at rates that are the same."""
    n_a, n_b = 12, 9
    p = np.array(
        [[compare_rates(x, n_a, y, n_b).boschloo_differ for y in range(n_b + 1)] for x in range(13)]
    )
    for rate, level in product((0.02, 0.1, 0.3, 0.5, 0.8), (0.01, 0.05, 0.2)):
        law = stats.binom.pmf(np.arange(13), n_a, rate)[:, None] * stats.binom.pmf(
            np.arange(10), n_b, rate
        )
        assert law[p <= level].sum() <= level


# Ratio of the rates.


@pytest.mark.parametrize(
    "table", [(14, 1900, 2, 2100), (11, 800, 21, 3011), (3, 40, 1, 10)], ids=str
)
def test_ratio_is_bounded_by_the_share_of_failures_in_a(table):
    k_a, n_a, k_b, n_b = table
    share = stats.binomtest(k_a, k_a + k_b).proportion_ci(0.9, method="exact")
    result = compare_rates(*table, confidence=0.9)
    # 1e-12: plain arithmetic; 1e-9: the library's root search
    assert result.ratio == pytest.approx((k_a / n_a) / (k_b / n_b), rel=1e-12)
    assert result.ratio_lower == pytest.approx(share.low / (1 - share.low) * n_b / n_a, rel=1e-9)
    assert result.ratio_upper == pytest.approx(share.high / (1 - share.high) * n_b / n_a, rel=1e-9)


RATES = (0.005, 0.02, 0.1, 0.3, 0.5, 0.9, 0.99)


@pytest.mark.parametrize(("n_a", "n_b"), [(10, 10), (15, 40), (60, 20)])
@pytest.mark.parametrize("confidence", [0.8, 0.95])
def test_each_bound_of_the_ratio_holds_as_often_as_stated_for_counts_of_cycles(
    n_a, n_b, confidence
):
    """The chance of every pair of counts summed exactly; the nearest is 0.095 of 0.1."""
    found = [[interval(x, n_a, y, n_b, confidence) for y in range(n_b + 1)] for x in range(n_a + 1)]
    lower, upper = np.array(found).transpose(2, 0, 1)
    for a, b in product(RATES, RATES):
        law = np.outer(
            stats.binom.pmf(np.arange(n_a + 1), n_a, a), stats.binom.pmf(np.arange(n_b + 1), n_b, b)
        )
        assert law[lower > a / b].sum() <= (1 - confidence) / 2
        assert law[upper < a / b].sum() <= (1 - confidence) / 2


def interval(k_a, n_a, k_b, n_b, confidence):
    """By the share of failures in a, as the test above holds it."""
    total = k_a + k_b
    if total == 0:
        return 0, math.inf
    error = (1 - confidence) / 2
    low = stats.beta.ppf(error, k_a, k_b + 1) if k_a else 0.0
    high = stats.beta.ppf(1 - error, k_a + 1, k_b) if k_b else 1.0
    return low / (1 - low) * n_b / n_a, high / (1 - high) * n_b / n_a if k_b else math.inf


# Odds ratio.


def given_total(table, odds_ratio):
    """P(failures of a = 0, 1, 2, ... | total), from whole numbers of ways."""
    k_a, n_a, k_b, n_b = table
    total = k_a + k_b
    ways = [math.comb(n_a, k) * math.comb(n_b, total - k) for k in range(total + 1)]
    logs = np.array([math.log(way) if way else -math.inf for way in ways])
    logs += np.arange(total + 1) * math.log(odds_ratio)
    law = np.exp(logs - logs.max())
    return law / law.sum()


@pytest.mark.parametrize("confidence", [0.5, 0.95, 0.999])
@pytest.mark.parametrize("table", [*TABLES, (40, 10**6, 3, 10**6), (100, 100, 30, 40)], ids=str)
def test_odds_ratio_bounds_leave_their_error(table, confidence):
    result = compare_rates(*table, confidence=confidence)
    error = pytest.approx((1 - confidence) / 2, rel=1e-9)  # 1e-9: the logs of large numbers
    if result.odds_lower > 0:
        assert given_total(table, result.odds_lower)[table[0] :].sum() == error
    if result.odds_upper < math.inf:
        assert given_total(table, result.odds_upper)[: table[0] + 1].sum() == error
    assert result.odds_lower <= result.odds_ratio <= result.odds_upper


def test_odds_ratio_bounds_keep_their_digits_at_the_highest_confidence():
    """1 - confidence is read as 1e-10, not as the float difference, which is 8e-8 off."""
    result = compare_rates(*TABLES[0], confidence=0.9999999999)
    error = pytest.approx(0.5e-10, rel=1e-9)  # 1e-9: the logs of large numbers
    assert given_total(TABLES[0], result.odds_lower)[14:].sum() == error
    assert given_total(TABLES[0], result.odds_upper)[:15].sum() == error


@pytest.mark.parametrize("table", [TABLES[0], TABLES[3], TABLES[6], (40, 10**6, 3, 10**6)], ids=str)
def test_most_likely_odds_ratio_expects_what_was_seen(table):
    law = given_total(table, compare_rates(*table).odds_ratio)
    # 1e-9: the logs of large numbers
    assert law @ np.arange(law.size) == pytest.approx(table[0], rel=1e-9)


@pytest.mark.parametrize("table", [TABLES[0], TABLES[3], TABLES[6]], ids=str)
def test_odds_ratio_is_the_librarys(table):
    k_a, n_a, k_b, n_b = table
    library = stats.contingency.odds_ratio([[k_a, n_a - k_a], [k_b, n_b - k_b]])
    result = compare_rates(*table)
    # 1e-6: the library's root search
    assert result.odds_ratio == pytest.approx(library.statistic, rel=1e-6)
    bounds = library.confidence_interval(0.95)
    assert (result.odds_lower, result.odds_upper) == pytest.approx(tuple(bounds), rel=1e-6)


# Identities.


counts = st.integers(1, 300).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))


@settings(max_examples=30, deadline=None)
@given(counts, counts)
def test_groups_trade_places(a, b):
    one, other = compare_rates(*a, *b), compare_rates(*b, *a)
    # 1e-9: other sums of the same terms, and roots of them
    assert one.fisher_a_worse == pytest.approx(other.fisher_b_worse, rel=1e-9)
    assert one.fisher_differ == pytest.approx(other.fisher_differ, rel=1e-9)
    assert one.boschloo_a_worse == pytest.approx(other.boschloo_b_worse, rel=1e-9)
    if one.ratio_lower > 0:
        assert one.ratio_lower == pytest.approx(1 / other.ratio_upper, rel=1e-9)
    if one.odds_lower > 0:
        assert one.odds_lower == pytest.approx(1 / other.odds_upper, rel=1e-9)


@settings(max_examples=30, deadline=None)
@given(counts, counts)
def test_good_cycles_in_place_of_failures_turn_the_sides_round(a, b):
    one = compare_rates(*a, *b)
    other = compare_rates(a[1] - a[0], a[1], b[1] - b[0], b[1])
    # 1e-9: other sums of the same terms, and roots of them
    assert one.fisher_a_worse == pytest.approx(other.fisher_b_worse, rel=1e-9)
    assert one.boschloo_a_worse == pytest.approx(other.boschloo_b_worse, rel=1e-9)
    if one.odds_lower > 0:
        assert one.odds_lower == pytest.approx(1 / other.odds_upper, rel=1e-9)


def test_more_failures_in_a_speak_more_against_it():
    p = [compare_rates(k, 1900, 3, 2100).boschloo_a_worse for k in range(3, 16)]
    assert p == sorted(p, reverse=True)
    assert len(set(p)) == len(p)


def test_result_keeps_its_inputs_as_plain_numbers():
    result = compare_rates(np.int64(3), 40, np.int64(1), 50, confidence=0.9)
    assert (result.failures_a, result.cycles_a) == (3, 40)
    assert (result.failures_b, result.cycles_b, result.confidence) == (1, 50, 0.9)
    assert {type(value) for value in vars(result).values()} == {int, float}


def test_confidence_is_095_unless_told_otherwise():
    assert compare_rates(3, 40, 1, 50) == compare_rates(3, 40, 1, 50, confidence=0.95)


# Conventions.


P_VALUES = (
    "fisher_a_worse",
    "fisher_b_worse",
    "fisher_differ",
    "boschloo_a_worse",
    "boschloo_b_worse",
    "boschloo_differ",
)


@pytest.mark.parametrize(
    "table",
    [(0, 0, 3, 10), (3, 10, 0, 0), (0, 0, 0, 0), (0, 10, 0, 20)],
    ids=["zero cycles in a", "zero cycles in b", "zero cycles", "zero failures"],
)
def test_where_nothing_can_differ_nothing_is_known(table):
    result = compare_rates(*table)
    assert [getattr(result, name) for name in P_VALUES] == [1.0] * 6
    assert (result.ratio, result.ratio_lower, result.ratio_upper) == (None, 0.0, math.inf)
    assert (result.odds_ratio, result.odds_lower, result.odds_upper) == (None, 0.0, math.inf)


def test_all_failures():
    result = compare_rates(10, 10, 20, 20)
    assert [getattr(result, name) for name in P_VALUES] == [1.0] * 6
    assert (result.odds_ratio, result.odds_lower, result.odds_upper) == (None, 0.0, math.inf)
    assert result.ratio == 1.0
    assert result.ratio_lower < 1 < result.ratio_upper


def test_failures_in_one_group_only():
    in_a, in_b = compare_rates(5, 90, 0, 100), compare_rates(0, 100, 5, 90)
    assert (in_a.ratio, in_a.ratio_upper, in_a.odds_ratio, in_a.odds_upper) == (math.inf,) * 4
    assert (in_b.ratio, in_b.ratio_lower, in_b.odds_ratio, in_b.odds_lower) == (0.0,) * 4
    # all five in a: the share's exact lower bound is 0.025^(1/5); 1e-12: plain arithmetic
    share = 0.025 ** (1 / 5)
    assert in_a.ratio_lower == pytest.approx(share / (1 - share) * 100 / 90, rel=1e-12)


def test_no_p_value_falls_below_its_floor():
    result = compare_rates(1990, 1_000_000, 10, 1_000_000)
    assert (result.fisher_a_worse, result.fisher_differ) == (1e-300, 1e-300)
    # 1e-9: what chance adds to the error of the range
    assert result.boschloo_a_worse == pytest.approx(1e-6, rel=1e-9)
    assert compare_rates(10, 10**6, 1990, 10**6).fisher_b_worse == 1e-300


# Range and errors.


def test_as_many_failures_or_good_cycles_as_the_range_allows():
    failed = compare_rates(1_000, 5_000_000, 1_000, 5_000_000)
    good = compare_rates(4_000, 5_000, 4_000, 5_000)
    assert failed.boschloo_differ == good.boschloo_differ == 1.0
    # 2 %: the normal approximation, 1 / sqrt(500) on the log of the ratio
    assert math.log(failed.ratio_upper) == pytest.approx(1.96 / math.sqrt(500), rel=0.02)


@pytest.mark.parametrize(
    ("table", "message"),
    [
        ((11, 10, 1, 10), "failures_a must be between 0 and cycles_a (10), got 11"),
        ((1, 10, -1, 10), "failures_b must be between 0 and cycles_b (10), got -1"),
        ((1, -1, 1, 10), "cycles_a must be a whole number of at least 0, got -1"),
        ((1, 10, 1, 1.5), "cycles_b must be a whole number of at least 0, got 1.5"),
        (
            (1, 10, 1, 10**9),
            "cycles must be at most 1,000,000,000 together, got 1000000010",
        ),
        (
            (1_000, 5_000, 1_001, 5_000),
            "failures must be at most 2,000 together, or all but 2,000 cycles, got 2001",
        ),
        (
            (3_999, 5_000, 4_000, 5_000),
            "failures must be at most 2,000 together, or all but 2,000 cycles, got 7999",
        ),
    ],
)
def test_wrong_counts_are_refused(table, message):
    with pytest.raises(InvalidValueError) as caught:
        compare_rates(*table)
    assert str(caught.value) == message


def test_wrong_confidence_is_refused():
    with pytest.raises(InvalidValueError) as caught:
        compare_rates(1, 10, 2, 10, confidence=1.0)
    assert str(caught.value) == "confidence must be above 0 and below 1, got 1.0"


def test_a_billion_cycles_are_accepted():
    result = compare_rates(5, 10**9 - 10, 1, 10)
    # 1e-12: plain arithmetic
    assert result.ratio == pytest.approx(5e-9 / 0.1 * (1 + 1e-8), rel=1e-12)
