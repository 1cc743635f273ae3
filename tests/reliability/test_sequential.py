"""A sequential plan at work: decisions, lines, chances, length, the bound after a stop, words."""

from __future__ import annotations

import dataclasses
from collections import defaultdict

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from trialog.errors import InvalidValueError
from trialog.reliability import (
    ANY_CYCLES,
    FixedPlan,
    SequentialPlan,
    failure_rate_bounds,
    first_decision,
    sequential_plan,
)

seeded = settings(derandomize=True, database=None, deadline=None, max_examples=60)

RISKS = {"limit": 0.3, "design": 0.1, "confidence": 0.9, "good_pass": 0.9}

PLAN = SequentialPlan(10, 3.2, 7, 40, 4, **RISKS)

SOME_PLANS = [
    PLAN,
    SequentialPlan(23.6, 30.3, 25.16, 150, 5, **RISKS),  # lines between whole cycles
    SequentialPlan(5, -3, 9, 30, 2, **RISKS),  # an early first failure is NO-GO
    SequentialPlan(12, -90, 9, 30, 2, **RISKS),  # any first failure is NO-GO
    SequentialPlan(20, 100, 7, 30, 3, **RISKS),  # no NO-GO line but the end
    SequentialPlan(30, 100, 7, 30, 3, **RISKS),  # no lines at all but the end
    SequentialPlan(4, 1, 1.5, 9, 8, **RISKS),  # steep
    SequentialPlan(1, 0.5, 1, 1, 0, **RISKS),  # one cycle
]
RATES = [0.0, 1e-9, 0.01, 0.1, 0.5, 0.97, 1.0]

plans = pytest.mark.parametrize("plan", SOME_PLANS, ids=lambda plan: f"ends by {plan.max_cycles}")
rates = pytest.mark.parametrize("rate", RATES)


def stops(plan, rate):
    """The chance of every stop (decision, failures, cycles), cycle by cycle from `decide`."""
    running, found, cycles = {0: 1.0}, defaultdict(float), 0
    while running:
        cycles += 1
        after = defaultdict(float)
        for failures, chance in running.items():
            after[failures] += chance * (1 - rate)
            after[failures + 1] += chance * rate
        running = {}
        for failures, chance in after.items():
            decision = plan.decide(failures, cycles)
            if decision == "KEEP RUNNING":
                running[failures] = chance
            else:
                found[decision, failures, cycles] += chance
    return found


# Decisions.


@pytest.mark.parametrize(
    ("failures", "cycles", "decision"),
    [
        (0, 0, "KEEP RUNNING"),
        (0, 9, "KEEP RUNNING"),
        (0, 10, "GO"),
        (1, 3, "NO-GO"),
        (1, 4, "KEEP RUNNING"),
        (1, 16, "KEEP RUNNING"),
        (1, 17, "GO"),
        (2, 10, "NO-GO"),
        (2, 11, "KEEP RUNNING"),
        (4, 37, "KEEP RUNNING"),
        (4, 38, "GO"),
        (5, 39, "NO-GO"),
        (5, 4000, "NO-GO"),
    ],
)
def test_decision(failures, cycles, decision):
    assert PLAN.decide(failures, cycles) == decision


def test_lines():
    assert [PLAN.go_line(k) for k in range(6)] == [10, 17, 24, 31, 38, None]
    assert [PLAN.no_go_line(k) for k in range(6)] == [None, 3, 10, 17, 24, ANY_CYCLES]


def test_no_line_lies_beyond_the_end():
    plan = dataclasses.replace(PLAN, max_cycles=26, no_go_start=-15)
    assert [plan.go_line(k) for k in range(5)] == [10, 17, 24, 26, 26]
    assert [plan.no_go_line(k) for k in range(5)] == [None, 22, 26, 26, 26]


