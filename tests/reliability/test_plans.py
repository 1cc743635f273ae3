"""Plans: the smallest that hold both exact risks, their decisions, their length."""

from __future__ import annotations

from decimal import Decimal

import mpmath
import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy import stats

from trialog.errors import InvalidValueError
from trialog.reliability import (
    FixedPlan,
    cycles_for_allowed,
    failure_limit,
    failure_rate_bounds,
    fixed_plan,
    plans,
    zero_failure_cycles,
    zero_failure_plan,
)

seeded = settings(derandomize=True, database=None, deadline=None, max_examples=60)
confidences = st.sampled_from([0.5, 0.8, 0.9, 0.95, 0.99])


def fewest_by_search(limit, confidence, allowed):
    """Cycle by cycle, with scipy's tail; 1e-12 lets ties through, as scipy rounds them."""
    cycles = allowed + 1
    while stats.binom.cdf(allowed, cycles, limit) > (1 - confidence) * (1 + 1e-12):
        cycles += 1
    return cycles


def tail_by_sum(failures, cycles, rate):
    """P(K <= failures), summed by mpmath; scipy's binomial tail is off by 1e-8 at 3e8 cycles."""
    with mpmath.workdps(40):
        p = mpmath.mpf(rate)
        return mpmath.fsum(
            mpmath.binomial(cycles, k) * p**k * (1 - p) ** (cycles - k) for k in range(failures + 1)
        )


# Cycles that rule a rate out.


@pytest.mark.parametrize("confidence", [0.5, 0.6, 0.9, 0.95, 0.99])
@pytest.mark.parametrize("limit", [0.01, 0.05, 0.3, 0.5, 0.9, 0.999])
@pytest.mark.parametrize("allowed", [0, 1, 2, 5])
def test_cycles_are_those_of_a_plain_search(limit, confidence, allowed):
    expected = fewest_by_search(limit, confidence, allowed)
    assert cycles_for_allowed(limit, confidence, allowed) == expected


@pytest.mark.parametrize(
    ("limit", "confidence", "cycles"),
    [
        (0.5, 0.75, 2),
        (0.3, 0.51, 2),
        (0.2, 0.36, 2),
        (0.1, 0.271, 3),
        (0.1, 0.272, 4),
        (0.9, 0.1, 1),
    ],
)
def test_zero_failures_tie_as_the_numbers_typed(limit, confidence, cycles):
    assert zero_failure_cycles(limit, confidence) == cycles
    assert cycles_for_allowed(limit, confidence, 0) == cycles


@pytest.mark.parametrize(
    ("limit", "confidence", "allowed", "cycles"),
    [
        (0.8, 0.64, 1, 2),  # P(K <= 1; 2, p) = 1 - p^2
        (0.7, 0.49, 1, 2),
        (0.6, 0.36, 1, 2),
        (0.6, 0.37, 1, 3),
        (0.6, 0.36000000001, 1, 3),
        (0.6, 0.35999999999, 1, 2),
        (0.5, 0.5, 1, 3),
        (0.3, 0.027, 2, 3),  # P(K <= 2; 3, p) = 1 - p^3
        (0.3, 0.028, 2, 4),
    ],
)
def test_allowed_failures_tie_as_the_numbers_typed(limit, confidence, allowed, cycles):
    assert cycles_for_allowed(limit, confidence, allowed) == cycles


@seeded
@given(st.floats(1e-7, 0.5), confidences, st.integers(0, 40))
def test_the_cycles_hold_the_risk_and_one_fewer_does_not(limit, confidence, allowed):
    cycles = cycles_for_allowed(limit, confidence, allowed)
    # 1e-12: 1 - 0.95 is not 0.05 in floats
    assert tail_by_sum(allowed, cycles, limit) <= (1 - confidence) * (1 + 1e-12)
    assume(cycles > allowed + 1)
    assert tail_by_sum(allowed, cycles - 1, limit) > (1 - confidence) * (1 - 1e-12)


