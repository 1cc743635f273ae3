"""From the requirement to the limit, and back from a bound to the stretch it proves."""

from __future__ import annotations

import dataclasses
import math
from decimal import Decimal, localcontext

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trialog.errors import InvalidValueError
from trialog.reliability import (
    Requirement,
    failure_limit,
    failure_rate_bounds,
    shifts_needed,
    stop_free_chance,
    stop_free_cycles,
    stretch_cycles,
)

seeded = settings(derandomize=True, database=None, deadline=None, max_examples=100)
chances = st.floats(0.01, 0.9999)
shares = st.floats(0.01, 1.0)


# Cycles in a stretch.


@pytest.mark.parametrize(
    ("hours", "seconds", "cycles"),
    [
        (8, 30, 960),
        (4, 45, 320),
        (8, 0.1, 288_000),
        (0.1, 0.3, 1200),
        (1.1, 0.11, 36_000),
        (20 / 60, 30, 40),
        (7 / 60, 60, 7),
        (1, 7, 514),
        (1 / 60, 61, 0),
        (29 / 3600, 30, 0),
        (30 / 3600, 30, 1),
        (8, 33.3, 864),
        (8.123456789, 30, 974),
        (0.0083333333, 30, 0),
    ],
)
def test_whole_cycles_of_the_numbers_as_typed(hours, seconds, cycles):
    assert stretch_cycles(hours, seconds) == cycles


@seeded
@given(st.integers(1, 100_000), st.integers(1, 600))
def test_so_many_cycles_fit_into_their_own_time(cycles, tenths):
    seconds = tenths / 10
    assert stretch_cycles(cycles * tenths / 36_000, seconds) == cycles


@pytest.mark.parametrize("bad", [0, -1, float("inf"), float("nan"), "8", True, None])
def test_times_must_be_above_0(bad):
    with pytest.raises(InvalidValueError) as caught:
        stretch_cycles(bad, 30)
    assert str(caught.value) == f"hours must be a number above 0, got {bad!r}"
    with pytest.raises(InvalidValueError) as caught:
        stretch_cycles(8, bad)
    assert str(caught.value) == f"cycle_seconds must be a number above 0, got {bad!r}"


# The limit.


@seeded
@given(st.integers(1, 10_000_000), chances, shares)
def test_limit_is_the_closed_form(cycles, chance, share):
    closed = -math.expm1(share * math.log(chance) / cycles)
    # 1e-11: log(chance) near 1 loses four digits in floats; the limit itself loses none
    assert failure_limit(cycles, chance, share) == pytest.approx(closed, rel=1e-11, abs=0)


def test_limit_of_a_shift_at_30_seconds():
    # 1 - 0.9^(1/960), by bc with scale=40: 1-e(l(0.9)/960) = .000109744514773688...
    assert failure_limit(960, 0.9) == pytest.approx(0.000109744514773688, rel=1e-14, abs=0)


@pytest.mark.parametrize(
    ("cycles", "chance", "limit"),
    [(1, 0.9, 0.1), (2, 0.81, 0.1), (3, 0.729, 0.1), (1, 0.9999, 0.0001), (2, 0.7225, 0.15)],
)
def test_a_limit_that_is_a_short_decimal_is_that_decimal(cycles, chance, limit):
    assert failure_limit(cycles, chance) == limit
    assert stop_free_cycles(limit, chance) == cycles


def test_shares_of_devices_add_up_to_the_cell():
    good = math.prod(1 - failure_limit(960, 0.9, share) for share in (0.5, 0.3, 0.2))
    # 1e-14: three factors
    assert 1 - good == pytest.approx(failure_limit(960, 0.9), rel=1e-11)


@seeded
@given(st.integers(1, 10_000_000), chances, shares)
def test_limit_is_the_largest_rate_that_allows_the_stretch(cycles, chance, share):
    limit = failure_limit(cycles, chance, share)
    assert stop_free_cycles(limit, chance, share) == cycles
    above = stop_free_cycles(math.nextafter(limit, 1), chance, share)
    assert above < cycles


@seeded
@given(st.integers(1, 2_000), st.integers(0, 5), st.integers(5, 100_000), chances, shares)
def test_proven_reaches_required_exactly_if_the_bound_is_within_the_limit(
    required, failures, cycles, chance, share
):
    upper = failure_rate_bounds(failures, cycles).upper
    if upper == 1.0:
        assert stop_free_cycles(upper, chance, share) == 0
        return
    proven = stop_free_cycles(upper, chance, share)
    assert (proven >= required) == (upper <= failure_limit(required, chance, share))


# The stop-free stretch.


