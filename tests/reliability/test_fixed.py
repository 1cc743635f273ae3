"""A fixed plan at work: decisions, lines, chances, length, words."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy import stats

from trialog.errors import InvalidValueError
from trialog.reliability import (
    ANY_CYCLES,
    FixedPlan,
    failure_rate_bounds,
    zero_failure_plan,
)

seeded = settings(derandomize=True, database=None, deadline=None, max_examples=60)

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


def test_its_corner_figures_are_those_of_its_counts():
    assert (PLAN.first_go_cycles, PLAN.max_cycles, PLAN.max_failures) == (100, 100, 2)
    assert PLAN.cycles_per_failure == 0.0


def test_many_rates_at_once_are_the_same_as_one_by_one():
    rates = np.array([[0.0, 0.01, 0.1], [0.5, 0.9, 1.0]])
    passes, cycles = PLAN.pass_chance(rates), PLAN.expected_cycles(rates)
    assert passes.shape == cycles.shape == (2, 3)
    assert passes.ravel().tolist() == [PLAN.pass_chance(rate) for rate in rates.ravel()]
    assert cycles.ravel().tolist() == [PLAN.expected_cycles(rate) for rate in rates.ravel()]
    assert isinstance(PLAN.pass_chance(0.1), float)
    assert isinstance(PLAN.expected_cycles(0.1), float)


SOME_PLANS = [
    FixedPlan(n, c, 0.5, None, 0.9, None) for n, c in [(1, 0), (20, 0), (20, 2), (3, 2), (300, 7)]
]


def named(plan):
    return f"{plan.cycles} cycles, {plan.allowed_failures} allowed"


RATES = [0.0, 1e-9, 0.001, 0.03, 0.3, 0.9, 1.0]


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("plan", SOME_PLANS, ids=named)
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
@pytest.mark.parametrize("plan", SOME_PLANS, ids=named)
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
@pytest.mark.parametrize("plan", SOME_PLANS, ids=named)
def test_quantiles_are_those_of_the_lattice(plan, rate, q):
    decided = np.cumsum(stopping_chances(plan, rate))
    # 1e-13: a sum that reaches q up to rounding has reached it
    first = int(np.argmax(decided >= q - 1e-13))
    assert plan.cycles_quantile(rate, q) == first


# Errors.


@pytest.mark.parametrize(
    ("call", "message"),
    [
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


# The bound after a stop.

SHORT = FixedPlan(30, 2, 0.3, 0.1, 0.9, 0.9)


def stops(plan, rate):
    """The chance of every stop (failures, cycles): GO at the end, or the failure too many."""
    go = {
        (failures, plan.cycles): stats.binom.pmf(failures, plan.cycles, rate)
        for failures in range(plan.allowed_failures + 1)
    }
    last = plan.allowed_failures + 1
    no_go = {
        (last, cycles): stats.nbinom.pmf(cycles - last, last, rate)
        for cycles in range(last, plan.cycles + 1)
    }
    return go | no_go


def rank(stop):
    """Order outcomes from the best: GO with fewer failures, then NO-GO, the later the better."""
    failures, cycles = stop
    return (0, failures) if failures <= SHORT.allowed_failures else (1, -cycles)


@pytest.mark.parametrize("confidence", [0.5, 0.9, 0.999])
def test_at_the_bound_an_outcome_as_good_has_just_the_chance_of_the_error(confidence):
    for stop in stops(SHORT, 0.1):
        bound = SHORT.bound_after_stop(*stop, confidence)
        chances = stops(SHORT, bound)
        as_good = sum(chance for other, chance in chances.items() if rank(other) <= rank(stop))
        # 1e-10: what the library's mass functions keep; the worst outcome has the bound 1
        if stop == (3, 3):
            assert bound == 1.0
        else:
            assert as_good == pytest.approx(1 - confidence, rel=1e-10)


def test_after_the_failure_too_many_the_bound_is_that_of_the_cycles_before_it():
    expected = failure_rate_bounds(2, 16, confidence=0.9).upper
    assert SHORT.bound_after_stop(3, 17, 0.9) == expected


@pytest.mark.parametrize(
    ("failures", "cycles"), [(0, 29), (0, 31), (2, 29), (4, 20), (4, 30), (3, 31)]
)
def test_there_is_no_bound_where_the_plan_does_not_stop(failures, cycles):
    with pytest.raises(InvalidValueError) as caught:
        SHORT.bound_after_stop(failures, cycles, 0.9)
    assert str(caught.value) == (
        f"cycles must be where the plan stops for failures = {failures}, got {cycles}"
    )
