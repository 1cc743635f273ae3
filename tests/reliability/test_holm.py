"""holm_adjust and compare_many: by hand, against the library, conventions, errors."""

from __future__ import annotations

import numpy as np
import pytest
from statsmodels.stats.multitest import multipletests

from trialog.errors import InvalidValueError
from trialog.reliability import compare_many, compare_rates, holm_adjust


def test_holm_by_hand():
    """0.01 times 4, 0.02 times 3, then 0.03 times 2 kept up, and 0.5."""
    adjusted = holm_adjust([0.5, 0.02, 0.03, 0.01])
    # 1e-15: plain arithmetic
    assert adjusted == pytest.approx([0.5, 0.06, 0.06, 0.04], rel=1e-15)


@pytest.mark.parametrize("count", [1, 2, 5, 30])
def test_holm_is_the_librarys(count):
    p_values = np.random.default_rng(20240501).random(count).round(2) ** 3
    library = multipletests(p_values, method="holm")[1]
    # 1e-12: plain arithmetic
    assert holm_adjust(p_values) == pytest.approx(library, rel=1e-12)


def test_no_adjusted_p_value_exceeds_1():
    assert holm_adjust([0.9, 0.8]).tolist() == [1.0, 1.0]


def test_one_p_value_stays_and_none_gives_none():
    assert holm_adjust([0.03]).tolist() == [0.03]
    assert holm_adjust([]).tolist() == []


def test_wrong_p_values_are_refused():
    with pytest.raises(InvalidValueError) as caught:
        holm_adjust([0.1, 1.1])
    assert str(caught.value) == "p_values must be between 0 and 1, got 1.1"
    with pytest.raises(InvalidValueError) as caught:
        holm_adjust(np.array([[0.1, 0.2]]))
    assert str(caught.value) == "p_values must be one row of numbers, got (1, 2)"


FAILURES, CYCLES = [14, 2, 3], [1900, 2100, 2000]


def test_each_group_is_compared_with_each_other_unless_told_otherwise():
    found = compare_many(FAILURES, CYCLES)
    assert [(pair.first, pair.second) for pair in found] == [(0, 1), (0, 2), (1, 2)]
    assert found == compare_many(FAILURES, CYCLES, against="each", confidence=0.95)


def test_the_first_group_is_compared_with_each_other():
    found = compare_many(np.array(FAILURES), np.array(CYCLES), against="first")
    assert [(pair.first, pair.second) for pair in found] == [(0, 1), (0, 2)]


def test_each_pair_is_that_of_compare_rates_and_p_values_are_adjusted_together():
    found = compare_many(FAILURES, CYCLES, confidence=0.9)
    for pair in found:
        a, b = pair.first, pair.second
        alone = compare_rates(FAILURES[a], CYCLES[a], FAILURES[b], CYCLES[b], confidence=0.9)
        assert pair.rates == alone
    plain = [pair.rates.boschloo_differ for pair in found]
    assert [pair.p_value for pair in found] == holm_adjust(plain).tolist()
    assert type(found[0].p_value) is float


@pytest.mark.parametrize("against", ["each", "first"])
@pytest.mark.parametrize("groups", [0, 1])
def test_fewer_than_two_groups_give_no_comparison(groups, against):
    assert compare_many([3] * groups, [10] * groups, against=against) == ()


def test_zero_cycles_zero_failures_and_all_failures_differ_from_nothing():
    for pair in compare_many([0, 0, 0], [0, 10, 20]) + compare_many([5, 6], [5, 6]):
        assert pair.p_value == 1.0


def test_wrong_input_is_refused():
    with pytest.raises(InvalidValueError) as caught:
        compare_many([1, 2], [10])
    assert str(caught.value) == "cycles must have one count a group (2), got 1"
    with pytest.raises(InvalidValueError) as caught:
        compare_many([1, 2], [10, 10], against="last")
    assert str(caught.value) == "against must be one of first, each, got 'last'"
    with pytest.raises(InvalidValueError) as caught:
        compare_many([1, 20], [10, 10])
    assert str(caught.value) == "failures_b must be between 0 and cycles_b (10), got 20"
