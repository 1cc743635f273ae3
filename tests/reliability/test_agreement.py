"""How far two people agree on what they saw."""

from __future__ import annotations

import math

import numpy as np
import pytest
from statsmodels.stats.inter_rater import cohens_kappa

from trialog.errors import InvalidValueError
from trialog.reliability import KappaResult, cohen_kappa

TABLES = [
    [[9, 2], [1, 88]],
    [[0, 4, 1], [0, 8, 0], [0, 1, 5]],
    [[7, 7, 2, 3], [2, 8, 3, 7], [1, 5, 4, 9], [2, 8, 9, 14]],
    [[0, 5], [5, 0]],
    [[1, 50], [0, 1]],
]


@pytest.mark.parametrize("table", TABLES)
@pytest.mark.parametrize("confidence", [0.5, 0.95])
def test_kappa_and_its_interval_as_statsmodels_has_them(table, confidence):
    ours = cohen_kappa(table, confidence=confidence)
    theirs = cohens_kappa(np.array(table))
    # 1e-12: a few sums of doubles
    assert ours.kappa == pytest.approx(theirs.kappa, rel=1e-12)
    assert ours.standard_error == pytest.approx(theirs.std_kappa, rel=1e-9)
    theirs.alpha = 1 - confidence
    low, high = theirs.kappa + np.array([-1, 1]) * theirs.std_kappa * -_quantile(confidence)
    assert (ours.lower, ours.upper) == pytest.approx((max(low, -1), min(high, 1)), rel=1e-9)


def _quantile(confidence):
    # standard normal quantiles of 0.25 and 0.025, tables
    return {0.5: -0.6744897501960817, 0.95: -1.959963984540054}[confidence]


def test_kappa_of_two_kinds_by_hand():
    # agreed 97/100, by chance 0.11 x 0.10 + 0.89 x 0.90 = 0.812
    result = cohen_kappa([[9, 2], [1, 88]])
    assert (result.agreed, result.by_chance) == pytest.approx((0.97, 0.812), rel=1e-12)
    assert result.kappa == pytest.approx((0.97 - 0.812) / (1 - 0.812), rel=1e-12)
    assert (result.observations, result.confidence) == (100, 0.95)


@pytest.mark.parametrize("table", TABLES)
def test_neither_the_people_nor_the_order_of_kinds_matter(table):
    result = cohen_kappa(table)
    swapped = cohen_kappa(np.array(table).T)
    turned = cohen_kappa(np.array(table)[::-1, ::-1])
    for other in (swapped, turned):
        assert other.kappa == pytest.approx(result.kappa, rel=1e-12)
        assert other.standard_error == pytest.approx(result.standard_error, rel=1e-9)


def test_ten_times_the_cycles_make_the_error_smaller_by_the_root_of_ten():
    few, many = cohen_kappa([[9, 2], [1, 88]]), cohen_kappa([[90, 20], [10, 880]])
    assert many.kappa == pytest.approx(few.kappa, rel=1e-12)
    assert many.standard_error * math.sqrt(10) == pytest.approx(few.standard_error, rel=1e-12)


def test_the_standard_error_is_the_spread_of_kappa_by_simulation():
    shares = np.array([0.10, 0.03, 0.02, 0.85])
    rng, cycles = np.random.default_rng(20240501), 1000
    kappas = [cohen_kappa(rng.multinomial(cycles, shares).reshape(2, 2)).kappa for _ in range(2000)]
    stated = cohen_kappa((shares.reshape(2, 2) * 1000).round().astype(int)).standard_error
    # a standard deviation from 2,000 draws is good to 1.6 % (one standard error); four of them
    assert np.std(kappas) == pytest.approx(stated, rel=0.064)


def test_people_who_agree_as_chance_would_have_a_kappa_of_0():
    assert cohen_kappa([[4, 16], [16, 64]]).kappa == pytest.approx(0.0, abs=1e-15)


def test_perfect_agreement_has_kappa_1_and_no_error():
    result = cohen_kappa([[3, 0], [0, 97]])
    assert (result.kappa, result.upper) == (1.0, 1.0)
    # the squared error is a difference of rounded numbers near 1
    assert result.standard_error == pytest.approx(0.0, abs=1e-7)


def test_the_interval_ends_at_minus_1_and_1():
    result = cohen_kappa([[1, 1], [1, 1]], confidence=0.999)
    assert (result.lower, result.upper) == (-1.0, 1.0)


def test_kappa_is_not_defined_without_observations():
    assert cohen_kappa([[0, 0], [0, 0]]) == KappaResult(0, 0.95, None, None, None, None, -1.0, 1.0)


@pytest.mark.parametrize("table", [[[0, 0], [0, 500]], [[7, 0], [0, 0]]])
def test_kappa_is_not_defined_where_both_saw_only_one_kind(table):
    total = int(np.sum(table))
    assert cohen_kappa(table) == KappaResult(total, 0.95, 1.0, 1.0, None, None, -1.0, 1.0)


def test_kappa_is_0_where_one_sees_only_what_the_other_never_does():
    result = cohen_kappa([[0, 10], [0, 0]])
    assert (result.agreed, result.by_chance, result.kappa) == (0.0, 0.0, 0.0)


@pytest.mark.parametrize(
    ("table", "message"),
    [
        ([[1]], "table must be square, with at least 2 rows, got [1]"),
        ([[1, 2], [3]], "table must be square, with at least 2 rows, got [2, 1]"),
        ([[1, 2, 3], [3, 4, 5]], "table must be square, with at least 2 rows, got [3, 3]"),
        ([[1, 2], [3, -1]], "table must be a whole number of at least 0, got -1"),
        ([[1, 2], [3, 0.5]], "table must be a whole number of at least 0, got 0.5"),
    ],
)
def test_a_table_that_cannot_be_meant_is_refused(table, message):
    with pytest.raises(InvalidValueError) as caught:
        cohen_kappa(table)
    assert str(caught.value) == message


def test_the_confidence_must_lie_between_0_and_1():
    with pytest.raises(InvalidValueError, match="confidence must be above 0 and below 1, got 1"):
        cohen_kappa([[1, 2], [3, 4]], confidence=1)
