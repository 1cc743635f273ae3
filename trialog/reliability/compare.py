"""Whether two revisions or conditions fail at different rates, and by what ratio."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from trialog.errors import InvalidValueError
from trialog.reliability import _boschloo, _checks, _exact
from trialog.reliability._hypergeometric import SMALLEST, dealt
from trialog.reliability._odds_ratio import conditional_odds_ratio
from trialog.reliability.bounds import MOST_COUNTED, failure_rate_bounds

MOST_FAILURES = 2_000
"""Failures of both groups together, or good cycles; a fraction of a second."""

TOTAL_RULE = f"be at most {MOST_FAILURES:,} together, or all but {MOST_FAILURES:,} cycles"


@dataclass(frozen=True)
class RateComparison:
    """Two failure rates side by side.

    `a_worse` and `b_worse` are p values of the claim that one group fails more often, `differ`
    of the claim that the rates differ either way: by Fisher's test and by Boschloo's. `ratio` is
    the rate of a over that of b, `odds_ratio` the most likely ratio of the odds; None where
    nothing is known of it.
    """

    failures_a: int
    cycles_a: int
    failures_b: int
    cycles_b: int
    confidence: float
    fisher_a_worse: float
    fisher_b_worse: float
    fisher_differ: float
    boschloo_a_worse: float
    boschloo_b_worse: float
    boschloo_differ: float
    ratio: float | None
    ratio_lower: float
    ratio_upper: float
    odds_ratio: float | None
    odds_lower: float
    odds_upper: float


def compare_rates(
    failures_a: int,
    cycles_a: int,
    failures_b: int,
    cycles_b: int,
    *,
    confidence: float = 0.95,
) -> RateComparison:
    """Compare the failure rates of two groups of cycles.

    Parameters
    ----------
    failures_a, cycles_a, failures_b, cycles_b : int
        Failed and counted cycles of each group, 0 <= failures <= cycles, at most
        1,000,000,000 cycles together. The failures of both groups together, or else their good
        cycles, are at most 2,000.
    confidence : float
        Confidence of the two-sided intervals, from 0.001 to 1 - 1e-12.

    Returns
    -------
    RateComparison
        fisher: given the total of failures, the chance of as many or more in one group; for
        `differ` the chance of all counts no more likely than the observed one [1]_.
        boschloo: the chance, at the common rate where it is largest, of a table with as small
        a Fisher p value [2]_; over the rates that the total leaves plausible, whose error of
        1e-6 is added [3]_. `differ` is twice the smaller one. Valid, like Fisher's, for any
        counts; one-sided as a rule smaller, but never below 1e-6.
        ratio: with the exact interval given the total of failures, which takes the counts for
        Poisson ones [4]_. For counts of cycles it holds at least as often as stated.
        odds_ratio: most likely value and exact interval given the total [5]_.
        By convention p values are 1 where a group has no cycles, no cycle failed or all did;
        Fisher's are never below 1e-300. Without cycles in a group, or without failures, the
        ratio is None, from 0 to inf; with failures in one group only it is 0 or inf. The same
        holds of the odds ratio, and of good cycles.

    Raises
    ------
    InvalidValueError
        If a count is not a whole number in its range, there are too many failures and good
        cycles, or the confidence is out of its range.

    References
    ----------
    .. [1] Fisher (1935), The Design of Experiments, section 5; two-sided by least likelihood:
       Agresti (2013), Categorical Data Analysis, third edition, section 3.5.
    .. [2] Boschloo (1970), Statistica Neerlandica 24:1-9.
    .. [3] Berger and Boos (1994), J. American Statistical Association 89:1012-1016.
    .. [4] Przyborowski and Wilenski (1940), Biometrika 31:313-323; limits of Clopper and
       Pearson (1934) for the share of failures that fell in group a.
    .. [5] Cornfield (1956), A statistical problem arising from retrospective studies, Third
       Berkeley Symposium 4:135-148.

    Examples
    --------
    >>> from trialog.reliability import compare_rates
    >>> result = compare_rates(14, 1900, 2, 2100)
    >>> round(result.fisher_differ, 5), round(result.boschloo_differ, 5)
    (0.00159, 0.00135)
    >>> round(result.ratio, 2), round(result.ratio_lower, 2), round(result.ratio_upper, 1)
    (7.74, 1.78, 70.1)
    """
    k_a, n_a = _counts("a", failures_a, cycles_a)
    k_b, n_b = _counts("b", failures_b, cycles_b)
    total, size = k_a + k_b, n_a + n_b
    if size > MOST_COUNTED:
        raise InvalidValueError("cycles", f"be at most {MOST_COUNTED:,} together", size)
    if min(total, size - total) > MOST_FAILURES:
        raise InvalidValueError("failures", TOTAL_RULE, total)
    ratio = _ratio(k_a, n_a, k_b, n_b, confidence)
    table = (k_a, n_a, k_b, n_b)
    if 2 * total > size:  # fewer good cycles: b's good ones take the place of a's failures
        table = (n_b - k_b, n_b, n_a - k_a, n_a)
    error = _exact.complement(confidence) / 2
    odds = conditional_odds_ratio(table[0], table[1], table[0] + table[2], table[3], error)
    return RateComparison(
        k_a, n_a, k_b, n_b, float(confidence), *_fisher(*table), *_both(*table), *ratio, *odds
    )


def _counts(group: str, failures: object, cycles: object) -> tuple[int, int]:
    name = f"cycles_{group}"
    n = _checks.whole(name, cycles, 0)
    return _checks.whole(f"failures_{group}", failures, 0, n, name), n


def _fisher(k_a: int, n_a: int, k_b: int, n_b: int) -> tuple[float, float, float]:
    """Return Fisher's p values: a worse, b worse, different."""
    chances = dealt(n_a, n_b, np.array([k_a + k_b]))
    more, fewer = _boschloo.fisher_tails(chances)[:, 0, k_a]
    unlikely = chances[0] <= chances[0, k_a] * (1 + _boschloo.SLACK)
    either = min(chances[0, unlikely].sum(), 1.0)
    return max(float(more), SMALLEST), max(float(fewer), SMALLEST), max(float(either), SMALLEST)


def _both(k_a: int, n_a: int, k_b: int, n_b: int) -> tuple[float, float, float]:
    """Return Boschloo's p values: a worse, b worse, different."""
    if k_a + k_b == 0 or min(n_a, n_b) == 0:
        return 1.0, 1.0, 1.0
    a_worse, b_worse = (float(p) for p in _boschloo.one_sided(k_a, n_a, k_b, n_b))
    return a_worse, b_worse, min(1.0, 2 * min(a_worse, b_worse))


def _ratio(
    k_a: int, n_a: int, k_b: int, n_b: int, confidence: float
) -> tuple[float | None, float, float]:
    """Return the ratio of the rates and its exact bounds given the total of failures.

    Each share comes from its own bound, so that one near 1 loses no digits.
    """
    shares = [
        failure_rate_bounds(k, k_a + k_b, confidence=confidence, sides="both") for k in (k_a, k_b)
    ]
    if k_a + k_b == 0 or min(n_a, n_b) == 0:
        return None, 0.0, math.inf
    a, b = shares
    lower = a.lower / b.upper * (n_b / n_a)
    upper = a.upper / b.lower * (n_b / n_a) if k_b else math.inf
    return (k_a / n_a) / (k_b / n_b) if k_b else math.inf, lower, upper
