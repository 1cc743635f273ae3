"""Plans: the smallest that hold both exact risks, their decisions, their length."""

from __future__ import annotations

import dataclasses
import math
from decimal import Decimal

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy import stats

from trialog.errors import InvalidValueError
from trialog.reliability import (
    ANY_CYCLES,
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
    # 1e-8: scipy's tail keeps about nine digits at ten million cycles
    assert stats.binom.cdf(allowed, cycles, limit) <= (1 - confidence) * (1 + 1e-8)
    assume(cycles > allowed + 1)
    assert stats.binom.cdf(allowed, cycles - 1, limit) > (1 - confidence) * (1 - 1e-8)


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


# Decisions.

PLAN = FixedPlan(100, 2, 0.1, 0.01, 0.95, 0.9)


@pytest.mark.parametrize(
    ("failures", "cycles", "decision"),
    [
        (0, 0, "KEEP RUNNING"),
        (2, 99, "KEEP RUNNING"),
        (2, 100, "GO"),
        (0, 100, "GO"),
        (2, 500, "GO"),
        (3, 3, "NO-GO"),
        (3, 99, "NO-GO"),
        (3, 100, "NO-GO"),
        (3, 500, "NO-GO"),
    ],
)
def test_decision(failures, cycles, decision):
    assert PLAN.decide(failures, cycles) == decision


@given(st.integers(0, 6), st.integers(0, 200))
@seeded
def test_the_lines_draw_what_the_decision_says(failures, cycles):
    assume(failures <= cycles)
    go, no_go = PLAN.go_line(failures), PLAN.no_go_line(failures)
    assert (PLAN.decide(failures, cycles) == "GO") == (go is not None and cycles >= go)
    assert (PLAN.decide(failures, cycles) == "NO-GO") == (no_go is not None and cycles <= no_go)


def test_lines():
    assert [PLAN.go_line(k) for k in range(5)] == [100, 100, 100, None, None]
    assert [PLAN.no_go_line(k) for k in range(5)] == [None, None, None, ANY_CYCLES, ANY_CYCLES]


@pytest.mark.parametrize("looks", [12, 15, 20])
def test_looking_after_every_cycle_never_adds_to_the_chance_of_go(looks):
    """Every path of a trial that may run on, by lattice: ever GO at any look = GO at the plan."""
    plan, rate = FixedPlan(12, 2, 0.5, None, 0.9, None), 0.3
    paths, ever = np.zeros(looks + 1), 0.0
    paths[0] = 1.0
    for cycles in range(1, looks + 1):
        paths = (1 - rate) * paths + rate * np.concatenate([[0.0], paths[:-1]])
        for failures in range(cycles + 1):
            if plan.decide(failures, cycles) == "GO":
                ever += paths[failures]
                paths[failures] = 0.0
    # 1e-14: a sum of a few dozen terms
    assert ever == pytest.approx(plan.pass_chance(rate), rel=1e-13)


# Pass chance and length.

SOME_PLANS = [
    FixedPlan(n, c, 0.5, None, 0.9, None) for n, c in [(1, 0), (20, 0), (20, 2), (3, 2), (300, 7)]
]
RATES = [0.0, 1e-9, 0.001, 0.03, 0.3, 0.9, 1.0]


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("plan", SOME_PLANS, ids=lambda plan: plan.in_words())
def test_pass_chance_is_the_binomial_tail(plan, rate):
    tail = stats.binom.cdf(plan.allowed_failures, plan.cycles, rate)
    # 1e-12: two libraries' tails
    assert plan.pass_chance(rate) == pytest.approx(tail, rel=1e-12, abs=1e-300)


def stopping_chances(plan, rate):
    """P(the trial is decided at cycle t) for t = 0..n, by walking the lattice."""
    running, stopped = np.zeros(plan.allowed_failures + 1), np.zeros(plan.cycles + 1)
    running[0] = 1.0
    for cycle in range(1, plan.cycles + 1):
        stopped[cycle] = running[-1] * rate
        running = (1 - rate) * running + rate * np.concatenate([[0.0], running[:-1]])
    stopped[plan.cycles] += running.sum()
    return stopped


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("plan", SOME_PLANS, ids=lambda plan: plan.in_words())
def test_expected_cycles_are_those_of_the_lattice(plan, rate):
    mean = np.arange(plan.cycles + 1) @ stopping_chances(plan, rate)
    # 1e-12: sums of up to 300 terms
    assert plan.expected_cycles(rate) == pytest.approx(mean, rel=1e-12, abs=0)


def test_expected_cycles_of_a_zero_failure_plan_are_geometric():
    plan = zero_failure_plan(1e-4, 0.95)
    # E min(T, n) = (1 - (1 - p)^n) / p; 1e-11: the closed form itself loses digits at this p
    expected = -math.expm1(plan.cycles * math.log1p(-1e-5)) / 1e-5
    assert plan.expected_cycles(1e-5) == pytest.approx(expected, rel=1e-11)


@pytest.mark.parametrize("q", [0.01, 0.25, 0.5, 0.9, 0.999])
@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("plan", SOME_PLANS, ids=lambda plan: plan.in_words())
def test_quantiles_are_those_of_the_lattice(plan, rate, q):
    decided = np.cumsum(stopping_chances(plan, rate))
    # 1e-13: a sum that reaches q up to rounding has reached it
    first = int(np.argmax(decided >= q - 1e-13))
    assert plan.cycles_quantile(rate, q) == first


# Words.


@pytest.mark.parametrize(
    ("cycles", "allowed", "words"),
    [
        (1604, 2, "1,604 cycles with at most 2 failures"),
        (1604, 1, "1,604 cycles with at most 1 failure"),
        (12_000, 1_001, "12,000 cycles with at most 1,001 failures"),
        (27_297, 0, "27,297 clean cycles: one failure ends the plan"),
        (1, 0, "1 clean cycle: one failure ends the plan"),
    ],
)
def test_plan_in_words(cycles, allowed, words):
    assert FixedPlan(cycles, allowed, 0.5, None, 0.9, None).in_words() == words


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
        (lambda: PLAN.decide(4, 3), "failures must be between 0 and cycles (3), got 4"),
        (lambda: PLAN.decide(-1, 3), "failures must be between 0 and cycles (3), got -1"),
        (lambda: PLAN.decide(0, -3), "cycles must be a whole number of at least 0, got -3"),
        (lambda: PLAN.go_line(-1), "failures must be a whole number of at least 0, got -1"),
        (lambda: PLAN.no_go_line(-1), "failures must be a whole number of at least 0, got -1"),
        (lambda: PLAN.pass_chance(2), "rate must be between 0 and 1, got 2"),
        (lambda: PLAN.expected_cycles(-1), "rate must be between 0 and 1, got -1"),
        (lambda: PLAN.cycles_quantile(-1, 0.5), "rate must be between 0 and 1, got -1"),
        (lambda: PLAN.cycles_quantile(0.5, 1), "q must be above 0 and below 1, got 1"),
    ],
)
def test_values_out_of_range_are_refused(call, message):
    with pytest.raises(InvalidValueError) as caught:
        call()
    assert str(caught.value) == message


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"cycles": 0}, "cycles must be a whole number of at least 1, got 0"),
        (
            {"allowed_failures": 100},
            "allowed_failures must be between 0 and cycles - 1 (99), got 100",
        ),
        (
            {"allowed_failures": -1},
            "allowed_failures must be between 0 and cycles - 1 (99), got -1",
        ),
        ({"limit": 1.0}, "limit must be above 0 and below 1, got 1.0"),
        ({"confidence": 0.0}, "confidence must be above 0 and below 1, got 0.0"),
        ({"design": 0.1}, "design must be above 0 and below limit (0.1), got 0.1"),
        ({"good_pass": 1.1}, "good_pass must be between 0 and 1, got 1.1"),
    ],
)
def test_a_plan_that_cannot_be_meant_is_refused(change, message):
    with pytest.raises(InvalidValueError) as caught:
        dataclasses.replace(PLAN, **change)
    assert str(caught.value) == message


def test_plans_are_frozen():
    with pytest.raises(dataclasses.FrozenInstanceError):
        PLAN.cycles = 5
