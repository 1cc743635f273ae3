"""How much the failure rate varies between groups of cycles (shifts, operators, lots)."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import special

from trialog.reliability._beta_binomial_likelihood import (
    Groups,
    binomial_log_likelihood,
    log_likelihood,
    log_ways,
    most_likely,
)
from trialog.reliability._groups import Counts, with_cycles


@dataclass(frozen=True)
class BetaBinomialFit:
    """Failure rates that vary from group to group, by maximum likelihood.

    `mean` is the mean failure rate per cycle, None without cycles; `correlation` that between
    two cycles of one group, 0 for groups that vary no more than chance lets them.
    `log_likelihood` is that of the counts at the fit, `statistic` twice what it gains over one
    common rate, `p_value` that of the likelihood-ratio test. `groups` counts those with cycles.
    """

    mean: float | None
    correlation: float
    log_likelihood: float
    statistic: float
    p_value: float
    groups: int


@dataclass(frozen=True)
class TaroneResult:
    """Tarone's Z and the chance of a larger one without a difference between the groups."""

    z: float
    p_value: float


def beta_binomial_fit(failures: Counts, cycles: Counts) -> BetaBinomialFit:
    """Fit a failure rate that is drawn anew for each group from a beta distribution.

    Parameters
    ----------
    failures, cycles : sequence of int, shape (g,)
        Failed and counted cycles of each group, 0 <= failures <= cycles; at most 999,999,999
        cycles together. Groups without cycles are left out.

    Returns
    -------
    BetaBinomialFit
        The p value is half of the chi-square tail with one degree of freedom, since a
        correlation of 0 lies at the end of its range [2]_; it is approximate, and 1 at a
        statistic of 0. By convention the correlation is 0, with the pooled rate as mean, where
        groups vary less than chance lets them, and for fewer than two groups with cycles, no
        failures, nothing but failures, or groups of one cycle only. If in every group either
        no cycle failed or all did, the correlation is 1 and the mean the share of the groups
        that failed.

    Raises
    ------
    InvalidValueError
        If a count is not a whole number in its range or the shapes differ.

    References
    ----------
    .. [1] Griffiths (1973), Maximum likelihood estimation for the beta-binomial distribution,
       Biometrics 29:637-648.
    .. [2] Self and Liang (1987), J. American Statistical Association 82:605-610, case 5.

    Examples
    --------
    >>> from trialog.reliability import beta_binomial_fit
    >>> fit = beta_binomial_fit([0, 1, 0, 9, 2], [400, 410, 390, 400, 400])
    >>> round(fit.mean, 4), round(fit.correlation, 4), round(fit.p_value, 4)
    (0.006, 0.0117, 0.0008)
    """
    k, n = with_cycles(failures, cycles)
    groups = Groups(k.astype(float), (n - k).astype(float), n.astype(float))
    if n.size == 0:
        return BetaBinomialFit(None, 0.0, 0.0, 0.0, 1.0, 0)
    pooled = float(k.sum() / n.sum())
    ways, common = log_ways(groups), binomial_log_likelihood(groups, pooled)
    mean, correlation, best = _best(groups, pooled, common)
    statistic = 2 * (best - common)
    p_value = float(special.chdtrc(1, statistic)) / 2 if statistic > 0 else 1.0
    return BetaBinomialFit(mean, correlation, best + ways, statistic, p_value, n.size)


def _best(groups: Groups, pooled: float, common: float) -> tuple[float, float, float]:
    """Return mean, correlation and log likelihood where that is largest."""
    if groups.cycles.size < 2 or pooled in {0.0, 1.0} or groups.cycles.max() == 1:
        return pooled, 0.0, common
    if not (groups.failed * groups.good).any():
        return _all_or_nothing(groups)
    mean, odds = most_likely(groups)
    if odds == 0:
        return pooled, 0.0, common
    return mean, odds / (1 + odds), log_likelihood(groups, mean, odds)


def _all_or_nothing(groups: Groups) -> tuple[float, float, float]:
    """Return the fit where each group failed in all of its cycles or in none.

    P(all failed) is at most the mean and P(none failed) at most 1 - mean, both equal at a
    correlation of 1: each group counts once.
    """
    share = float((groups.failed > 0).mean())
    once = np.ones(groups.cycles.size)
    failed = (groups.failed > 0).astype(float)
    return share, 1.0, binomial_log_likelihood(Groups(failed, once - failed, once), share)


def tarone_z(failures: Counts, cycles: Counts) -> TaroneResult:
    """Test whether groups vary more than one common failure rate lets them.

    Parameters
    ----------
    failures, cycles : sequence of int, shape (g,)
        Failed and counted cycles of each group, 0 <= failures <= cycles; at most 999,999,999
        cycles together. Groups without cycles are left out.

    Returns
    -------
    TaroneResult
        Z = (sum of (k - n p)^2 / (p (1 - p)) - sum of n) / sqrt(2 sum of n (n - 1)), p the
        pooled rate: the slope of the beta-binomial log likelihood at a correlation of 0, in
        standard errors. The p value is the upper tail of the normal distribution; it is
        approximate, and poor with few groups. By convention z is 0 and the p value 1 for fewer
        than two groups, no failures, nothing but failures, or groups of one cycle only.

    Raises
    ------
    InvalidValueError
        If a count is not a whole number in its range or the shapes differ.

    References
    ----------
    Tarone (1979), Testing the goodness of fit of the binomial distribution, Biometrika
    66:585-590.

    Examples
    --------
    >>> from trialog.reliability import tarone_z
    >>> result = tarone_z([0, 1, 0, 9, 2], [400, 410, 390, 400, 400])
    >>> round(result.z, 3), result.p_value < 1e-8
    (5.993, True)
    """
    k, n = with_cycles(failures, cycles)
    total, size = int(k.sum()), int(n.sum())
    pairs = float((n * (n - 1.0)).sum())
    if n.size < 2 or total in {0, size} or pairs == 0:
        return TaroneResult(0.0, 1.0)
    rate = total / size
    excess = float(((k - n * rate) ** 2).sum()) / (rate * (1 - rate)) - size
    z = excess / math.sqrt(2 * pairs)
    return TaroneResult(z, float(special.ndtr(-z)))
