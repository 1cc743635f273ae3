"""The chance that a bound is ever on the wrong side of the true rate, if it is looked at always.

It is worked out, not simulated: a run goes from cycle to cycle over the number of failures so
far, and a run that has ever seen its bound below the true rate is taken out.
"""

from __future__ import annotations

import numpy as np
from scipy import stats

from trialog.reliability import Method, failure_rate_bounds


def first_wrong(
    method: Method, confidence: float, rate: float, failures: int, cycles: int
) -> np.ndarray:
    """For each number of failures, the fewest cycles at which the bound lies below the rate.

    More cycles lower the bound, so halving finds them. `cycles` + 1 stands for never.
    """
    k = np.arange(failures + 1)
    low, high = k.copy(), np.full(k.shape, cycles + 1)
    while (low < high).any():
        middle = (low + high) // 2
        bounds = failure_rate_bounds(
            np.minimum(k, middle), middle, confidence=confidence, method=method
        )
        wrong = (bounds.upper < rate) & (k <= middle)
        high = np.where(wrong, middle, high)
        low = np.where(wrong | (low == high), low, middle + 1)
    return high


def ever_wrong(method: Method, confidence: float, rate: float, cycles: int = 50_000) -> float:
    """P(the bound is ever below the rate within so many cycles), from the lattice of counts."""
    most = int(stats.binom.isf(1e-13, cycles, rate)) + 1
    crossing = first_wrong(method, confidence, rate, most, cycles)
    alive, at, wrong = np.array([1.0]), 0, 0.0
    for lost in np.unique(crossing):
        # Between two crossings no run is taken out, so the cycles there are crossed in one step.
        stop = min(lost, cycles)
        steps = np.arange(min(most, stop - at) + 1)
        alive = np.convolve(alive, stats.binom.pmf(steps, stop - at, rate))[: most + 1]
        at = stop
        out = np.flatnonzero(crossing[: alive.size] <= at)
        wrong += alive[out].sum()
        alive[out] = 0.0
    return float(wrong)
