"""Stops of a cell that runs alone: how many to expect, and limits that allow some."""

from __future__ import annotations

import math
import sys
from decimal import Decimal, localcontext

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats

from trialog.errors import InvalidValueError
from trialog.reliability import (
    ExpectedStops,
    expected_stops,
    failure_limit,
    failure_rate_bounds,
    limit_with_stops,
    share_of_limit,
    stop_free_cycles,
    stretch_with_stops,
)

seeded = settings(derandomize=True, database=None, deadline=None, max_examples=60)
chances = st.floats(0.01, 0.9999)


def chance_of_at_most(stops, cycles, rate):
    """The binomial sum in decimals, with the numbers as typed."""
    with localcontext(prec=60):
        bad = Decimal(repr(rate))
        return sum(
            math.comb(cycles, k) * bad**k * (1 - bad) ** (cycles - k) for k in range(stops + 1)
        )


# Stops to expect.


def test_stops_to_expect_are_the_rate_times_the_cycles():
    bounds = failure_rate_bounds(3, 1920, confidence=0.9, sides="both")
    stops = expected_stops(bounds, 960)
    assert stops == ExpectedStops(960, 0.9, 960 * bounds.lower, 1.5, 960 * bounds.upper)


def test_a_side_left_open_stays_open():
    assert expected_stops(failure_rate_bounds(3, 1920), 960).lower == 0.0
    assert expected_stops(failure_rate_bounds(3, 1920, sides="lower"), 960).upper == 960.0


def test_no_failures_leave_stops_possible():
    stops = expected_stops(failure_rate_bounds(0, 960), 960)
    # 960 (1 - 0.05^(1/960)) = 2.99106, near the rule of three
    assert (stops.estimate, stops.lower) == (0.0, 0.0)
    assert stops.upper == pytest.approx(2.9911, abs=5e-5)


def test_without_cycles_every_cycle_may_stop():
    stops = expected_stops(failure_rate_bounds(0, 0), 960)
    assert (stops.lower, stops.estimate, stops.upper) == (0.0, None, 960.0)


def test_nothing_but_failures_stop_every_cycle():
    stops = expected_stops(failure_rate_bounds(5, 5), 960)
    assert (stops.estimate, stops.upper) == (960.0, 960.0)


def test_a_stretch_of_no_cycles_has_no_stops():
    stops = expected_stops(failure_rate_bounds(5, 50), 0)
    assert (stops.lower, stops.estimate, stops.upper) == (0.0, 0.0, 0.0)


def test_the_stretch_must_be_a_whole_number():
    with pytest.raises(InvalidValueError, match="cycles must be a whole number of at least 0"):
        expected_stops(failure_rate_bounds(5, 50), -1)


# The limit.


@seeded
@given(st.integers(1, 10_000_000), chances)
def test_no_stop_allowed_gives_the_limit_of_a_stop_free_stretch(cycles, chance):
    assert limit_with_stops(cycles, chance, 0) == failure_limit(cycles, chance)


@pytest.mark.parametrize(
    ("cycles", "chance", "allowed"),
    [(960, 0.9, 1), (960, 0.9, 5), (5, 0.3, 4), (10_000, 0.999, 2), (10**6, 0.5, 300)],
)
def test_limit_as_a_solver_finds_it_on_another_librarys_sum(cycles, chance, allowed):
    solved = optimize.brentq(
        lambda rate: stats.binom.cdf(allowed, cycles, rate) - chance, 1e-12, 1 - 1e-12, xtol=1e-15
    )
    # 1e-8: what the solver's absolute tolerance and that sum leave
    assert limit_with_stops(cycles, chance, allowed) == pytest.approx(solved, rel=1e-8)


@pytest.mark.parametrize(
    ("cycles", "chance", "limit"), [(2, 0.75, 0.5), (2, 0.99, 0.1), (2, 0.91, 0.3)]
)
def test_a_limit_that_is_a_short_decimal_is_that_decimal(cycles, chance, limit):
    # with one stop of two cycles allowed: 1 - p^2 = chance
    assert limit_with_stops(cycles, chance, 1) == limit
    assert stretch_with_stops(limit, chance, 1) == 2


@seeded
@given(
    st.integers(2, 60).flatmap(lambda n: st.tuples(st.just(n), st.integers(1, min(n - 1, 12)))),
    chances,
)
def test_limit_is_the_largest_float_that_holds(stretch, chance):
    cycles, allowed = stretch
    limit = limit_with_stops(cycles, chance, allowed)
    level = Decimal(repr(chance))
    # a tie is allowed for: equal to thirty digits counts as equal
    assert chance_of_at_most(allowed, cycles, limit) >= level - Decimal("1e-29")
    assert chance_of_at_most(allowed, cycles, math.nextafter(limit, 1)) < level


@seeded
@given(st.integers(2, 10**9), st.integers(1, 20), chances)
def test_limit_and_stretch_are_each_others_inverse(cycles, allowed, chance):
    limit = limit_with_stops(cycles, chance, min(allowed, cycles - 1))
    assert stretch_with_stops(limit, chance, min(allowed, cycles - 1)) == cycles
    above = math.nextafter(limit, 1)
    assert above == 1 or stretch_with_stops(above, chance, min(allowed, cycles - 1)) < cycles


@seeded
@given(st.integers(2, 100_000), st.integers(0, 50), chances)
def test_more_stops_allowed_never_lower_the_limit(cycles, allowed, chance):
    assert limit_with_stops(cycles, chance, allowed) < limit_with_stops(
        cycles, chance, allowed + 1
    ) or (allowed >= cycles)


