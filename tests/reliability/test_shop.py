"""Planning from what a shop has."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from trialog.errors import InvalidValueError
from trialog.reliability import (
    CleanRun,
    FailurePrice,
    Requirement,
    clean_run,
    cycles_for_allowed,
    cycles_in_shifts,
    failure_rate_bounds,
    price_of_failures,
    shifts_needed,
)

seeded = settings(derandomize=True, database=None, deadline=None, max_examples=60)

READY = Requirement(8, 30, chance=0.9, confidence=0.95, design_rate=1e-5)


# Cycles in shifts.


@pytest.mark.parametrize(
    ("shifts", "seconds", "hours", "cycles"),
    [(0, 30, 8, 0), (1, 30, 8, 960), (3, 45, 7.5, 1800), (2, 3599, 1, 2), (7, 0.1, 8, 2_016_000)],
)
def test_cycles_of_whole_shifts(shifts, seconds, hours, cycles):
    assert cycles_in_shifts(shifts, seconds, hours) == cycles
    assert shifts_needed(cycles, seconds, hours) == shifts


def test_a_shift_has_eight_hours_unless_said_otherwise():
    assert cycles_in_shifts(2, 30) == 1920


@pytest.mark.parametrize(
    ("shifts", "seconds", "hours", "message"),
    [
        (-1, 30, 8, "shifts must be a whole number of at least 0, got -1"),
        (1.5, 30, 8, "shifts must be a whole number of at least 0, got 1.5"),
        (1, 0, 8, "cycle_seconds must be a number above 0, got 0"),
        (1, 3601, 1, "shift_hours must hold at least one cycle of 3601 s, got 1"),
    ],
)
def test_shifts_need_numbers_in_range(shifts, seconds, hours, message):
    with pytest.raises(InvalidValueError) as caught:
        cycles_in_shifts(shifts, seconds, hours)
    assert str(caught.value) == message


# A clean run.


def test_two_clean_shifts_prove_little():
    run = clean_run(READY, 1920)
    # 1 - 0.05^(1/1920) = 0.00156; 0.9 is kept for 1920 ln(0.9) / ln(0.05) = 67.5 cycles
    assert run == CleanRun(1920, failure_rate_bounds(0, 1920).upper, 67, 2010.0, 27_296 - 1920)
    assert run.upper == pytest.approx(0.00156, abs=5e-6)


def test_chance_and_confidence_are_those_required():
    run = clean_run(Requirement(8, 30, chance=0.5, confidence=0.8, design_rate=1e-5), 1000)
    # 1 - 0.2^(1/1000); 0.5 is kept for 1000 ln(0.5) / ln(0.2) = 430.7 cycles, and 960 of them
    # need 960 ln(0.2) / ln(0.5) = 2229.05
    assert run.upper == pytest.approx(1 - 0.2**0.001, rel=1e-12)
    assert (run.proven_cycles, run.missing_cycles) == (430, 1230)


def test_no_cycles_prove_nothing():
    assert clean_run(READY, 0) == CleanRun(0, 1.0, 0, 0.0, 27_296)


@pytest.mark.parametrize(("cycles", "missing"), [(27_295, 1), (27_296, 0), (30_000, 0)])
def test_the_requirement_is_met_exactly_when_no_cycle_is_missing(cycles, missing):
    run = clean_run(READY, cycles)
    assert run.missing_cycles == missing
    assert (run.proven_cycles >= READY.stretch_cycles) == (missing == 0)


@seeded
@given(st.integers(0, 10**6), st.floats(0.05, 1.0))
def test_a_clean_run_proves_a_fixed_part_of_itself(cycles, share):
    run = clean_run(READY, cycles, share)
    part = cycles * share * math.log(0.9) / math.log(0.05)
    assert part - 1 - 1e-6 < run.proven_cycles < part + 1e-6
    assert run.proven_seconds == run.proven_cycles * 30
    assert run.cycles == cycles


def test_a_device_with_a_share_has_more_to_prove():
    # half of the allowance: 1 - 0.9^(0.5/960) needs twice the cycles
    assert clean_run(READY, 0, 0.5).missing_cycles == pytest.approx(2 * 27_296, abs=2)


@pytest.mark.parametrize(
    ("cycles", "share", "message"),
    [
        (-1, 1, "cycles must be a whole number of at least 0, got -1"),
        (10, 0, "share must be above 0 and at most 1, got 0"),
    ],
)
def test_a_clean_run_needs_numbers_in_range(cycles, share, message):
    with pytest.raises(InvalidValueError) as caught:
        clean_run(READY, cycles, share)
    assert str(caught.value) == message


# The price of failures.


def test_sample_sizes_of_wilks_and_what_each_failure_adds():
    lines = price_of_failures(0.05, 0.95, 3, cycle_seconds=1800)
    # Wilks (1941): 59, 93, 124, 153; shifts of 16 cycles
    assert lines == (
        FailurePrice(0, 59, 0, 4, 0),
        FailurePrice(1, 93, 34, 6, 2),
        FailurePrice(2, 124, 31, 8, 2),
        FailurePrice(3, 153, 29, 10, 2),
    )


@seeded
@given(st.floats(1e-5, 0.3), st.floats(0.5, 0.999), st.integers(0, 8))
def test_each_line_rules_the_limit_out_and_a_cycle_less_does_not(limit, confidence, most):
    lines = price_of_failures(limit, confidence, most, cycle_seconds=30, shift_hours=6)
    assert [line.failures for line in lines] == list(range(most + 1))
    before = lines[0]
    for line in lines:
        assert line.cycles == cycles_for_allowed(limit, confidence, line.failures)
        assert line.extra_cycles == line.cycles - before.cycles
        assert line.shifts == shifts_needed(line.cycles, 30, 6)
        assert line.extra_shifts == line.shifts - before.shifts
        # 1e-9: that library's sum
        risk = 1 - confidence
        assert stats.binom.cdf(line.failures, line.cycles, limit) <= risk * (1 + 1e-9)
        assert stats.binom.cdf(line.failures, line.cycles - 1, limit) > risk * (1 - 1e-9)
        before = line


def test_a_late_failure_costs_about_one_over_the_limit():
    lines = price_of_failures(0.001, 0.95, 1000, cycle_seconds=30)
    assert len(lines) == 1001
    # the price falls towards 1,000 cycles like 1 + 1.645 / (2 sqrt(failures))
    assert lines[-1].extra_cycles == pytest.approx(
        1000 * (1 + 1.645 / 2 / math.sqrt(1000)), rel=2e-3
    )


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"limit": 0}, "limit must be above 0 and below 1, got 0"),
        ({"confidence": 1}, "confidence must be above 0 and below 1, got 1"),
        ({"most": -1}, "most must be between 0 and the most that are priced (1000), got -1"),
        ({"most": 1001}, "most must be between 0 and the most that are priced (1000), got 1001"),
        ({"cycle_seconds": 0}, "cycle_seconds must be a number above 0, got 0"),
        ({"shift_hours": 0}, "shift_hours must be a number above 0, got 0"),
    ],
)
def test_prices_need_numbers_in_range(change, message):
    given_values = {"limit": 0.01, "confidence": 0.95, "most": 1, "cycle_seconds": 30} | change
    with pytest.raises(InvalidValueError) as caught:
        price_of_failures(**given_values)
    assert str(caught.value) == message