@seeded
@given(st.floats(1e-7, 0.5), confidences, st.integers(0, 40))
def test_the_cycles_are_the_fewest_whose_exact_bound_is_within_the_limit(
    limit, confidence, allowed
):
    cycles = cycles_for_allowed(limit, confidence, allowed)
    upper = failure_rate_bounds(allowed, cycles, confidence=confidence).upper
    # 1e-12: the accuracy promised for the bound
    assert upper <= limit * (1 + 1e-12)
    if cycles > allowed + 1:
        before = failure_rate_bounds(allowed, cycles - 1, confidence=confidence).upper
        assert before > limit * (1 - 1e-12)


def test_ten_million_cycles_are_exact_to_one():
    cycles = cycles_for_allowed(3e-7, 0.95, 1)
    # ln of the tail by Decimal: (1 - p)^n (1 + n p / (1 - p))
    rate = Decimal("3e-7")

    def tail(n):
        return (1 - rate) ** n * (1 + n * rate / (1 - rate))

    assert tail(cycles) <= Decimal("0.05") < tail(cycles - 1)


# Fixed plans.


@pytest.mark.parametrize("confidence", [0.8, 0.95])
@pytest.mark.parametrize("good_pass", [0.5, 0.8, 0.95])
@pytest.mark.parametrize(
    ("limit", "design"), [(0.01, 0.002), (0.05, 0.02), (0.5, 0.1), (0.9, 0.5), (1e-4, 2e-5)]
)
def test_both_exact_risks_hold_and_no_smaller_plan_does(limit, design, confidence, good_pass):
    plan = fixed_plan(limit, design, confidence=confidence, good_pass=good_pass)
    allowed = plan.allowed_failures
    # 1e-12 relative: scipy's tail, which these sizes do not strain
    assert stats.binom.cdf(allowed, plan.cycles, limit) <= (1 - confidence) * (1 + 1e-12)
    assert stats.binom.cdf(allowed, plan.cycles, design) >= good_pass * (1 - 1e-12)
    if plan.cycles <= 2_000:
        cycles, counts = np.arange(1, plan.cycles)[:, None], np.arange(allowed + 1)
        bad = stats.binom.cdf(counts, cycles, limit) <= (1 - confidence)
        good = stats.binom.cdf(counts, cycles, design) >= good_pass
        assert not (bad & good & (counts < cycles)).any()
    assert (plan.limit, plan.design) == (limit, design)
    assert (plan.confidence, plan.good_pass) == (confidence, good_pass)


@seeded
@given(st.floats(0.001, 0.95), st.floats(0.1, 0.7), confidences, confidences)
def test_the_quick_search_skips_no_plan(limit, ratio, confidence, good_pass):
    design = limit * ratio
    plan = fixed_plan(limit, design, confidence=confidence, good_pass=good_pass)
    for allowed in range(plan.allowed_failures):
        cycles = cycles_for_allowed(limit, confidence, allowed)
        # 1e-9: near ties are decided in decimals, which scipy cannot confirm
        assert stats.binom.cdf(allowed, cycles, design) < good_pass + 1e-9


def test_a_tie_in_the_good_devices_risk_holds():
    # P(K <= 1; 2, 0.2) = 0.96 and P(K <= 1; 2, 0.8) = 0.36
    plan = fixed_plan(0.8, 0.2, confidence=0.64, good_pass=0.96)
    assert (plan.cycles, plan.allowed_failures) == (2, 1)
    # 0.15 / 0.85 has no end in decimals, so the sum is a hair off 0.9775
    plan = fixed_plan(0.8, 0.15, confidence=0.64, good_pass=0.9775)
    assert (plan.cycles, plan.allowed_failures) == (2, 1)


def test_a_plan_with_many_allowed_failures_is_found_beyond_the_first_block():
    plan = fixed_plan(0.01, 0.0088, confidence=0.95, good_pass=0.95)
    assert plan.allowed_failures > plans.BLOCK
    shorter = cycles_for_allowed(0.01, 0.95, plan.allowed_failures - 1)
    # 1e-9: scipy's tail
    assert stats.binom.cdf(plan.allowed_failures, plan.cycles, 0.0088) >= 0.95 - 1e-9
    assert stats.binom.cdf(plan.allowed_failures - 1, shorter, 0.0088) < 0.95 + 1e-9


