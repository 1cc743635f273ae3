"""Wald's lines of a sequential test between two rates, before truncation."""

from __future__ import annotations

import math
from dataclasses import dataclass

from trialog.reliability import _checks, _exact


@dataclass(frozen=True)
class WaldLines:
    """Wald's lines in the plane of cycles n and failures k, unrounded.

    GO at k <= slope n - go_intercept, NO-GO at k >= slope n + no_go_intercept. `slope` is in
    failures per cycle, the intercepts in failures. `cycles_at_design` and `cycles_at_limit` are
    Wald's figures for the mean number of cycles at the two rates, which leave out what a path
    runs past a line.
    """

    slope: float
    go_intercept: float
    no_go_intercept: float
    cycles_at_design: float
    cycles_at_limit: float


def wald_lines(limit: float, design: float, *, confidence: float, good_pass: float) -> WaldLines:
    """Give Wald's lines for a test of the design rate against the limit.

    Parameters
    ----------
    limit : float
        Failure rate per cycle to rule out; above 0, below 1.
    design : float
        Failure rate per cycle of a device that should pass; above 0, below limit.
    confidence : float
        1 - P(GO at limit); above 0, below 1.
    good_pass : float
        P(GO at design), above 1 - confidence, below 1.

    Returns
    -------
    WaldLines

    Raises
    ------
    InvalidValueError
        If an argument lies outside its range.

    References
    ----------
    Wald (1947), Sequential Analysis, section 5.3 (lines, with B = (1 - confidence) / good_pass
    and A = confidence / (1 - good_pass)) and equation A:72 (mean sample size), from memory;
    NIST/SEMATECH e-Handbook, section 6.2.6.

    Examples
    --------
    >>> from trialog.reliability import wald_lines
    >>> lines = wald_lines(0.1, 0.01, confidence=0.9, good_pass=0.95)
    >>> round(lines.go_intercept, 3), round(lines.no_go_intercept, 3), round(lines.slope, 4)
    (0.939, 1.205, 0.0397)
    """
    limit = _checks.inside("limit", limit)
    design = _checks.inside("design", design, limit, "limit")
    confidence = _checks.inside("confidence", confidence)
    bad_pass = _exact.complement(confidence)
    good_pass = _checks.between("good_pass", good_pass, bad_pass, "1 - confidence")
    good_stop = _exact.complement(good_pass)
    failure, good = math.log(limit / design), math.log1p(-design) - math.log1p(-limit)
    low, high = math.log(bad_pass / good_pass), math.log(confidence / good_stop)
    drift_at_design = design * failure - (1 - design) * good
    drift_at_limit = limit * failure - (1 - limit) * good
    return WaldLines(
        slope=good / (failure + good),
        go_intercept=-low / (failure + good),
        no_go_intercept=high / (failure + good),
        cycles_at_design=(good_pass * low + good_stop * high) / drift_at_design,
        cycles_at_limit=(bad_pass * low + confidence * high) / drift_at_limit,
    )
