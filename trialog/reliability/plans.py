"""Plans fixed before the trial: how many cycles, how many failures are allowed."""

from __future__ import annotations

from bisect import bisect_left
from itertools import count

import numpy as np
from scipy import special

from trialog.errors import InvalidValueError
from trialog.reliability import _checks, _exact, _tails
from trialog.reliability.fixed import ANY_CYCLES, Decision, FixedPlan

__all__ = [
    "ANY_CYCLES",
    "Decision",
    "FixedPlan",
    "cycles_for_allowed",
    "fixed_plan",
    "zero_failure_cycles",
    "zero_failure_plan",
]

MOST_ALLOWED = 20_000
"""Most failures a fixed plan may allow; beyond it no shop would wait for the end."""

BLOCK = 500
"""Allowed failures tried at a time in the search for a plan."""


def zero_failure_cycles(limit: float, confidence: float) -> int:
    """Count the clean cycles that rule a failure rate out.

    Parameters
    ----------
    limit : float
        Failure rate per cycle to rule out; above 0, below 1.
    confidence : float
        Confidence required; above 0, below 1.

    Returns
    -------
    int
        The smallest n with (1 - limit)^n <= 1 - confidence. The numbers are compared as typed,
        in decimals, so n - 1 does not hold it.

    Raises
    ------
    InvalidValueError
        If an argument lies outside its range.

    References
    ----------
    Success-run formula; the exact binomial bound of Clopper and Pearson (1934), Biometrika
    26:404-413, at 0 failures.

    Examples
    --------
    >>> from trialog.reliability import zero_failure_cycles
    >>> zero_failure_cycles(0.05, 0.95), zero_failure_cycles(0.5, 0.75)
    (59, 2)
    """
    limit, confidence = _checks.inside("limit", limit), _checks.inside("confidence", confidence)
    return _exact.fewest_cycles(limit, confidence)


def cycles_for_allowed(limit: float, confidence: float, allowed: int) -> int:
    """Count the cycles that rule a failure rate out although some failures came.

    Parameters
    ----------
    limit : float
        Failure rate per cycle to rule out; above 0, below 1.
    confidence : float
        Confidence required; above 0, below 1.
    allowed : int
        Failures allowed, at least 0.

    Returns
    -------
    int
        The smallest n with P(K <= allowed; n, limit) <= 1 - confidence; ties hold.

    Raises
    ------
    InvalidValueError
        If an argument lies outside its range.

    References
    ----------
    Exact binomial demonstration test; Clopper and Pearson (1934). With limit = 1 - confidence
    = 0.05 these are the sample sizes of Wilks (1941), Annals of Mathematical Statistics
    12:91-96.

    Examples
    --------
    >>> from trialog.reliability import cycles_for_allowed
    >>> [cycles_for_allowed(0.05, 0.95, allowed) for allowed in range(4)]
    [59, 93, 124, 153]
    """
    allowed = _checks.whole("allowed", allowed, 0)
    fewest = zero_failure_cycles(limit, confidence)
    if allowed == 0:
        return fewest
    risk = 1 - _exact.decimal_of(confidence)
    low = allowed + 1

    def rules_out(cycles: int) -> bool:
        return _tails.excess(allowed, cycles, limit, risk) <= 0

    high = next(end for power in count() if rules_out(end := low + (fewest << power)))
    return low + bisect_left(range(low, high), True, key=rules_out)


def zero_failure_plan(limit: float, confidence: float, design: float | None = None) -> FixedPlan:
    """Make the shortest plan: no failure allowed.

    Parameters
    ----------
    limit, confidence : float
        As in `zero_failure_cycles`.
    design : float, optional
        Failure rate per cycle of a device that should pass; above 0, below limit. The plan's
        `good_pass` is then that device's chance of GO.

    Returns
    -------
    FixedPlan

    Raises
    ------
    InvalidValueError
        If an argument lies outside its range.

    References
    ----------
    As in `zero_failure_cycles`.

    Examples
    --------
    >>> from trialog.reliability import failure_limit, zero_failure_plan
    >>> zero_failure_plan(failure_limit(960, 0.9), 0.95).cycles
    27296
    """
    cycles = zero_failure_cycles(limit, confidence)
    if design is None:
        return FixedPlan(cycles, 0, limit, None, confidence, None)
    _checks.inside("design", design, limit, "limit")
    good_pass = _tails.at_most(0, cycles, design)
    return FixedPlan(cycles, 0, limit, design, confidence, good_pass)


def fixed_plan(limit: float, design: float, *, confidence: float, good_pass: float) -> FixedPlan:
    """Make the shortest fixed plan that a bad device rarely and a good one mostly passes.

    Parameters
    ----------
    limit : float
        Failure rate per cycle to rule out; above 0, below 1.
    design : float
        Failure rate per cycle of a device that should pass; above 0, below limit.
    confidence : float
        P(GO at limit) is at most 1 - confidence; above 0, below 1.
    good_pass : float
        P(GO at design) is at least this; above 0, below 1.

    Returns
    -------
    FixedPlan
        The smallest number of cycles, with its allowed failures, that holds both exact
        binomial risks. For each number of allowed failures the fewest cycles that rule the
        limit out also pass a good device most often, and they grow with that number, so the
        first one that passes often enough is the shortest.

    Raises
    ------
    InvalidValueError
        If an argument lies outside its range, or design is so near to limit that more than
        20,000 failures would have to be allowed.

    References
    ----------
    Two-point plan on the exact operating characteristic: NIST/SEMATECH e-Handbook, section
    6.2.3.1; Guenther (1969), J. Quality Technology 1:105-109.

    Examples
    --------
    >>> from trialog.reliability import fixed_plan
    >>> plan = fixed_plan(0.01, 0.002, confidence=0.9, good_pass=0.9)
    >>> plan.cycles, plan.allowed_failures
    (531, 2)
    """
    limit = _checks.inside("limit", limit)
    design = _checks.inside("design", design, limit, "limit")
    confidence = _checks.inside("confidence", confidence)
    good_pass = _checks.inside("good_pass", good_pass)
    wanted = _exact.decimal_of(good_pass)
    first = _first_likely(limit, design, confidence, good_pass)
    for allowed in range(first, MOST_ALLOWED + 1):
        cycles = cycles_for_allowed(limit, confidence, allowed)
        if _tails.excess(allowed, cycles, design, wanted) >= 0:
            return FixedPlan(cycles, allowed, limit, design, confidence, good_pass)
    rule = f"lie further below limit ({limit}), or {MOST_ALLOWED:,} allowed failures are too few"
    raise InvalidValueError("design", rule, design)


def _first_likely(limit: float, design: float, confidence: float, good_pass: float) -> int:
    """Find quickly, in floats, a number of allowed failures below which no plan holds.

    Rounding may move the negative binomial quantile by one cycle, so the good device is given
    a cycle less to pass; the caller's exact comparison decides.
    """
    from scipy import stats  # noqa: PLC0415 - slow to import, and few need it

    for start in range(0, MOST_ALLOWED + 1, BLOCK):
        allowed = np.arange(start, start + BLOCK)
        good_cycles = np.maximum(stats.nbinom.ppf(confidence, allowed + 1, limit), 1)
        likely = special.betaincc(allowed + 1, good_cycles, design) >= good_pass - _tails.DOUBT
        if likely.any():
            return start + int(likely.argmax())
    return MOST_ALLOWED + 1
