"""The cell made of devices that were proven apart.

Devices that ran in the same cycles need none of this: count the cycles in which any of them
failed, and bound that count with `failure_rate_bounds`. It asks for no independence between the
devices and is exact.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Literal, get_args

import numpy as np
import numpy.typing as npt

from trialog.errors import InvalidValueError
from trialog.reliability import _checks, _exact
from trialog.reliability._beta_products import Floats, beta_product_upper
from trialog.reliability.bounds import MOST_COUNTED, failure_rate_bounds

SeriesMethod = Literal["lindstrom_madden", "bayes", "simultaneous", "peek_safe"]

LEAST_ERROR, MOST_ERROR = 1e-9, 0.999
"""Divided between a thousand devices it is what a single bound may have; see `bounds`."""

Counts = Sequence[int] | npt.NDArray[np.integer[Any]]


@dataclass(frozen=True)
class SeriesBound:
    """Upper bound on the failure rate per cycle of a cell, from its devices' own trials.

    `failures` and `cycles` have one count a device. `estimate` is 1 - prod(1 - failures / cycles),
    None while a device has no cycles.
    """

    failures: tuple[int, ...]
    cycles: tuple[int, ...]
    confidence: float
    method: SeriesMethod
    estimate: float | None
    upper: float


def series_upper_bound(
    failures: Counts,
    cycles: Counts,
    *,
    confidence: float = 0.95,
    method: SeriesMethod = "lindstrom_madden",
) -> SeriesBound:
    """Bound the failure rate per cycle of a cell whose devices were proven apart.

    Parameters
    ----------
    failures, cycles : sequence of int, shape (m,)
        Failed and counted cycles of each device's own trial, 0 <= failures <= cycles <=
        1,000,000,000; at least one device.
    confidence : float
        Confidence of the bound, from 0.001 to 0.999999999.
    method : {"lindstrom_madden", "bayes", "simultaneous", "peek_safe"}
        lindstrom_madden: the exact binomial bound for n* = min(cycles) cycles with
        n* x estimate failures, a number that need not be whole (incomplete beta function) [1]_.
        For one device it is the exact bound.
        bayes: the quantile of the cell's posterior, the product of independent posteriors
        1 - p ~ beta(n - k + 1, k + 1), from a uniform prior for each device [2]_. Worked out by
        contour integration, without random numbers, to about 1e-12 of itself.
        simultaneous: each device's exact bound at confidence^(1/m), all of which hold at once
        with the stated confidence [3]_. Guaranteed, and the widest of these three.
        peek_safe: each device's peek-safe bound at an m-th of the error, added up [4]_. All of
        them hold at once however often somebody looks, and no device need fail independently of
        another. Wider than simultaneous.

    Returns
    -------
    SeriesBound
        `upper` is 1 if a device has no cycles (nothing is known of it) or nothing but failures.

    Raises
    ------
    InvalidValueError
        If there is no device, the shapes differ, a count is not a whole number in its range,
        the confidence lies outside its range or the method is unknown.

    Notes
    -----
    But for peek_safe the devices must fail independently of each other, and each trial's number
    of cycles must have been fixed, as for the exact bound. Coverage, summed exactly over grids of
    rates for two and three devices:

    - lindstrom_madden never fell below the stated confidence, which is a finding, not a proof;
    - bayes counts about one failure more for each device than there was, and so is wide for many
      devices. It falls below the confidence where one device carries all of the failures and has
      by far the fewest cycles, n of them: there it is the exact bound for n + 1 cycles, wrong
      with a chance of up to (1 - confidence) / (1 - rate);
    - simultaneous cannot fall below, and peek_safe not either, whenever the trials stop.

    For devices that ran in the same cycles count the cycles in which any of them failed, and use
    `failure_rate_bounds`.

    References
    ----------
    .. [1] Lindstrom and Madden (1962), as given in the manual of the R package serieslcb 0.4.0;
       also in Lloyd and Lipow (1962), Reliability: Management, Methods, and Mathematics (from
       memory).
    .. [2] Springer and Thompson (1966), Biometrika 53:611-613 (from memory).
    .. [3] Sidak (1967), J. American Statistical Association 62:626-633, for independent bounds.
    .. [4] Bonferroni's inequality, for the bounds and for the rates; the bound of each device as
       `failure_rate_bounds` says.

    Examples
    --------
    >>> from trialog.reliability import series_upper_bound
    >>> round(series_upper_bound([0, 3, 1], [35, 100, 60], confidence=0.9).upper, 6)
    0.130606
    >>> round(series_upper_bound([0, 3, 1], [35, 100, 60], confidence=0.9, method="bayes").upper, 6)
    0.144446
    """
    k, n = _devices(failures, cycles)
    error = _exact.complement(_checks.inside("confidence", confidence))
    if not LEAST_ERROR <= error <= MOST_ERROR:
        raise InvalidValueError("confidence", "be between 0.001 and 0.999999999", confidence)
    if method not in get_args(SeriesMethod):
        raise InvalidValueError("method", f"be one of {', '.join(get_args(SeriesMethod))}", method)
    known, open_ended = bool((n > 0).all()), bool((k == n).any())
    return SeriesBound(
        failures=tuple(int(count) for count in k),
        cycles=tuple(int(count) for count in n),
        confidence=float(confidence),
        method=method,
        estimate=_joint(k / n) if known else None,
        upper=1.0 if open_ended else UPPERS[method](k, n, error),
    )


def _devices(failures: Counts, cycles: Counts) -> tuple[Floats, Floats]:
    """Return both counts of each device."""
    k, n = list(failures), list(cycles)
    if not k:
        raise InvalidValueError("failures", "have a count for at least one device", failures)
    if len(k) != len(n):
        raise InvalidValueError("cycles", f"have one count a device ({len(k)})", len(n))
    n = [_checks.whole("cycles", count, 0, MOST_COUNTED, "the most that is counted") for count in n]
    pairs = zip(k, n, strict=True)
    k = [_checks.whole("failures", part, 0, whole, "cycles") for part, whole in pairs]
    return np.array(k, dtype=np.float64), np.array(n, dtype=np.float64)


def _joint(rates: Floats) -> float:
    """Return the rate of cycles in which any device fails: 1 - prod(1 - rate)."""
    if (rates == 1).any():
        return 1.0
    return -math.expm1(np.log1p(-rates).sum())


def _lindstrom_madden(k: Floats, n: Floats, error: float) -> float:
    """Solve the exact bound's equation for failures that need not be whole."""
    fewest = n.min(keepdims=True)
    good = fewest * np.exp(np.log1p(-k / n).sum())
    return beta_product_upper(good, fewest * _joint(k / n) + 1, error)


def _bayes(k: Floats, n: Floats, error: float) -> float:
    return beta_product_upper(n - k + 1, k + 1, error)


def _simultaneous(k: Floats, n: Floats, error: float) -> float:
    each = math.exp(math.log1p(-error) / k.size)
    whole = k.astype(np.int64), n.astype(np.int64)
    return _joint(failure_rate_bounds(*whole, confidence=each).upper)


def _peek_safe(k: Floats, n: Floats, error: float) -> float:
    whole = k.astype(np.int64), n.astype(np.int64)
    bounds = failure_rate_bounds(*whole, confidence=1 - error / k.size, method="peek_safe")
    return min(1.0, math.fsum(bounds.upper))


UPPERS: dict[SeriesMethod, Callable[[Floats, Floats, float], float]] = {
    "lindstrom_madden": _lindstrom_madden,
    "bayes": _bayes,
    "simultaneous": _simultaneous,
    "peek_safe": _peek_safe,
}
