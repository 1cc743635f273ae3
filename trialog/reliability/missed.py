"""Failures that nobody logged: how many there are, and what they do to the bound.

In a spot check a second person watches some cycles and writes down the failures on their own.
Of the failures that the second person saw, the share that is missing in the log says how often
a failure goes unlogged.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from trialog.reliability import _checks, _exact
from trialog.reliability.bounds import Sides, failure_rate_bounds


@dataclass(frozen=True)
class MissRate:
    """Share of failures that go unlogged, from spot checks.

    `estimate` is spot_missed / spot_seen, None while no failure was seen. A side that was not
    asked for holds the end of the scale: `lower` 0.0 or `upper` 1.0.
    """

    spot_missed: int
    spot_seen: int
    confidence: float
    sides: Sides
    estimate: float | None
    lower: float
    upper: float


@dataclass(frozen=True)
class InflatedBound:
    """Upper bound on a failure rate per cycle of which only a part is logged.

    `logged_upper` bounds the rate of logged failures and `miss_upper` the share that goes
    unlogged, each with its part of the error. `estimate` is failures / cycles divided by
    1 - spot_missed / spot_seen, at most 1; None where nothing is known of either or where every
    failure seen was missed.
    """

    failures: int
    cycles: int
    spot_missed: int
    spot_seen: int
    confidence: float
    split: float
    estimate: float | None
    logged_upper: float
    miss_upper: float
    upper: float


def observer_miss_rate(
    spot_missed: int, spot_seen: int, *, confidence: float = 0.95, sides: Sides = "upper"
) -> MissRate:
    """Bound the share of failures that the person who logs misses.

    Parameters
    ----------
    spot_missed : int
        Failures that the second person saw and the log does not have, 0 <= spot_missed <=
        spot_seen.
    spot_seen : int
        Failures that the second person saw, at least 0. Failures in the log that the second
        person did not see are left out: they say how good the second person is.
    confidence : float
        Confidence of the bound, or of the interval for two sides; above 0, below 1.
    sides : {"upper", "lower", "both"}
        As in `failure_rate_bounds`.

    Returns
    -------
    MissRate
        Exact binomial bounds on the share. With no failure seen nothing is known: from 0 to 1.

    Raises
    ------
    InvalidValueError
        If an argument lies outside its range.

    Notes
    -----
    The two people must see failures independently of each other; then the second person's own
    misses do no harm, for they only make the sample smaller. Failures that are hard to see for
    both make the share look too small, and so does care taken because somebody looks on.

    References
    ----------
    Clopper and Pearson (1934), Biometrika 26:404-413. Two independent observers: the argument of
    Chandra Sekar and Deming (1949), J. American Statistical Association 44:101-115 (from memory).

    Examples
    --------
    >>> from trialog.reliability import observer_miss_rate
    >>> missed = observer_miss_rate(1, 20)
    >>> missed.estimate, round(missed.upper, 4)
    (0.05, 0.2161)
    """
    spot_seen = _checks.whole("spot_seen", spot_seen, 0)
    spot_missed = _checks.whole("spot_missed", spot_missed, 0, spot_seen, "spot_seen")
    bounds = failure_rate_bounds(spot_missed, spot_seen, confidence=confidence, sides=sides)
    return MissRate(
        spot_missed=spot_missed,
        spot_seen=spot_seen,
        confidence=bounds.confidence,
        sides=sides,
        estimate=bounds.estimate,
        lower=bounds.lower,
        upper=bounds.upper,
    )


def inflated_upper_bound(
    failures: int,
    cycles: int,
    spot_missed: int,
    spot_seen: int,
    *,
    confidence: float = 0.95,
    split: float = 0.5,
) -> InflatedBound:
    """Bound the failure rate per cycle when some failures go unlogged.

    Parameters
    ----------
    failures, cycles : int
        Logged failed cycles and counted cycles, 0 <= failures <= cycles.
    spot_missed, spot_seen : int
        As in `observer_miss_rate`.
    confidence : float
        Confidence of the result; above 0, below 1.
    split : float
        Part of the error 1 - confidence that the bound on the share missed may use; above 0,
        below 1. The bound on the logged rate has the rest.

    Returns
    -------
    InflatedBound
        `upper` is logged_upper / (1 - miss_upper), at most 1. It is 1 where nothing is known (no
        cycles, or no failure seen in spot checks) and where every failure seen was missed.

    Raises
    ------
    InvalidValueError
        If an argument lies outside its range.

    Notes
    -----
    Of a true rate p the log has p (1 - m), m being the share missed. Both exact bounds hold at
    once with at least the stated confidence, whatever the dependence between the log and the
    spot checks (Bonferroni), and then so does their quotient. It is wide: at 95 % its coverage,
    summed exactly over grids of rates and shares missed, lay above 99 %. The log must hold no
    failures that did not happen. Leave out of it what only the spot check brought to light, or
    the miss is counted twice, which is safe but wide.

    References
    ----------
    Bonferroni's inequality; Clopper and Pearson (1934), Biometrika 26:404-413, for both bounds.
    The combination is ours.

    Examples
    --------
    >>> from trialog.reliability import failure_rate_bounds, inflated_upper_bound
    >>> round(failure_rate_bounds(2, 5000).upper, 6)
    0.001259
    >>> round(inflated_upper_bound(2, 5000, 0, 40).upper, 6)
    0.001584
    """
    split = _checks.inside("split", split)
    error = 1 - _exact.decimal_of(_checks.inside("confidence", confidence))
    miss_error = error * _exact.decimal_of(split)
    logged = failure_rate_bounds(failures, cycles, confidence=float(1 - error + miss_error))
    missed = observer_miss_rate(spot_missed, spot_seen, confidence=float(1 - miss_error))
    return InflatedBound(
        failures=logged.failures,
        cycles=logged.cycles,
        spot_missed=missed.spot_missed,
        spot_seen=missed.spot_seen,
        confidence=float(confidence),
        split=split,
        estimate=_true_rate(logged.failures, logged.cycles, missed),
        logged_upper=logged.upper,
        miss_upper=missed.upper,
        upper=1.0 if missed.upper == 1 else min(logged.upper / (1 - missed.upper), 1.0),
    )


def _true_rate(failures: int, cycles: int, missed: MissRate) -> float | None:
    """Return the logged rate over the share that is logged."""
    caught = missed.spot_seen - missed.spot_missed
    if cycles == 0 or caught == 0:
        return None
    return float(min(Fraction(failures * missed.spot_seen, cycles * caught), Fraction(1)))