@pytest.mark.parametrize("block", [1, 2, 3])
def test_the_block_size_leaves_no_trace(monkeypatch, block):
    whole = fixed_plan(0.01, 0.004, confidence=0.95, good_pass=0.95)
    monkeypatch.setattr(plans, "BLOCK", block)
    assert fixed_plan(0.01, 0.004, confidence=0.95, good_pass=0.95) == whole


def test_too_near_a_design_rate_is_refused_at_exactly_the_most_allowed(monkeypatch):
    plan = fixed_plan(0.01, 0.004, confidence=0.95, good_pass=0.95)
    monkeypatch.setattr(plans, "BLOCK", 1)
    monkeypatch.setattr(plans, "MOST_ALLOWED", plan.allowed_failures)
    assert fixed_plan(0.01, 0.004, confidence=0.95, good_pass=0.95) == plan
    monkeypatch.setattr(plans, "MOST_ALLOWED", plan.allowed_failures - 1)
    with pytest.raises(InvalidValueError, match="design must lie further below limit"):
        fixed_plan(0.01, 0.004, confidence=0.95, good_pass=0.95)


def test_a_design_rate_beside_the_limit_is_refused_in_words():
    with pytest.raises(InvalidValueError) as caught:
        fixed_plan(0.01, 0.00999, confidence=0.95, good_pass=0.95)
    assert str(caught.value) == (
        "design must lie further below limit (0.01), or 20,000 allowed failures are too few, "
        "got 0.00999"
    )


# Zero-failure plans.


def test_zero_failure_plan_holds_its_risk_and_says_what_a_good_device_has():
    plan = zero_failure_plan(0.01, 0.95, 0.0005)
    assert (plan.cycles, plan.allowed_failures) == (299, 0)
    assert (plan.limit, plan.design, plan.confidence) == (0.01, 0.0005, 0.95)
    assert 0.99**299 <= 0.05 < 0.99**298
    # 1e-12: one power
    assert plan.good_pass == pytest.approx(0.9995**299, rel=1e-12)


def test_zero_failure_plan_without_a_design_rate_promises_nothing():
    plan = zero_failure_plan(0.01, 0.95)
    assert plan == FixedPlan(299, 0, 0.01, None, 0.95, None)


def test_a_clean_shift_requirement_takes_four_weeks():
    plan = zero_failure_plan(failure_limit(960, 0.9), 0.95)
    # 960 ln 0.05 / ln 0.9 = 27,295.8
    assert plan.cycles == 27_296


# Errors.


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: zero_failure_cycles(0, 0.9), "limit must be above 0 and below 1, got 0"),
        (lambda: zero_failure_cycles(0.1, 1), "confidence must be above 0 and below 1, got 1"),
        (lambda: cycles_for_allowed(1, 0.9, 1), "limit must be above 0 and below 1, got 1"),
        (lambda: cycles_for_allowed(0.1, 0, 1), "confidence must be above 0 and below 1, got 0"),
        (
            lambda: cycles_for_allowed(0.1, 0.9, -1),
            "allowed must be a whole number of at least 0, got -1",
        ),
        (
            lambda: fixed_plan(0.1, 0.1, confidence=0.9, good_pass=0.9),
            "design must be above 0 and below limit (0.1), got 0.1",
        ),
        (
            lambda: fixed_plan(0.1, 0, confidence=0.9, good_pass=0.9),
            "design must be above 0 and below limit (0.1), got 0",
        ),
        (
            lambda: fixed_plan(2, 0.1, confidence=0.9, good_pass=0.9),
            "limit must be above 0 and below 1, got 2",
        ),
        (
            lambda: fixed_plan(0.1, 0.01, confidence=1.0, good_pass=0.9),
            "confidence must be above 0 and below 1, got 1.0",
        ),
        (
            lambda: fixed_plan(0.1, 0.01, confidence=0.9, good_pass=1.0),
            "good_pass must be above 0 and below 1, got 1.0",
        ),
        (
            lambda: zero_failure_plan(0.1, 0.9, 0.2),
            "design must be above 0 and below limit (0.1), got 0.2",
        ),
    ],
)
def test_values_out_of_range_are_refused(call, message):
    with pytest.raises(InvalidValueError) as caught:
        call()
    assert str(caught.value) == message