def test_a_line_that_no_trial_can_touch_is_none():
    plan = dataclasses.replace(PLAN, cycles_per_failure=1.5, no_go_start=1.6)
    # 3 failures were NO-GO within 2 cycles, and need 3
    assert [plan.no_go_line(k) for k in range(6)] == [None, None, None, None, 4, ANY_CYCLES]


@plans
@given(failures=st.integers(0, 10), cycles=st.integers(0, 200))
@seeded
def test_the_lines_draw_what_the_decision_says(plan, failures, cycles):
    assume(failures <= cycles)
    go, no_go = plan.go_line(failures), plan.no_go_line(failures)
    decision = plan.decide(failures, cycles)
    assert (decision == "NO-GO") == (no_go is not None and cycles <= no_go)
    assert (decision == "GO") == (go is not None and cycles >= go and decision != "NO-GO")


# Chances and length, against every path of the trial.


@rates
@plans
def test_pass_chance_is_that_of_the_paths(plan, rate):
    expected = sum(
        chance for (decision, _, _), chance in stops(plan, rate).items() if decision == "GO"
    )
    # 1e-13: sums of up to 150 x 6 terms
    assert plan.pass_chance(rate) == pytest.approx(expected, rel=1e-13, abs=1e-15)


@rates
@plans
def test_expected_cycles_are_those_of_the_paths(plan, rate):
    expected = sum(cycles * chance for (_, _, cycles), chance in stops(plan, rate).items())
    # 1e-12: sums of up to 150 x 6 terms, each a difference from 1
    assert plan.expected_cycles(rate) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("q", [0.011, 0.25, 0.5, 0.9, 0.999])
@rates
@plans
def test_quantiles_are_those_of_the_paths(plan, rate, q):
    decided = np.zeros(plan.max_cycles + 1)
    for (_, _, cycles), chance in stops(plan, rate).items():
        decided[cycles] += chance
    # 1e-13: a sum that reaches q up to rounding has reached it
    first = int(np.argmax(decided.cumsum() >= q - 1e-13))
    assert plan.cycles_quantile(rate, q) == first


@plans
def test_many_rates_at_once_are_the_same_as_one_by_one(plan):
    many = np.array(RATES)
    # 1e-13: the library multiplies matrices of another size
    passes, cycles = plan.pass_chance(many), plan.expected_cycles(many.reshape(1, -1))
    assert passes == pytest.approx([plan.pass_chance(rate) for rate in RATES], rel=1e-13)
    assert cycles.shape == (1, len(RATES))
    assert cycles[0] == pytest.approx([plan.expected_cycles(rate) for rate in RATES], rel=1e-13)


def test_one_rate_gives_plain_numbers():
    assert isinstance(PLAN.pass_chance(0.1), float)
    assert isinstance(PLAN.expected_cycles(0.1), float)


@given(st.floats(0.001, 0.9), st.floats(1.001, 1.5))
@seeded
def test_a_worse_device_passes_less_often(rate, factor):
    assert PLAN.pass_chance(min(rate * factor, 1.0)) <= PLAN.pass_chance(rate) + 1e-15


def test_a_plan_without_lines_is_the_fixed_plan():
    lines = SequentialPlan(60, 1000, 7, 60, 2, **RISKS)
    fixed = FixedPlan(60, 2, 0.3, 0.1, 0.9, 0.9)
    # 1e-12: two ways to the same sums
    for rate in (0.001, 0.03, 0.3):
        assert lines.pass_chance(rate) == pytest.approx(fixed.pass_chance(rate), rel=1e-12)
        assert lines.expected_cycles(rate) == pytest.approx(fixed.expected_cycles(rate), rel=1e-12)
        assert lines.cycles_quantile(rate, 0.4) == fixed.cycles_quantile(rate, 0.4)


