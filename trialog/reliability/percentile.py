"""Percentiles of measured times, with bounds that ask for no distribution."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import ROUND_CEILING
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import special

from trialog.errors import InvalidValueError
from trialog.reliability import _checks, _exact
from trialog.reliability.bounds import side_error

Values = Sequence[float] | npt.NDArray[np.floating[Any]] | npt.NDArray[np.integer[Any]]


@dataclass(frozen=True)
class PercentileBounds:
    """The value that `share` of all do not exceed: estimate and two-sided bounds.

    Each is one of the values themselves; `lower_rank` and `upper_rank` say which, counted from
    the smallest as 1. A side is None where there are too few values for it, the estimate where
    there are none.
    """

    count: int
    share: float
    confidence: float
    estimate: float | None
    lower: float | None
    upper: float | None
    lower_rank: int | None
    upper_rank: int | None


def percentile_bounds(
    values: Values, share: float, *, confidence: float = 0.95
) -> PercentileBounds:
    """Bound a percentile by the values in order.

    Parameters
    ----------
    values : sequence of float, shape (n,)
        Measured values, independent and of one distribution, whichever it is. May be empty.
    share : float
        0.9 for the 90th percentile; above 0, below 1.
    confidence : float
        Confidence of the two-sided interval, from 0.001 to 1 - 1e-12; half of the error is
        spent on each side.

    Returns
    -------
    PercentileBounds
        estimate: the smallest value that at least that share of the values do not exceed.
        lower: the highest value that lies above the percentile with at most half the error.
        upper: the lowest value that lies below it with at most half the error. Where values
        are equal, the interval holds all the more often. A side that no value can hold is None:
        an upper bound of the 90th percentile at 95 % takes 36 values.

    Raises
    ------
    InvalidValueError
        If a value is not a finite number, there is more than one row of them, or another
        argument is out of its range.

    References
    ----------
    Order statistics: David and Nagaraja (2003), Order Statistics, third edition, section 7.1.
    The estimate is the inverse of the empirical distribution function (definition 1 of Hyndman
    and Fan 1996, American Statistician 50:361-365).

    Examples
    --------
    >>> from trialog.reliability import percentile_bounds
    >>> found = percentile_bounds(range(1, 101), 0.9)
    >>> found.estimate, found.lower, found.upper
    (90.0, 84.0, 96.0)
    """
    ordered = np.sort(_finite(values))
    share = _checks.inside("share", share)
    n, error = ordered.size, side_error(confidence, "both")
    if n == 0:
        return PercentileBounds(0, share, float(confidence), None, None, None, None, None)
    below = special.bdtr(np.arange(n), n, share)  # P(B <= k), B binomial(n, share)
    reached = special.bdtrc(np.arange(n), n, share)  # P(B >= k + 1)
    lower_rank = int(np.count_nonzero(below <= error)) or None
    upper_rank = n + 1 - int(np.count_nonzero(reached <= error))
    middle = int((_exact.decimal_of(share) * n).to_integral_value(ROUND_CEILING))
    return PercentileBounds(
        count=n,
        share=share,
        confidence=float(confidence),
        estimate=float(ordered[middle - 1]),
        lower=None if lower_rank is None else float(ordered[lower_rank - 1]),
        upper=None if upper_rank > n else float(ordered[upper_rank - 1]),
        lower_rank=lower_rank,
        upper_rank=None if upper_rank > n else upper_rank,
    )


@dataclass(frozen=True)
class Within:
    """How many of some values are at most so much: `counts` of them at most each of `values`.

    `values` are the distinct ones, from the smallest; the last count is all of them.
    """

    values: npt.NDArray[np.float64]
    counts: npt.NDArray[np.int64]

    @property
    def shares(self) -> npt.NDArray[np.float64]:
        """The shares of all values, from above 0 to 1."""
        return self.counts / self.counts[-1] if self.counts.size else np.empty(0)


def values_within(values: Values) -> Within:
    """Count for each value how many do not exceed it: the empirical distribution function.

    Parameters
    ----------
    values : sequence of float, shape (n,)
        Measured values. May be empty.

    Returns
    -------
    Within
        A step for each distinct value; `percentile_bounds` takes its estimate from these.

    Raises
    ------
    InvalidValueError
        If a value is not a finite number, or there is more than one row of them.

    References
    ----------
    Definition; NIST/SEMATECH e-Handbook of Statistical Methods, section 1.3.5.16 (from memory).

    Examples
    --------
    >>> from trialog.reliability import values_within
    >>> found = values_within([40, 20, 40, 90])
    >>> found.values.tolist(), found.shares.tolist()
    ([20.0, 40.0, 90.0], [0.25, 0.75, 1.0])
    """
    distinct, times = np.unique(_finite(values), return_counts=True)
    return Within(distinct, np.cumsum(times, dtype=np.int64))


def _finite(values: Values) -> npt.NDArray[np.float64]:
    rule = "be one row of finite numbers"
    array = np.asarray(values if len(values) else np.empty(0))
    if array.ndim != 1 or array.dtype.kind not in "iuf":
        raise InvalidValueError("values", rule, values)
    if not np.isfinite(array).all():
        raise InvalidValueError("values", rule, array[~np.isfinite(array)][0].item())
    return array.astype(np.float64)
