"""Exact bounds, many in one call and one at a time."""

from __future__ import annotations

import numpy as np
from scipy.stats import binomtest
from statsmodels.stats.proportion import proportion_confint

from trialog.reliability import failure_rate_bounds

MANY = 100_000


def counts(most_cycles, rate):
    """Random counts with some failures, but not only failures."""
    rng = np.random.default_rng(20240501)
    cycles = rng.integers(100, most_cycles, MANY)
    return np.clip(rng.binomial(cycles, rate), 1, cycles - 1), cycles


def race_many(race, failures, cycles):
    race(
        ours=lambda: failure_rate_bounds(failures, cycles, sides="both"),
        other=lambda: proportion_confint(failures, cycles, method="beta"),
        bar=1.2,
    )


def bench_few_failures(race):
    """100,000 exact intervals, 0 to 30 failures; statsmodels."""
    race_many(race, *counts(100_000, 1e-4))


def bench_all_shares(race):
    """100,000 exact intervals, up to 2,000 cycles; statsmodels."""
    rng = np.random.default_rng(20240501)
    cycles = rng.integers(1, 2_000, MANY)
    race_many(race, rng.integers(0, cycles + 1), cycles)


def bench_many_failures(race):
    """100,000 exact intervals, up to 10 million cycles; statsmodels."""
    race_many(race, *counts(10_000_000, 0.01))


def bench_one_upper_bound(race):
    """One exact upper bound; scipy."""
    race(
        ours=lambda: failure_rate_bounds(3, 1920),
        other=lambda: binomtest(3, 1920, alternative="less").proportion_ci(0.95, method="exact"),
        bar=5,
    )


def bench_one_interval(race):
    """One exact interval; scipy."""
    race(
        ours=lambda: failure_rate_bounds(3, 1920, sides="both"),
        other=lambda: binomtest(3, 1920).proportion_ci(0.95, method="exact"),
        bar=5,
    )