def test_a_long_plan_does_what_it_says_when_played():
    """4,000 trials at the limit and at the design rate, each looked at after every cycle."""
    plan = sequential_plan(1e-5, 2e-6, confidence=0.95, good_pass=0.9)
    rng = np.random.default_rng(20240501)
    for rate in (1e-5, 2e-6):
        ends = []
        for _ in range(4_000):
            failed = rng.geometric(rate, plan.max_failures + 1).cumsum()
            within = failed[failed <= plan.max_cycles]
            ends.append(first_decision(plan, within, plan.max_cycles))
        passes = np.mean([end.decision == "GO" for end in ends])
        cycles = np.array([end.cycles for end in ends])
        chance = plan.pass_chance(rate)
        # 4 standard errors, one run in 16,000
        assert abs(passes - chance) < 4 * np.sqrt(chance * (1 - chance) / 4_000)
        assert abs(cycles.mean() - plan.expected_cycles(rate)) < 4 * cycles.std() / np.sqrt(4_000)
        median = plan.cycles_quantile(rate, 0.5)
        assert np.mean(cycles < median) < 0.5 + 4 * 0.5 / np.sqrt(4_000)
        assert np.mean(cycles <= median) > 0.5 - 4 * 0.5 / np.sqrt(4_000)


# The bound after a stop.

SOME_CONFIDENCE = [0.5, 0.9, 0.999]


def rank(stop):
    """Order outcomes from the best: GO with fewer failures, then NO-GO, the later the better."""
    decision, failures, cycles = stop
    return (0, failures, 0) if decision == "GO" else (1, -cycles, 0)


@pytest.mark.parametrize("confidence", SOME_CONFIDENCE)
@plans
def test_at_the_bound_an_outcome_as_good_has_just_the_chance_of_the_error(plan, confidence):
    outcomes = list(stops(plan, 0.2))
    for stop in outcomes:
        bound = plan.bound_after_stop(*stop[1:], confidence)
        chances = stops(plan, bound)
        as_good = sum(chances[other] for other in outcomes if rank(other) <= rank(stop))
        if bound < 1:
            # 1e-10: the search for the root ends there
            assert as_good == pytest.approx(1 - confidence, rel=1e-10)
        else:
            assert as_good >= 1 - confidence


@pytest.mark.parametrize("confidence", SOME_CONFIDENCE)
@pytest.mark.parametrize("rate", [0.01, 0.1, 0.3, 0.6, 0.9])
@plans
def test_the_bound_is_below_the_true_rate_no_more_often_than_stated(plan, rate, confidence):
    wrong = sum(
        chance
        for (_, failures, cycles), chance in stops(plan, rate).items()
        if plan.bound_after_stop(failures, cycles, confidence) < rate
    )
    assert wrong <= 1 - confidence + 1e-12


def test_a_better_outcome_has_a_lower_bound():
    outcomes = sorted(stops(PLAN, 0.2), key=rank)
    bounds = [PLAN.bound_after_stop(*stop[1:], 0.9) for stop in outcomes]
    assert bounds == sorted(bounds)
    assert bounds[0] > 0
    assert bounds[-1] == 1.0


def test_a_clean_stop_has_the_bound_of_clean_cycles():
    # GO with 0 failures is one outcome, (1 - p)^n = error, whatever lines there are
    expected = failure_rate_bounds(0, 10, confidence=0.9).upper
    assert PLAN.bound_after_stop(0, 10, 0.9) == pytest.approx(expected, rel=1e-12)


def test_the_fixed_sample_bound_would_be_wrong_more_often_than_stated():
    """Why a stop needs its own bound: 14 % instead of 10 %."""
    plan, rate = sequential_plan(0.1, 0.02, confidence=0.9, good_pass=0.9), 0.09
    wrong = {
        bound: sum(
            chance
            for (_, failures, cycles), chance in stops(plan, rate).items()
            if bound(failures, cycles) < rate
        )
        for bound in (
            lambda failures, cycles: failure_rate_bounds(failures, cycles, confidence=0.9).upper,
            lambda failures, cycles: plan.bound_after_stop(failures, cycles, 0.9),
        )
    }
    usual, own = wrong.values()
    assert usual > 0.14
    assert own <= 0.1


