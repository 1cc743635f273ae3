"""Chances of stop-free stretches: the band, its ends, and the requirement it crosses."""

from __future__ import annotations

import numpy as np
import pytest

from trialog.errors import InvalidValueError
from trialog.reliability import failure_rate_bounds, stop_free_chances, stop_free_cycles

LENGTHS = [0, 1, 10, 960, 100_000]


def test_each_chance_is_a_power_of_the_good_cycles_share():
    rate = failure_rate_bounds(3, 5_000, sides="both")
    chances = stop_free_chances(rate, LENGTHS)
    for found, value in ((chances.estimate, rate.estimate), (chances.lower, rate.upper),
                         (chances.upper, rate.lower)):  # fmt: skip
        # 1e-9: a power of a number close to 1, worked out in another way
        assert found == pytest.approx((1 - value) ** np.array(LENGTHS), rel=1e-9)
    assert (chances.lower <= chances.estimate).all()
    assert (chances.estimate <= chances.upper).all()


def test_the_lower_chance_crosses_what_is_asked_where_the_proven_stretch_ends():
    rate = failure_rate_bounds(1, 5_000)
    proven = stop_free_cycles(rate.upper, 0.9)
    lower = stop_free_chances(rate, [proven, proven + 1]).lower
    assert lower[0] >= 0.9 > lower[1]


def test_without_failures_the_upper_chance_stays_at_one():
    chances = stop_free_chances(failure_rate_bounds(0, 500, sides="both"), LENGTHS)
    assert chances.upper.tolist() == chances.estimate.tolist() == [1.0] * len(LENGTHS)
    assert chances.lower[-1] < 1e-100


def test_where_all_failed_no_cycle_gets_through():
    chances = stop_free_chances(failure_rate_bounds(5, 5, sides="both"), LENGTHS)
    assert chances.estimate.tolist() == [1.0, 0.0, 0.0, 0.0, 0.0]


def test_without_cycles_nothing_is_known():
    chances = stop_free_chances(failure_rate_bounds(0, 0, sides="both"), [0, 5])
    assert chances.estimate is None
    assert (chances.lower.tolist(), chances.upper.tolist()) == ([1.0, 0.0], [1.0, 1.0])


def test_a_length_below_0_is_refused():
    with pytest.raises(InvalidValueError, match="cycles must be a whole number of at least 0"):
        stop_free_chances(failure_rate_bounds(0, 5), [-1])
