"""Whether failures come more often as the trial goes on, or less."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy import special

from trialog.reliability import _checks
from trialog.reliability._positions import (
    FEWEST,
    Positions,
    Termination,
    Ties,
    Times,
    informative,
    places,
    sorted_places,
    times,
)

EXACT_MOST = 300
"""Failures up to which reverse arrangements are counted exactly, which takes some 20 ms there; the
normal tail is off by less than 0.0003 from there on."""


@dataclass(frozen=True)
class TrendResult:
    """Result of a trend test on the positions of failures.

    `statistic` is about standard normal without a trend, above 0 when failures crowd towards
    the end. `p_worsening` and `p_improving` are the one-sided p values. All three are None
    with fewer than two failures.
    """

    statistic: float | None
    p_worsening: float | None
    p_improving: float | None
    failures: int
    cycles: int


@dataclass(frozen=True)
class ChiSquareTrendResult:
    """Result of the MIL-HDBK-189 trend test.

    `statistic` is chi-square with `degrees` degrees of freedom without a trend: large when
    failures crowd towards the start, small when they crowd towards the end. `p_worsening` is its
    lower and `p_improving` its upper tail. All four are None with fewer than two failures.
    """

    statistic: float | None
    degrees: int | None
    p_worsening: float | None
    p_improving: float | None
    failures: int
    cycles: float


@dataclass(frozen=True)
class ArrangementsResult:
    """Result of the reverse arrangement test.

    `reversals` counts the pairs of intervals between failures of which the later one is longer,
    `ties` the pairs of one length; `z` is the normal statistic of `reversals`, above 0 when
    intervals grow. `p_worsening` and `p_improving` are the one-sided p values. All but
    `failures` are None with fewer than two failures.
    """

    reversals: int | None
    ties: int | None
    z: float | None
    p_worsening: float | None
    p_improving: float | None
    failures: int


def laplace_test(
    positions: Positions, cycles: int, *, termination: Termination = "time"
) -> TrendResult:
    """Test the failures of a trial for a trend, by the mean of their positions.

    Parameters
    ----------
    positions : sequence of int, shape (k,)
        Cycle numbers of the failures, each once, from 1 to cycles, in any order.
    cycles : int
        Cycles of the trial, at least 0.
    termination : {"time", "failure"}
        "time": the trial ended at a number of cycles, so that every failure counts. "failure":
        it ended at its last failure, which is the cycle `cycles` and is left out.

    Returns
    -------
    TrendResult
        With the statistic U = (mean(positions) - cycles / 2) / (cycles / sqrt(12 m)) over the
        m failures that count, and its one-sided normal p values. By convention the figures are
        None with fewer than two failures.

    Raises
    ------
    InvalidValueError
        If a position is not a whole number from 1 to cycles, or appears twice; if the trial
        ended at a failure and `cycles` is not the last one.

    Notes
    -----
    The formula is the one for continuous time. A failure is placed at the end of its cycle,
    half a cycle late on average, which moves U by sqrt(3 m) / cycles: nothing at the counts
    that a trial has.

    References
    ----------
    Cox and Lewis (1966), The Statistical Analysis of Series of Events, section 3.3;
    NIST/SEMATECH e-Handbook, section 8.2.3.4.

    Examples
    --------
    >>> from trialog.reliability import laplace_test
    >>> trend = laplace_test([700, 820, 910, 980], cycles=1000)
    >>> round(trend.statistic, 3), round(trend.p_worsening, 4)
    (2.442, 0.0073)
    """
    cycles = _checks.whole("cycles", cycles, 0)
    ordered = np.sort(places(positions, cycles))
    counted, failures = informative(ordered, cycles, termination), ordered.size
    if failures < FEWEST:
        return TrendResult(None, None, None, failures, cycles)
    statistic = float((counted.mean() / cycles - 0.5) * np.sqrt(12 * counted.size))
    worsening, improving = special.ndtr([-statistic, statistic]).tolist()
    return TrendResult(statistic, worsening, improving, failures, cycles)


def mil_hdbk_189_test(
    positions: Times, cycles: float, *, termination: Termination = "time", ties: Ties = "refuse"
) -> ChiSquareTrendResult:
    """Test the failures of a trial for a trend, by the logarithms of their positions.

    It is the most powerful test where the rate follows a power of the cycles, as
    `power_law_growth` fits it; `laplace_test` is where the rate grows exponentially.

    Parameters
    ----------
    positions : sequence of float, shape (k,)
        Cycle numbers of the failures, or times in any unit; above 0, at most cycles, in any
        order.
    cycles : float
        Length of the trial in the same unit, at least 0.
    termination : {"time", "failure"}
        "time": the trial ended at a number of cycles, so that every failure counts. "failure":
        it ended at its last failure, which is at `cycles` and is left out.
    ties : {"refuse", "keep"}
        A cycle fails once, so a position that appears twice is refused. "keep" is for times
        that were rounded, such as dates: each entry is a failure of its own. Nothing in the
        statistic depends on the gap between two failures.

    Returns
    -------
    ChiSquareTrendResult
        With the statistic 2 sum(ln(cycles / position)) over the m failures that count, on 2 m
        degrees of freedom, and its two tails. By convention the figures are None with fewer
        than two failures.

    Raises
    ------
    InvalidValueError
        If a position lies outside its range or appears twice; if the trial ended at a failure
        and `cycles` is not the last one.

    Notes
    -----
    The formula is the one for continuous time. A failure is placed at the end of its cycle,
    which lowers the statistic by about ln(2 pi cycles) / cycles for each failure.

    References
    ----------
    MIL-HDBK-189 (1981), Reliability Growth Management, appendix C (from memory);
    NIST/SEMATECH e-Handbook, section 8.2.3.4.

    Examples
    --------
    >>> from trialog.reliability import mil_hdbk_189_test
    >>> trend = mil_hdbk_189_test([700, 820, 910, 980], cycles=1000)
    >>> round(trend.statistic, 3), trend.degrees, round(trend.p_worsening, 4)
    (1.339, 8, 0.0049)
    """
    ordered, end = times(positions, cycles, ties)
    counted, failures = informative(ordered, end, termination), ordered.size
    if failures < FEWEST:
        return ChiSquareTrendResult(None, None, None, None, failures, end)
    statistic, degrees = float(2 * np.log(end / counted).sum()), 2 * counted.size
    # chi-square on 2 m degrees is twice a gamma variable of shape m
    worsening = float(special.gammainc(counted.size, statistic / 2))
    improving = float(special.gammaincc(counted.size, statistic / 2))
    return ChiSquareTrendResult(statistic, degrees, worsening, improving, failures, end)


def reverse_arrangements_test(positions: Positions, cycles: int) -> ArrangementsResult:
    """Test the intervals between failures for a trend, by counting which pairs grow.

    Parameters
    ----------
    positions : sequence of int, shape (k,)
        Cycle numbers of the failures, each once, from 1 to cycles, in any order. The intervals
        are from the start to the first failure and from each failure to the next.
    cycles : int
        Cycles of the trial, at least 0; those after the last failure are not used.

    Returns
    -------
    ArrangementsResult
        With z = (R - k (k - 1) / 4) / sqrt(k (k - 1) (2 k + 5) / 72) for R reversals. The p
        values are exact up to 300 failures and normal from there on, off by less than 0.0003
        then. Intervals of one length could have been in either order: `p_improving`
        takes such pairs as shrinking, `p_worsening` as growing, so neither is too small.
        By convention the figures are None with fewer than two failures.

    Raises
    ------
    InvalidValueError
        If a position is not a whole number from 1 to cycles, or appears twice.

    References
    ----------
    NIST/SEMATECH e-Handbook, section 8.2.3.4 (reverse arrangement test). The exact
    distribution is that of Kendall's score: Kendall (1938), Biometrika 30, 81-93.

    Examples
    --------
    >>> from trialog.reliability import reverse_arrangements_test
    >>> result = reverse_arrangements_test([500, 800, 950, 1000, 1020], cycles=1100)
    >>> result.reversals, round(result.p_worsening, 4)
    (0, 0.0083)
    """
    cycles = _checks.whole("cycles", cycles, 0)
    ordered = sorted_places(positions, cycles)
    failures = ordered.size
    if failures < FEWEST:
        return ArrangementsResult(None, None, None, None, None, failures)
    intervals = np.diff(ordered, prepend=0)
    grown, p_improving = _growing_pairs(intervals, -1, "greater")
    most, p_worsening = _growing_pairs(intervals, 1, "less")
    pairs = failures * (failures - 1) / 2
    z = (grown - pairs / 2) / np.sqrt(pairs * (2 * failures + 5) / 36)
    return ArrangementsResult(grown, most - grown, float(z), p_worsening, p_improving, failures)


def _growing_pairs(
    intervals: npt.NDArray[np.int64], tie: int, alternative: Literal["greater", "less"]
) -> tuple[int, float]:
    """Count the pairs that grow and give the tail, ties taken as growing (1) or shrinking (-1)."""
    from scipy import stats  # noqa: PLC0415 - slow to import, and few need it

    index = np.arange(intervals.size)
    ranks = np.empty_like(index)
    ranks[np.lexsort((tie * index, intervals))] = index
    method: Literal["exact", "asymptotic"] = "exact" if index.size <= EXACT_MOST else "asymptotic"
    score = stats.kendalltau(index, ranks, method=method, alternative=alternative)
    pairs = index.size * (index.size - 1) // 2
    return round((1 + score.statistic) * pairs / 2), float(score.pvalue)
