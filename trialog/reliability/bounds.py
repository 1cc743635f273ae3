"""Confidence bounds on a failure rate per cycle."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal, get_args, overload

import numpy as np
import numpy.typing as npt

from trialog.errors import InvalidValueError
from trialog.reliability import _checks, _exact
from trialog.reliability._beta import BLOCK, Floats
from trialog.reliability._bound_formulas import BOUNDS, Bound, Method

MOST_COUNTED = 1_000_000_000
"""The digits promised are held against fifty-digit arithmetic up to here."""

MOST_RULE = f"be at most {MOST_COUNTED:,}"

LEAST_ERROR, MOST_ERROR = 1e-12, 0.999
"""As for MOST_COUNTED."""

CONFIDENCE_RULE = "be between 0.001 and 0.999999999999"

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
        Failed cycles and counted cycles, 0 <= failures <= cycles <= 1,000,000,000. Arrays
        broadcast.
    confidence : float
        Confidence of the bound, or of the interval for two sides; from 0.001 to 1 - 1e-12.
    sides : {"upper", "lower", "both"}
        "upper" leaves `lower` at 0 and "lower" leaves `upper` at 1. "both" gives an
        equal-tailed interval: each side has half of the error.
    method : {"exact", "midp", "wilson", "wilson_cc", "jeffreys", "peek_safe"}
        exact: Clopper-Pearson [1]_, never less than the stated confidence.
        midp: as exact, counting half of the observed outcome [2]_ [3]_; holds the confidence
        on average only. By convention `lower` is 0 at 0 failures and `upper` is 1 when every
        cycle failed; the other bound there has the closed form 1 - (2a)^(1/n) or its mirror
        image, where a is the error of the side, and is the estimate itself where 2a >= 1.
        wilson: the score interval [4]_, no continuity term.
        wilson_cc: the score interval with a continuity term [6]_, which counts half a failure
        more for the upper bound and half of one less for the lower; by convention `lower` is 0
        at 0 failures and `upper` is 1 when every cycle failed.
        jeffreys: equal-tailed quantiles of the beta(k + 1/2, n - k + 1/2) posterior, with
        `lower` 0 at 0 failures and `upper` 1 when every cycle failed [5]_.
        peek_safe: a confidence sequence, from a mixture martingale [7]_ [8]_. However often
        somebody looks, and whenever they stop, the chance that the bound is ever on the wrong
        side of the true rate is at most the stated error. `lower` is the mirror image, good
        cycles taken for failed ones. By convention `upper` is 1 when every cycle failed, and
        `lower` 0 at 0 failures. Never inside the exact bound.

    Returns
    -------
    RateBounds for two single counts, else RateBoundsArray. At 0 cycles nothing is known:
    `lower` is 0 and `upper` 1 whatever the method.

    Raises
    ------
    InvalidValueError
        If a count is not a whole number in its range, the counts do not broadcast, the
        confidence is out of its range, or `sides` or `method` is unknown.

    Notes
    -----
    Bounds are right to ten significant digits over the whole of these ranges, and to about
    twelve at a confidence of 0.5 or more. Beyond them this is not known, hence the ranges.

    References
    ----------
    .. [1] Clopper and Pearson (1934), Biometrika 26:404-413. Beta form: NIST/SEMATECH
       e-Handbook, section 7.2.4.1.
    .. [2] Lancaster (1961), J. American Statistical Association 56:223-234.
    .. [3] Newcombe (1998), Statistics in Medicine 17:857-872, method 6.
    .. [4] Wilson (1927), J. American Statistical Association 22:209-212; Newcombe, method 3.
    .. [5] Brown, Cai and DasGupta (2001), Statistical Science 16:101-133, section 3.1.2 and
       4.1.1 for the ends.
    .. [6] Newcombe, method 4.
    .. [7] Robbins (1970), Annals of Mathematical Statistics 41:1397-1409.
    .. [8] Howard, Ramdas, McAuliffe and Sekhon (2021), Annals of Statistics 49:1055-1080. The
       mixture is our own: see `trialog.reliability._peek_safe`.

    Examples
    --------
    >>> from trialog.reliability import failure_rate_bounds
    >>> round(failure_rate_bounds(0, 1920).upper, 6)
    0.001559
    >>> failure_rate_bounds([0, 3], 100, sides="both").upper.round(4).tolist()
    [0.0362, 0.0852]
    >>> round(failure_rate_bounds(0, 1920, method="peek_safe").upper, 6)
    0.001744
    """
    error = side_error(confidence, sides)
    _check_choice("method", method, Method)
    k, n = count_arrays(failures, cycles)
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


def side_error(confidence: float, sides: Sides) -> float:
    """Return the error that each bound may have."""
    error = _exact.complement(_checks.inside("confidence", confidence))
    if not LEAST_ERROR <= error <= MOST_ERROR:
        raise InvalidValueError("confidence", CONFIDENCE_RULE, confidence)
    _check_choice("sides", sides, Sides)
    return error / 2 if sides == "both" else error


def _check_choice(field: str, value: str, choices: object) -> None:
    names = get_args(choices)
    if value not in names:
        raise InvalidValueError(field, f"be one of {', '.join(names)}", value)


def count_arrays(failures: Counts | int, cycles: Counts | int) -> tuple[Floats, Floats]:
    """Return both counts as float arrays of one shape."""
    k, n = whole_array("failures", failures), whole_array("cycles", cycles)
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


def whole_array(field: str, counts: Counts | int) -> Floats:
    """Return counts as floats, refusing those that a float would change."""
    array = np.asarray(counts)
    kind = array.dtype.kind
    if kind not in "iuf" or (kind == "f" and not (array == np.floor(array)).all()):
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
    failures, cycles = k[some], n[some]
    known = np.empty(failures.shape)
    for at in range(0, known.size, BLOCK):
        part = slice(at, at + BLOCK)
        known[part] = bound(failures[part], cycles[part], error)
    result[some] = np.clip(known, 0.0, 1.0)
    return result
