"""Whether failures come in bursts: the number of runs of failed and of good cycles."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from trialog.reliability import _checks
from trialog.reliability._positions import Floats, Positions, sorted_places


@dataclass(frozen=True)
class RunsResult:
    """Result of the runs test.

    `runs` counts the unbroken runs of failed and of good cycles, `expected` is its mean when
    order is chance. `z` is the normal statistic, below 0 when failures cluster; `z_corrected`
    has a continuity correction. The p values are exact: `p_few` speaks for bursts, `p_many` for
    too even a spread. All but `runs`, `failures` and `cycles` are None where the number of runs
    is sure.
    """

    runs: int
    expected: float | None
    z: float | None
    z_corrected: float | None
    p_few: float | None
    p_many: float | None
    p_two_sided: float | None
    failures: int
    cycles: int


def runs_test(positions: Positions, cycles: int) -> RunsResult:
    """Test whether failed and good cycles are in random order, by the number of runs.

    Parameters
    ----------
    positions : sequence of int, shape (k,)
        Cycle numbers of the failures, each once, from 1 to cycles, in any order. For a 0/1
        sequence x they are `numpy.flatnonzero(x) + 1`.
    cycles : int
        Cycles of the trial, at least 0. The time taken goes with the failures or the good
        cycles, whichever are fewer.

    Returns
    -------
    RunsResult
        Given k failures and m good cycles, every order being equally likely, the number of
        runs has mean 1 + 2 k m / n and variance 2 k m (2 k m - n) / (n^2 (n - 1)); z has no
        continuity correction, z_corrected moves the number of runs by 0.5 towards the mean,
        not beyond it. p_few = P(R <= runs) and p_many = P(R >= runs) are exact;
        p_two_sided = min(1, 2 min(p_few, p_many)). By convention the figures are None where
        every order has the same number of runs: no cycles, no failures, nothing but failures,
        or one failure in two cycles.

    Raises
    ------
    InvalidValueError
        If a position is not a whole number from 1 to cycles, or appears twice.

    References
    ----------
    Wald and Wolfowitz (1940), Annals of Mathematical Statistics 11, 147-162, section 4, for
    the distribution; NIST/SEMATECH e-Handbook, section 1.3.5.13, for z.

    Examples
    --------
    >>> from trialog.reliability import runs_test
    >>> result = runs_test([11, 12, 13, 14, 31], cycles=40)
    >>> result.runs, round(result.z, 3), round(result.p_few, 4)
    (5, -3.602, 0.0042)
    """
    cycles = _checks.whole("cycles", cycles, 0)
    failed = sorted_places(positions, cycles)
    failures, runs = failed.size, _count(failed, cycles)
    twice = 2 * failures * (cycles - failures)
    if twice <= cycles:
        return RunsResult(runs, None, None, None, None, None, None, failures, cycles)
    expected = 1 + twice / cycles
    spread = math.sqrt(twice * (twice - cycles) / (cycles**2 * (cycles - 1)))
    away = runs - expected
    nearer = math.copysign(max(abs(away) - 0.5, 0.0), away)
    chances = _chances(failures, cycles - failures)
    few, many = float(chances[: runs - 1].sum()), float(chances[runs - 2 :].sum())
    both = min(1.0, 2 * min(few, many))
    z, corrected = away / spread, nearer / spread
    return RunsResult(runs, expected, z, corrected, few, many, both, failures, cycles)


def _count(failed: npt.NDArray[np.int64], cycles: int) -> int:
    """Count the runs: those of failures, and the good ones before, between and after them."""
    if not failed.size:
        return min(cycles, 1)
    between = int((np.diff(failed) > 1).sum())
    return 1 + 2 * between + int(failed[0] > 1) + int(failed[-1] < cycles)


def _chances(failures: int, good: int) -> Floats:
    """Return P(R = r) for r = 2, 3, ..., both counts at least 1.

    With a(j) = C(k - 1, j - 1) C(m - 1, j - 1), P(R = 2 j) goes with 2 a(j) and P(R = 2 j + 1)
    with a(j) (n - 2 j) / j. Each a follows from the one before by a ratio; taking them from
    one to the next and dividing by the sum keeps digits that factorials of n would lose.
    """
    pairs = np.arange(1, min(failures, good) + 1, dtype=np.float64)
    before = pairs[:-1]
    ratios = np.log((failures - before) / before) + np.log((good - before) / before)
    logs = np.concatenate(([0.0], np.cumsum(ratios)))
    weights = np.exp(logs - logs.max())
    even, odd = 2 * weights, weights * ((failures + good - 2 * pairs) / pairs)
    chances = np.column_stack((even, odd)).ravel()
    return np.asarray(chances / chances.sum())