@pytest.mark.parametrize(
    ("rate", "chance", "share", "cycles"),
    [
        (0.1, 0.81, 1.0, 2),
        (0.3, 0.49, 1.0, 2),
        (0.2, 0.512, 1.0, 3),
        (0.2, 0.513, 1.0, 2),
        (0.5, 0.25, 1.0, 2),
        (0.5, 0.25, 0.5, 1),
        (0.5, 0.6, 1.0, 0),
        (0.999999, 0.9, 1.0, 0),
        (1.0, 0.5, 1.0, 0),
        (1, 0.5, 1, 0),
        (0.0, 0.5, 1.0, None),
    ],
)
def test_ties_count_as_the_numbers_typed(rate, chance, share, cycles):
    assert stop_free_cycles(rate, chance, share) == cycles


@seeded
@given(st.floats(1e-9, 0.999), chances, shares)
def test_the_stretch_holds_and_one_cycle_more_does_not(rate, chance, share):
    cycles = stop_free_cycles(rate, chance, share)
    with localcontext(prec=80):
        good = (1 - Decimal(repr(rate))).ln()
        level = Decimal(repr(chance)).ln() * Decimal(repr(share))
        # a tie is allowed for: equal to thirty digits counts as equal
        assert cycles * good >= level - Decimal("1e-29") * abs(good)
        assert (cycles + 1) * good < level


@pytest.mark.parametrize("rate", [1e-20, 1e-300, 5e-324])
def test_the_tiniest_rates_give_a_finite_stretch(rate):
    cycles = stop_free_cycles(rate, 0.5)
    # N p = ln 2 for small p; 1e-15: one division of doubles
    assert float(Decimal(cycles) * Decimal(repr(rate))) == pytest.approx(math.log(2), rel=1e-15)


def test_numbers_of_numpy_are_numbers():
    assert stop_free_cycles(np.float64(0.1), np.float64(0.81)) == 2
    assert failure_limit(np.int64(960), 0.9) == failure_limit(960, 0.9)


# The chance of a stretch.


@pytest.mark.parametrize(
    ("rate", "cycles", "chance"),
    [(0.0, 100, 1.0), (1.0, 0, 1.0), (1.0, 1, 0.0), (0.5, 2, 0.25), (0.3, 0, 1.0)],
)
def test_chance_of_a_stop_free_stretch(rate, cycles, chance):
    assert stop_free_chance(rate, cycles) == pytest.approx(chance, rel=1e-15, abs=0)


@seeded
@given(st.floats(1e-9, 0.5), st.integers(0, 1000))
def test_chance_is_the_power(rate, cycles):
    with localcontext(prec=50):
        power = float((1 - Decimal(rate)) ** cycles)
    # 1e-12: the exponent reaches 693 and an exponential turns its rounding into a relative error
    assert stop_free_chance(rate, cycles) == pytest.approx(power, rel=1e-12, abs=0)


def test_a_device_shown_by_two_clean_shifts_may_still_stop_a_shift_three_times_out_of_four():
    upper = failure_rate_bounds(0, 1920).upper
    # sqrt(0.05) = 0.2236 exactly, as a stretch is half of the two shifts
    assert stop_free_chance(upper, 960) == pytest.approx(math.sqrt(0.05), rel=1e-12)


# Errors.


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: failure_limit(0, 0.9), "cycles must be a whole number of at least 1, got 0"),
        (lambda: failure_limit(9.5, 0.9), "cycles must be a whole number of at least 1, got 9.5"),
        (lambda: failure_limit(True, 0.9), "cycles must be a whole number of at least 1, got True"),
        (lambda: failure_limit(9, 1.0), "chance must be above 0 and below 1, got 1.0"),
        (lambda: failure_limit(9, 0), "chance must be above 0 and below 1, got 0"),
        (lambda: failure_limit(9, 0.9, 0), "share must be above 0 and at most 1, got 0"),
        (lambda: failure_limit(9, 0.9, 1.1), "share must be above 0 and at most 1, got 1.1"),
        (lambda: stop_free_cycles(-0.1, 0.9), "rate must be between 0 and 1, got -0.1"),
        (lambda: stop_free_cycles(1.1, 0.9), "rate must be between 0 and 1, got 1.1"),
        (lambda: stop_free_cycles("1", 0.9), "rate must be between 0 and 1, got '1'"),
        (lambda: stop_free_cycles(0, 2), "chance must be above 0 and below 1, got 2"),
        (lambda: stop_free_cycles(0, 0.9, 2), "share must be above 0 and at most 1, got 2"),
        (lambda: stop_free_cycles(0, 0.9, "1"), "share must be above 0 and at most 1, got '1'"),
        (lambda: stop_free_chance(2, 1), "rate must be between 0 and 1, got 2"),
        (lambda: stop_free_chance(0, -1), "cycles must be a whole number of at least 0, got -1"),
    ],
)
def test_values_out_of_range_are_refused(call, message):
    with pytest.raises(InvalidValueError) as caught:
        call()
    assert str(caught.value) == message


# The requirement.

READY = Requirement(8, 30, chance=0.9, confidence=0.95, design_rate=1e-5)