def test_a_go_rules_the_limit_out():
    plan = sequential_plan(0.002, 0.0002, confidence=0.95, good_pass=0.9)
    for failures in range(plan.max_failures + 1):
        bound = plan.bound_after_stop(failures, plan.go_line(failures), 0.95)
        assert bound <= 0.002 * (1 + 1e-12)


@pytest.mark.parametrize(
    ("failures", "cycles"),
    [
        (0, 9),  # runs on
        (0, 11),  # had stopped before, as GO
        (1, 2 + 16),
        (2, 12),  # runs on
        (3, 3),  # had stopped before, as NO-GO
        (5, 39),  # the way there leads through GO
    ],
)
def test_there_is_no_bound_where_the_plan_does_not_stop(failures, cycles):
    with pytest.raises(InvalidValueError) as caught:
        PLAN.bound_after_stop(failures, cycles, 0.9)
    assert str(caught.value) == (
        f"cycles must be where the plan stops for failures = {failures}, got {cycles}"
    )


@pytest.mark.parametrize("confidence", [0, 1, -1, "x"])
def test_a_bound_needs_a_confidence(confidence):
    with pytest.raises(InvalidValueError, match="confidence must be above 0 and below 1"):
        PLAN.bound_after_stop(0, 10, confidence)


# Wrong input.


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"go_start": 0}, "go_start must be a number above 0, got 0"),
        ({"go_start": 41}, "max_cycles must be between 41 and any number of cycles"),
        ({"no_go_start": float("nan")}, "no_go_start must be a number, got nan"),
        ({"cycles_per_failure": 0}, "cycles_per_failure must be a number above 0, got 0"),
        ({"max_cycles": 9}, "max_cycles must be between 10 and any number of cycles"),
        ({"max_cycles": ANY_CYCLES + 1}, "max_cycles must be between 10 and any number of cycles"),
        ({"max_failures": -1}, "max_failures must be between 0 and max_cycles - 1 (39), got -1"),
        ({"max_failures": 40}, "max_failures must be between 0 and max_cycles - 1 (39), got 40"),
        ({"limit": 1.0}, "limit must be above 0 and below 1, got 1.0"),
        ({"design": 0.3}, "design must be above 0 and below limit (0.3), got 0.3"),
        ({"confidence": 1}, "confidence must be above 0 and below 1, got 1"),
        ({"good_pass": 0}, "good_pass must be above 0 and below 1, got 0"),
    ],
)
def test_a_plan_refuses_wrong_numbers(change, message):
    with pytest.raises(InvalidValueError) as caught:
        dataclasses.replace(PLAN, **change)
    assert str(caught.value).startswith(message)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: PLAN.decide(0, -1), "cycles must be a whole number of at least 0, got -1"),
        (lambda: PLAN.decide(3, 2), "failures must be between 0 and cycles (2), got 3"),
        (lambda: PLAN.go_line(-1), "failures must be a whole number of at least 0, got -1"),
        (lambda: PLAN.no_go_line(-1), "failures must be a whole number of at least 0, got -1"),
        (lambda: PLAN.pass_chance(1.1), "rate must be between 0 and 1, got 1.1"),
        (lambda: PLAN.pass_chance([0.5, -0.1]), "rate must be between 0 and 1, got -0.1"),
        (lambda: PLAN.pass_chance("x"), "rate must be between 0 and 1, got 'x'"),
        (lambda: PLAN.pass_chance(float("nan")), "rate must be between 0 and 1, got nan"),
        (lambda: PLAN.expected_cycles(-0.1), "rate must be between 0 and 1, got -0.1"),
        (lambda: PLAN.cycles_quantile(2, 0.5), "rate must be between 0 and 1, got 2"),
        (lambda: PLAN.cycles_quantile(0.1, 1), "q must be above 0 and below 1, got 1"),
    ],
)
def test_wrong_arguments_are_named(call, message):
    with pytest.raises(InvalidValueError) as caught:
        call()
    assert str(caught.value) == message
