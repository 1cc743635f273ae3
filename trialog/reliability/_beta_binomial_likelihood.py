"""The likelihood of beta-binomial groups, on trusted input.

A group's rate is drawn anew from a beta(a, b) distribution with mean a / (a + b); the correlation
between two cycles of one group is 1 / (a + b + 1). With mean m, x = m / t, y = (1 - m) / t and
s = 1 / t for t = correlation / (1 - correlation), the log likelihood is a sum of
R(x, k) + R(y, n - k) - R(s, n) with R(x, j) = log gamma(x + j) - log gamma(x). Written as below,
R keeps its digits when t is small and x is large.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple, TypeVar

import numpy as np
import numpy.typing as npt
from scipy import optimize, special

from trialog.reliability._beta import stirling_error

Floats = npt.NDArray[np.float64]

LOG_ODDS = np.linspace(-18, 12, 61)
"""Where a search for the correlation begins: the best of these log odds."""

NEAR = 1e-4
"""Slope of the log likelihood at which the search ends."""

ROOT = 1e-12
"""Relative distance to the root of the slope."""

Result = TypeVar("Result")


class Groups(NamedTuple):
    """Failed, good and all cycles of each group."""

    failed: Floats
    good: Floats
    cycles: Floats


def log_rise(x: float, j: Floats) -> Floats:
    """Return log gamma(x + j) - log gamma(x) - j log x, for x above 0."""
    over = stirling_error(x + j) - stirling_error(np.array([x]))
    return np.asarray((x + j - 0.5) * np.log1p(j / x) - j + over)


def log_likelihood(groups: Groups, mean: float, odds: float) -> float:
    """Return the log likelihood, without its constant, at a mean and odds of the correlation."""
    x, y, s = mean / odds, (1 - mean) / odds, 1 / odds
    risen = log_rise(x, groups.failed) + log_rise(y, groups.good) - log_rise(s, groups.cycles)
    return binomial_log_likelihood(groups, mean) + float(risen.sum())


def binomial_log_likelihood(groups: Groups, mean: float) -> float:
    """Return the log likelihood without correlation, without its constant."""
    failed, good = groups.failed.sum(), groups.good.sum()
    return float(special.xlogy(failed, mean) + special.xlog1py(good, -mean))


def log_ways(groups: Groups) -> float:
    """Return the constant: the log of the ways to place the failures in their groups."""
    beta = special.betaln(groups.failed + 1, groups.good + 1)
    return float(-(np.log(groups.cycles + 1) + beta).sum())


def most_likely(groups: Groups) -> tuple[float, float]:
    """Return the mean and the odds of the correlation that fit best; odds 0 where none helps.

    From the best of several odds a search for the top, then the slope's root: the likelihood's
    rounding hides where the top is, the slope's does not.
    """
    pooled = float(groups.failed.sum() / groups.cycles.sum())
    tried = [log_likelihood(groups, pooled, float(np.exp(at))) for at in LOG_ODDS]
    if max(tried) <= binomial_log_likelihood(groups, pooled) + rounding(groups):
        return pooled, 0.0
    start = np.array([special.logit(pooled), LOG_ODDS[int(np.argmax(tried))]])
    depth, slope = _of_logits(groups, _depth), _of_logits(groups, _slope)
    rough = optimize.minimize(depth, start, jac=slope, method="BFGS", tol=NEAR).x
    fine = optimize.root(slope, rough, tol=ROOT).x
    best = fine if depth(fine) <= depth(rough) + rounding(groups) else rough
    return float(special.expit(best[0])), float(np.exp(best[1]))


def rounding(groups: Groups) -> float:
    """Return a gain in log likelihood that rounding alone may make."""
    return 1e-14 * float(groups.cycles.sum()) + 1e-9


def _of_logits(
    groups: Groups, function: Callable[[Groups, float, float], Result]
) -> Callable[[Floats], Result]:
    """Return `function` of the log odds of the mean and the log of the odds."""
    return lambda at: function(groups, float(special.expit(at[0])), float(np.exp(at[1])))


def _depth(groups: Groups, mean: float, odds: float) -> float:
    return -log_likelihood(groups, mean, odds)


def _slope(groups: Groups, mean: float, odds: float) -> Floats:
    """Return the slope of the depth by the log odds of the mean and by the log of `odds`."""
    x, y, s = mean / odds, (1 - mean) / odds, 1 / odds
    failed = float((special.digamma(x + groups.failed) - special.digamma(x)).sum())
    good = float((special.digamma(y + groups.good) - special.digamma(y)).sum())
    cycles = float((special.digamma(s + groups.cycles) - special.digamma(s)).sum())
    return np.array([x * (1 - mean) * (good - failed), x * failed + y * good - s * cycles])
