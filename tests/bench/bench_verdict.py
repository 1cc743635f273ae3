"""How long the mathematics of a verdict takes, and that it does not grow with the cycles."""

from __future__ import annotations

import numpy as np

from trialog.evidence.patterns import find_patterns
from trialog.reliability import failure_rate_bounds, sequential_plan, standing_under

FAILURES, SHIFTS = 1_000, 200


def judged(cycles: int) -> object:
    """All figures of a verdict of 1,000 failures: standing, bounds, trend and spread."""
    rng = np.random.default_rng(20240501)
    positions = np.sort(rng.choice(cycles, FAILURES, replace=False)) + 1
    in_shift = np.full(SHIFTS, cycles // SHIFTS)
    failed = np.histogram(positions, bins=SHIFTS, range=(0, cycles))[0]
    limit = 2 * FAILURES / cycles
    plan = sequential_plan(limit, limit / 10, confidence=0.95, good_pass=0.9)

    def verdict() -> object:
        return (
            standing_under(plan, positions, positions, cycles, confidence=0.95),
            failure_rate_bounds(FAILURES, cycles),
            list(find_patterns(positions, cycles, failed, in_shift, confidence=0.95)),
        )

    return verdict


def bench_verdict(within):
    """A verdict's figures from 1,000 failures in 5 million cycles."""
    within(judged(5_000_000), seconds=0.1)


def bench_verdict_of_a_hundred_times_the_cycles(race):
    """The same in 500 million cycles, against 5 million taken 1.3 times."""
    race(ours=judged(500_000_000), other=judged(5_000_000), bar=1 / 1.3)
