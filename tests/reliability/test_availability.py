"""How often a cell stops, how long clearing takes, and the share of time that it runs."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats
from support.published import read_published

from trialog.errors import InvalidValueError
from trialog.reliability import (
    MeanTime,
    StopRate,
    availability_bounds,
    mean_time_bounds,
    stop_rate_bounds,
)

EXACT = [row for row in read_published("6-poisson-mtbf") if row.quantity.startswith("exact Pois")]
GARWOOD = {row.id: row for row in EXACT if "garwood" in row.id}

# Stops per cycle.


@pytest.mark.parametrize("row", EXACT, ids=str)
def test_the_bounds_are_the_published_ones_of_a_poisson_count(row):
    stops, cycles = row.inputs["x"], 1000
    bounds = stop_rate_bounds(stops, cycles, confidence=row.inputs["conf"])
    side = row.quantity.rsplit(" ", 1)[1]
    row.check(getattr(bounds, side) * cycles / row.inputs.get("T", 1))


def test_a_bound_leaves_the_observed_count_its_share_of_the_error():
    found = stop_rate_bounds(7, 500, confidence=0.9)
    assert stats.poisson.sf(6, found.lower * 500) == pytest.approx(0.05, rel=1e-9)
    assert stats.poisson.cdf(7, found.upper * 500) == pytest.approx(0.05, rel=1e-9)


def test_more_stops_than_cycles_are_possible():
    assert stop_rate_bounds(12, 4).estimate == 3.0


def test_no_stop_leaves_a_rate_possible():
    found = stop_rate_bounds(0, 1000)
    assert (found.estimate, found.lower) == (0.0, 0.0)
    assert found.upper == pytest.approx(-math.log(0.025) / 1000, rel=1e-12)


def test_without_cycles_nothing_is_known_of_the_rate():
    assert stop_rate_bounds(0, 0) == StopRate(0, 0, 0.95, None, 0.0, math.inf)


# The mean clear time.


@pytest.mark.parametrize(
    ("count", "lower", "upper"), [(1, "0-hi", None), (2, "1-hi", "2-lo"), (6, "5-hi", None)]
)
def test_bounds_on_a_mean_are_published_poisson_limits_turned_over(count, lower, upper):
    """A time of n events at a rate is the Poisson process seen from its other side."""
    found = mean_time_bounds(100.0, count)
    GARWOOD[f"T6-garwood-{lower}"].check(100.0 / found.lower)
    if upper:
        GARWOOD[f"T6-garwood-{upper}"].check(100.0 / found.upper)


@pytest.mark.parametrize("count", [1, 5, 80])
def test_twice_the_total_by_the_mean_is_chi_square(count):
    found = mean_time_bounds(100.0, count, confidence=0.9)
    chi = stats.chi2(2 * count)
    assert found.lower == pytest.approx(200 / chi.ppf(0.95), rel=1e-9)
    assert found.upper == pytest.approx(200 / chi.ppf(0.05), rel=1e-9)


def test_without_a_time_nothing_is_known_of_the_mean():
    assert mean_time_bounds(0, 0) == MeanTime(0, 0.0, 0.95, None, 0.0, math.inf)


def test_times_of_nothing_have_a_mean_of_nothing():
    found = mean_time_bounds(0, 3)
    assert (found.estimate, found.lower, found.upper) == (0.0, 0.0, 0.0)


# The share of time that the cell runs.


def test_availability_is_up_time_by_up_and_down_time():
    found = availability_bounds(4, 1000, 30.0, clear_seconds=600.0, timed=4)
    assert found.estimate == pytest.approx(30_000 / 30_600, rel=1e-12)


def test_its_bounds_take_both_parts_at_half_of_the_error():
    found = availability_bounds(9, 2000, 45.0, clear_seconds=480.0, timed=8, confidence=0.9)
    rate = stop_rate_bounds(9, 2000, confidence=0.95)
    clearing = mean_time_bounds(480.0, 8, confidence=0.95)
    assert (found.rate, found.clearing) == (rate, clearing)
    assert found.lower == pytest.approx(45 / (45 + rate.upper * clearing.upper), rel=1e-12)
    assert found.upper == pytest.approx(45 / (45 + rate.lower * clearing.lower), rel=1e-12)


@pytest.mark.parametrize("shape", [1.0, 3.0])
def test_the_interval_holds_at_least_as_often_as_stated(shape):
    """Clear times exponential, and of less spread (gamma); 2,000 seeded shifts."""
    rng, cycles, rate, mean, shifts = np.random.default_rng(20_240_501), 900, 0.01, 70.0, 2000
    true = 30.0 / (30.0 + rate * mean)
    held = 0
    for stops in rng.binomial(cycles, rate, shifts):
        total = float(rng.gamma(shape, mean / shape, stops).sum())
        found = availability_bounds(
            int(stops), cycles, 30.0, clear_seconds=total, timed=int(stops), confidence=0.9
        )
        held += found.lower <= true <= found.upper
    # A method that held exactly 90 % would fall below this once in 1,000 seeds.
    assert held >= stats.binom(shifts, 0.9).ppf(0.001)


def test_without_a_stop_the_cell_ran_all_the_time_and_may_not_always():
    found = availability_bounds(0, 1000, 30.0, clear_seconds=0, timed=0)
    assert (found.estimate, found.lower, found.upper) == (1.0, 0.0, 1.0)


def test_of_stops_that_nobody_timed_nothing_follows():
    found = availability_bounds(3, 1000, 30.0, clear_seconds=0, timed=0)
    assert (found.estimate, found.lower, found.upper) == (None, 0.0, 1.0)


def test_without_cycles_nothing_is_known_of_it():
    found = availability_bounds(0, 0, 30.0, clear_seconds=0, timed=0)
    assert (found.estimate, found.lower, found.upper) == (None, 0.0, 1.0)


GIVEN = {"stops": 3, "cycles": 10, "cycle_seconds": 30.0, "clear_seconds": 60.0, "timed": 2}


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"stops": -1}, "stops must be between 0 and"),
        ({"stops": 1.5}, "stops must be"),
        ({"cycles": -1}, "cycles must be"),
        ({"cycle_seconds": 0}, "cycle_seconds must be a number above 0"),
        ({"timed": 4}, "timed must be between 0 and stops \\(3\\)"),
        ({"clear_seconds": -1}, "total must be at least 0"),
        ({"clear_seconds": math.inf}, "total must be a number of at least 0"),
        ({"timed": 0}, "total must be at least 0, and 0 where nothing was timed"),
        ({"confidence": 1}, "confidence must"),
        ({"confidence": 0.0001}, "confidence must"),
    ],
)
def test_bad_input_is_named(wrong, words):
    with pytest.raises(InvalidValueError, match=words):
        availability_bounds(**GIVEN | wrong)
