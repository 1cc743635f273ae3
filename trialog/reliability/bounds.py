"""Confidence bounds on a failure rate per cycle."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal, get_args, overload

import numpy as np
import numpy.typing as npt

from trialog.errors import InvalidValueError
from trialog.reliability import _checks, _exact
from trialog.reliability._bound_formulas import BOUNDS, Bound, Method
from trialog.reliability._tails import Floats

MOST_COUNTED = 2**53
"""Floats hold every whole number up to here exactly."""

MOST_RULE = f"be at most {MOST_COUNTED:,}"

Sides = Literal["upper", "lower", "both"]

Counts = Sequence[int] | npt.NDArray[np.integer[Any]]


@dataclass(frozen=True)
class RateBounds:
    """Bounds on one failure rate; rates are failures per cycle.

    `estimate` is failures / cycles, None at 0 cycles. A side that was not asked for holds the
    end of the scale: `lower` 0.0 or `upper` 1.0.
    """

    failures: int
    cycles: int
    confidence: float
    sides: Sides
    method: Method
    estimate: float | None
    lower: float
    upper: float


@dataclass(frozen=True)
class RateBoundsArray:
    """Bounds on many failure rates; every array has the broadcast shape of the counts.

    As RateBounds, except that `estimate` is nan at 0 cycles.
    """

    failures: npt.NDArray[np.int64]
    cycles: npt.NDArray[np.int64]
    confidence: float
    sides: Sides
    method: Method
    estimate: Floats
    lower: Floats
    upper: Floats


@overload
def failure_rate_bounds(
    failures: int,
    cycles: int,
    *,
    confidence: float = ...,
    sides: Sides = ...,
    method: Method = ...,
) -> RateBounds: ...
@overload
def failure_rate_bounds(
    failures: Counts,
    cycles: Counts | int,
    *,
    confidence: float = ...,
    sides: Sides = ...,
    method: Method = ...,
) -> RateBoundsArray: ...
@overload
def failure_rate_bounds(
    failures: int,
    cycles: Counts,
    *,
    confidence: float = ...,
    sides: Sides = ...,
    method: Method = ...,
) -> RateBoundsArray: ...
def failure_rate_bounds(
    failures: Counts | int,
    cycles: Counts | int,
    *,
    confidence: float = 0.95,
    sides: Sides = "upper",
    method: Method = "exact",
) -> RateBounds | RateBoundsArray:
    """Bound the failure rate per cycle that the counts leave possible.

    Parameters
    ----------
    failures, cycles : int or array of int
        Failed cycles and counted cycles, 0 <= failures <= cycles. Arrays broadcast.
    confidence : float
        Confidence of the bound, or of the interval for two sides; above 0, below 1.
    sides : {"upper", "lower", "both"}
        "upper" leaves `lower` at 0 and "lower" leaves `upper` at 1. "both" gives an
        equal-tailed interval: each side has half of the error.
    method : {"exact", "midp", "wilson", "jeffreys"}
        exact: Clopper-Pearson [1]_, never less than the stated confidence.
        midp: as exact, counting half of the observed outcome [2]_ [3]_; holds the confidence
        on average only. By convention `lower` is 0 at 0 failures and `upper` is 1 when every
        cycle failed; the other bound there has the closed form 1 - (2a)^(1/n) or its mirror
        image, where a is the error of the side, and is the estimate itself where 2a >= 1.
        wilson: the score interval [4]_, no continuity term.
        jeffreys: equal-tailed quantiles of the beta(k + 1/2, n - k + 1/2) posterior, with
        `lower` 0 at 0 failures and `upper` 1 when every cycle failed [5]_.

    Returns
    -------
    RateBounds for two single counts, else RateBoundsArray. At 0 cycles nothing is known:
    `lower` is 0 and `upper` 1 whatever the method.

    Raises
    ------
    InvalidValueError
        If a count is not a whole number in its range, the counts do not broadcast, the
        confidence is not inside (0, 1), or `sides` or `method` is unknown.

    Notes
    -----
    Relative accuracy is about 1e-12 for up to ten million cycles.

    References
    ----------
    .. [1] Clopper and Pearson (1934), Biometrika 26:404-413. Beta form: NIST/SEMATECH
       e-Handbook, section 7.2.4.1.
    .. [2] Lancaster (1961), J. American Statistical Association 56:223-234.
    .. [3] Newcombe (1998), Statistics in Medicine 17:857-872, method 6.
    .. [4] Wilson (1927), J. American Statistical Association 22:209-212; Newcombe, method 3.
    .. [5] Brown, Cai and DasGupta (2001), Statistical Science 16:101-133, section 3.1.2 and
       4.1.1 for the ends.

    Examples
    --------
    >>> from trialog.reliability import failure_rate_bounds
    >>> round(failure_rate_bounds(0, 1920).upper, 6)
    0.001559
    >>> failure_rate_bounds([0, 3], 100, sides="both").upper.round(4).tolist()
    [0.0362, 0.0852]
    """
    error = _side_error(confidence, sides)
    _check_choice("method", method, Method)
    k, n = _count_arrays(failures, cycles)
    lower_of, upper_of = BOUNDS[method]
    lower = np.zeros(k.shape) if sides == "upper" else _known(lower_of, k, n, error, 0.0)
    upper = np.ones(k.shape) if sides == "lower" else _known(upper_of, k, n, error, 1.0)
    estimate = np.divide(k, n, out=np.full(k.shape, np.nan), where=n > 0)
    if k.ndim == 0:
        return RateBounds(
            int(k),
            int(n),
            float(confidence),
            sides,
            method,
            float(estimate) if n else None,
            float(lower),
            float(upper),
        )
    return RateBoundsArray(
        k.astype(np.int64),
        n.astype(np.int64),
        float(confidence),
        sides,
        method,
        estimate,
        lower,
        upper,
    )


def _side_error(confidence: float, sides: Sides) -> float:
    """Return the error that each bound may have."""
    error = _exact.complement(_checks.inside("confidence", confidence))
    _check_choice("sides", sides, Sides)
    return error / 2 if sides == "both" else error


def _check_choice(field: str, value: str, choices: object) -> None:
    names = get_args(choices)
    if value not in names:
        raise InvalidValueError(field, f"be one of {', '.join(names)}", value)


def _count_arrays(failures: Counts | int, cycles: Counts | int) -> tuple[Floats, Floats]:
    """Return both counts as float arrays of one shape."""
    k, n = _whole_array("failures", failures), _whole_array("cycles", cycles)
    try:
        k, n = np.broadcast_arrays(k, n)
    except ValueError:
        rule = f"have a shape that fits failures {k.shape}"
        raise InvalidValueError("cycles", rule, n.shape) from None
    over = k > n
    if over.any():
        rule = f"be between 0 and cycles ({int(n[over][0])})"
        raise InvalidValueError("failures", rule, int(k[over][0]))
    return k, n


def _whole_array(field: str, counts: Counts | int) -> Floats:
    """Return counts as floats, refusing those that a float would change."""
    array = np.asarray(counts)
    if array.dtype.kind not in "iuf" or not (array == np.floor(array)).all():
        raise InvalidValueError(field, "be whole numbers", counts)
    for wrong, rule in ((array < 0, "be at least 0"), (array > MOST_COUNTED, MOST_RULE)):
        if wrong.any():
            raise InvalidValueError(field, rule, int(array[wrong][0]))
    return array.astype(np.float64)


def _known(bound: Bound, k: Floats, n: Floats, error: float, unknown: float) -> Floats:
    """Apply `bound` where there are cycles; elsewhere the rate is `unknown`.

    Rounding may carry a bound beside an end of the scale just past it.
    """
    result = np.full(k.shape, unknown)
    some = n > 0
    result[some] = np.clip(bound(k[some], n[some], error), 0.0, 1.0)
    return result