@pytest.mark.parametrize("allowed", [3, 4, 10_000])
def test_as_many_stops_as_cycles_allow_any_rate(allowed):
    assert limit_with_stops(3, 0.9, allowed) == 1.0


def test_a_limit_next_to_1_stays_below_it():
    # 1 - p^2 = 1e-17
    assert limit_with_stops(2, 1e-17, 1) == math.nextafter(1, 0)


def test_ten_thousand_stops_are_allowed_at_most():
    # about 10,000 / 1,000,000 less 1.28 standard deviations of 100
    assert limit_with_stops(10**6, 0.9, 10_000) == pytest.approx(0.0098737, abs=5e-8)
    with pytest.raises(InvalidValueError) as caught:
        limit_with_stops(10**6, 0.9, 10_001)
    assert str(caught.value) == (
        "allowed_stops must be between 0 and the most that may be allowed (10000), got 10001"
    )


# The stretch.


@seeded
@given(st.floats(1e-9, 0.999), chances)
def test_no_stop_allowed_gives_the_stop_free_stretch(rate, chance):
    assert stretch_with_stops(rate, chance, 0) == stop_free_cycles(rate, chance)


@seeded
@given(st.floats(0.02, 0.99), st.integers(1, 6), chances)
def test_the_stretch_holds_and_one_cycle_more_does_not(rate, allowed, chance):
    cycles = stretch_with_stops(rate, chance, allowed)
    level = Decimal(repr(chance))
    assert chance_of_at_most(allowed, cycles, rate) >= level - Decimal("1e-29")
    assert chance_of_at_most(allowed, cycles + 1, rate) < level


def test_stops_within_the_stretch_of_two_hundred_cycles_by_table():
    # Poisson(1) holds at most 1 with 0.7358, at most 2 with 0.9197 (any table): n p is about 1
    assert stretch_with_stops(1e-6, 0.7358, 1) == pytest.approx(10**6, rel=2e-4)
    assert stretch_with_stops(1e-6, 0.9197, 2) == pytest.approx(10**6, rel=2e-4)


@pytest.mark.parametrize(
    ("rate", "allowed", "cycles"), [(0, 0, None), (0.0, 3, None), (1, 0, 0), (1.0, 3, 3)]
)
def test_the_stretch_at_the_ends_of_the_scale(rate, allowed, cycles):
    assert stretch_with_stops(rate, 0.9, allowed) == cycles


def test_the_smallest_rate_of_a_stretch():
    # P(K <= 1) = 0.9 at n p = 0.53181 (Poisson)
    assert stretch_with_stops(1e-12, 0.9, 1) == pytest.approx(0.53181e12, rel=1e-5)
    for rate in (9.9e-13, sys.float_info.min):
        with pytest.raises(InvalidValueError) as caught:
            stretch_with_stops(rate, 0.9, 1)
        assert str(caught.value) == f"rate must be 0 or at least 1e-12, got {rate}"


# Shares.


@pytest.mark.parametrize("share", [0.01, 0.25, 1 / 3, 0.9])
def test_a_share_of_the_stop_free_limit_is_the_devices_own(share):
    part = share_of_limit(failure_limit(960, 0.9), share)
    own = failure_limit(960, 0.9, share)
    assert part <= own
    # 1e-15: the cell's limit was rounded before it was shared
    assert part == pytest.approx(own, rel=1e-15, abs=0)


@pytest.mark.parametrize(
    ("limit", "share", "part"), [(0.19, 0.5, 0.1), (0.271, 1 / 3, None), (0.75, 0.5, 0.5)]
)
def test_a_share_that_is_a_short_decimal_is_that_decimal(limit, share, part):
    # a float third is a little less than one: 0.1 falls a little short
    expected = share_of_limit(limit, share)
    assert expected == part if part else 0.1 - 1e-15 < expected < 0.1


@seeded
@given(st.floats(1e-12, 0.999))
def test_the_whole_is_the_limit_and_parts_multiply_to_it(limit):
    assert share_of_limit(limit, 1) == limit
    with localcontext(prec=60):
        good = 1 - Decimal(repr(share_of_limit(limit, 0.25)))
        more = 1 - Decimal(repr(math.nextafter(share_of_limit(limit, 0.25), 1)))
        cell = 1 - Decimal(repr(limit))
        assert good**4 >= cell * (1 - Decimal("1e-29"))
        assert more**4 < cell


def test_the_tiniest_limit_can_be_shared():
    assert share_of_limit(1e-300, 0.5) == pytest.approx(5e-301, rel=1e-15)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: limit_with_stops(0, 0.9, 1), "cycles must be a whole number of at least 1, got 0"),
        (lambda: limit_with_stops(5, 1, 1), "chance must be above 0 and below 1, got 1"),
        (
            lambda: limit_with_stops(5, 0.9, -1),
            "allowed_stops must be between 0 and the most that may be allowed (10000), got -1",
        ),
        (lambda: stretch_with_stops(1.1, 0.9, 1), "rate must be between 0 and 1, got 1.1"),
        (lambda: stretch_with_stops(0.1, 0, 1), "chance must be above 0 and below 1, got 0"),
        (
            lambda: stretch_with_stops(0.1, 0.9, 1.5),
            "allowed_stops must be between 0 and the most that may be allowed (10000), got 1.5",
        ),
        (lambda: share_of_limit(0, 0.5), "limit must be above 0 and below 1, got 0"),
        (lambda: share_of_limit(0.1, 0), "share must be above 0 and at most 1, got 0"),
    ],
)
def test_values_out_of_range_are_refused(call, message):
    with pytest.raises(InvalidValueError) as caught:
        call()
    assert str(caught.value) == message