def test_requirement_gives_cycles_and_limits():
    assert READY.stretch_cycles == 960
    assert READY.cell_limit == READY.limit() == failure_limit(960, 0.9)
    assert READY.limit(0.25) == failure_limit(960, 0.9, 0.25)


def test_requirement_turns_a_bound_into_a_proven_stretch_in_seconds():
    assert READY.proven_stretch_seconds(READY.cell_limit) == 8 * 3600.0
    assert READY.proven_stretch_seconds(READY.limit(0.25), 0.25) == 8 * 3600.0
    assert READY.proven_stretch_seconds(READY.limit(0.25)) == pytest.approx(
        4 * 8 * 3600.0, rel=1e-3
    )
    assert READY.proven_stretch_seconds(1.0) == 0.0
    assert READY.proven_stretch_seconds(0.0) is None


def test_proven_seconds_do_not_pick_up_float_dust():
    quick = Requirement(8, 0.1, chance=0.9, confidence=0.95, design_rate=1e-9)
    assert quick.proven_stretch_seconds(failure_limit(3, 0.9)) == 0.3


def test_a_stretch_with_a_part_of_a_cycle_over_is_proven_with_its_cycles():
    ready = Requirement(1.5, 42, chance=0.9, confidence=0.95, design_rate=1e-5)
    assert ready.stretch_cycles == 128
    assert 128 * 42 < 1.5 * 3600
    assert ready.proven_stretch_seconds(ready.cell_limit) == 1.5 * 3600
    assert ready.proven_stretch_seconds(failure_limit(127, 0.9)) == 127 * 42
    assert ready.proven_stretch_seconds(failure_limit(129, 0.9)) == 129 * 42


def test_devices_at_their_design_rates_make_a_cell_at_its_own():
    assert READY.design() == pytest.approx(1e-5, rel=1e-15)
    good = math.fsum(math.log1p(-READY.design(share)) for share in (0.5, 0.3, 0.2))
    # 1e-14: three logarithms
    assert good == pytest.approx(math.log1p(-1e-5), rel=1e-14)
    # 1 - 0.75^(1/2) = 0.1339746, by pocket calculator
    half = dataclasses.replace(READY, design_rate=0.25).design(0.5)
    assert half == pytest.approx(0.1339746, abs=5e-8)
    with pytest.raises(InvalidValueError, match="share must be above 0 and at most 1, got 0"):
        READY.design(0)


def test_requirement_is_frozen():
    with pytest.raises(dataclasses.FrozenInstanceError):
        READY.chance = 0.5


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"stretch_hours": 0}, "stretch_hours must be a number above 0, got 0"),
        ({"cycle_seconds": -30}, "cycle_seconds must be a number above 0, got -30"),
        ({"chance": 1}, "chance must be above 0 and below 1, got 1"),
        ({"confidence": 95}, "confidence must be above 0 and below 1, got 95"),
        ({"design_rate": 0}, "design_rate must be above 0 and below 1, got 0"),
        ({"stretch_hours": 0.005}, "stretch_hours must hold at least one cycle of 30 s, got 0.005"),
    ],
)
def test_a_requirement_that_cannot_be_meant_is_refused(change, message):
    with pytest.raises(InvalidValueError) as caught:
        dataclasses.replace(READY, **change)
    assert str(caught.value) == message


def test_a_stretch_of_one_cycle_is_enough():
    assert dataclasses.replace(READY, stretch_hours=30 / 3600).stretch_cycles == 1


# Shifts for a number of cycles.


@pytest.mark.parametrize(
    ("cycles", "seconds", "hours", "shifts"),
    [
        (0, 30, 8, 0),
        (1, 30, 8, 1),
        (960, 30, 8, 1),
        (961, 30, 8, 2),
        (27_296, 30, 8, 29),
        (3, 3600, 1, 3),
        (10**9, 0.1, 8, 3473),
    ],
)
def test_shifts_are_counted_in_full_ones(cycles, seconds, hours, shifts):
    assert shifts_needed(cycles, seconds, hours) == shifts


def test_a_shift_has_eight_hours_unless_said_otherwise():
    assert shifts_needed(961, 30) == shifts_needed(961, 30, 8) == 2


@pytest.mark.parametrize(
    ("cycles", "seconds", "hours", "message"),
    [
        (-1, 30, 8, "cycles must be a whole number of at least 0, got -1"),
        (1, 0, 8, "cycle_seconds must be a number above 0, got 0"),
        (1, 30, 0, "shift_hours must be a number above 0, got 0"),
        (1, 3601, 1, "shift_hours must hold at least one cycle of 3601 s, got 1"),
    ],
)
def test_shifts_need_numbers_in_range(cycles, seconds, hours, message):
    with pytest.raises(InvalidValueError, match=message):
        shifts_needed(cycles, seconds, hours)
