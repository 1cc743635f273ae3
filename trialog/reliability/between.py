"""A chart of cycles between failures, with limits from the geometric distribution."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from trialog.reliability import _checks, _exact
from trialog.reliability._positions import Positions, sorted_places

TAIL = 0.00135
"""Chance beyond each limit, that of 3 sigma on a normal chart; common practice, no source."""


@dataclass(frozen=True)
class BetweenLimits:
    """Limits for the number of good cycles between two failures at a constant rate.

    Fewer than `lower` or more than `upper` is a signal; `chance_below` and `chance_above` are
    the exact chances of a false one, each at most `tail`. `mean` is the centre. `g_chart_lower`
    and `g_chart_upper` are the classic limits, mean plus and minus 3 sigma, for comparison.
    """

    rate: float
    tail: float
    mean: float
    lower: int
    upper: int
    chance_below: float
    chance_above: float
    g_chart_lower: float
    g_chart_upper: float


@dataclass(frozen=True)
class BetweenChart:
    """Good cycles between failures, and the failures at which they break a limit.

    `between` has one number a failure, the first counted from the start of the trial; `since`
    counts the good cycles since the last failure. `short` and `long` name, by cycle number, the
    failures that came below the lower or above the upper limit. `limits` is None where there is
    no rate to take them from.
    """

    between: tuple[int, ...]
    since: int
    short: tuple[int, ...]
    long: tuple[int, ...]
    limits: BetweenLimits | None


def between_limits(rate: float, *, tail: float = TAIL) -> BetweenLimits:
    """Give the limits for the number of good cycles between two failures.

    Parameters
    ----------
    rate : float
        Failures per cycle; above 0, at most 1.
    tail : float
        Largest chance of a false signal at each limit; above 0, below 0.5.

    Returns
    -------
    BetweenLimits
        With Y geometric, P(Y >= y) = (1 - rate)^y: lower is the smallest y with
        P(Y <= y) >= tail, upper the smallest with P(Y > y) <= tail; both compared in decimals.
        A lower limit of 0 is one that no number of cycles breaks, which is so at rates above
        `tail`. The classic limits are mean plus and minus 3 sqrt(mean (mean + 1)), the lower
        one cut off at 0, where it always is: it can never signal a worsening, and the upper
        one is broken by chance at 1.8 % of failures when the rate is small. At rate 1 all
        are 0.

    Raises
    ------
    InvalidValueError
        If an argument lies outside its range.

    References
    ----------
    Quantiles of the geometric distribution: Kaminsky, Benneyan, Davis and Burke (1992),
    Journal of Quality Technology 24, 63-69, for the classic limits (from memory).

    Examples
    --------
    >>> from trialog.reliability import between_limits
    >>> limits = between_limits(1e-3)
    >>> limits.lower, limits.upper, round(limits.g_chart_upper)
    (1, 6604, 3997)
    """
    rate = _checks.part("rate", rate)
    tail = _checks.inside("tail", tail, 0.5, "one half")
    mean = (1 - rate) / rate
    top = mean + 3 * math.sqrt(mean * (mean + 1))
    if rate == 1:
        return BetweenLimits(rate, tail, mean, 0, 0, 0.0, 0.0, 0.0, top)
    lower = _exact.fewest_cycles(rate, tail) - 1
    upper = _exact.fewest_cycles(rate, _exact.complement(tail)) - 1
    below = -math.expm1(lower * math.log1p(-rate))
    above = math.exp((upper + 1) * math.log1p(-rate))
    return BetweenLimits(rate, tail, mean, lower, upper, below, above, 0.0, top)


def cycles_between_failures(
    positions: Positions, cycles: int, *, rate: float | None = None, tail: float = TAIL
) -> BetweenChart:
    """Chart the good cycles between failures against limits for a constant rate.

    Parameters
    ----------
    positions : sequence of int, shape (k,)
        Cycle numbers of the failures, each once, from 1 to cycles, in any order.
    cycles : int
        Cycles of the trial, at least 0.
    rate : float, optional
        Failures per cycle that the limits are for, above 0, at most 1: a known rate, or that
        of an earlier trial. Without it they are for k / cycles, which the failures charted
        have a part in: the chances of a false signal are then not exact.
    tail : float
        As in `between_limits`.

    Returns
    -------
    BetweenChart
        A failure right after another has 0 good cycles between them. By convention there are
        no limits, and no signals, without failures and without a rate.

    Raises
    ------
    InvalidValueError
        If an argument lies outside its range or a position appears twice.

    References
    ----------
    As `between_limits`. k / cycles is the maximum likelihood estimate for a trial of a number
    of cycles fixed beforehand.

    Examples
    --------
    >>> from trialog.reliability import cycles_between_failures
    >>> chart = cycles_between_failures([4000, 9001, 9003], 12000, rate=5e-4, tail=0.01)
    >>> chart.between, chart.since, chart.short, chart.limits.lower
    ((3999, 5000, 1), 2997, (9003,), 20)
    """
    cycles = _checks.whole("cycles", cycles, 0)
    failed = sorted_places(positions, cycles)
    between = np.diff(failed, prepend=0) - 1
    since = cycles - int(failed[-1]) if failed.size else cycles
    known = failed.size / cycles if rate is None and failed.size else rate
    if known is None:
        _checks.inside("tail", tail, 0.5, "one half")
        return BetweenChart((), since, (), (), None)
    limits = between_limits(known, tail=tail)
    short = tuple(failed[between < limits.lower].tolist())
    long = tuple(failed[between > limits.upper].tolist())
    return BetweenChart(tuple(between.tolist()), since, short, long, limits)
