"""The chance of getting through without a stop, for many lengths of stretch at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from trialog.reliability.bounds import RateBounds
from trialog.reliability.requirement import stop_free_chance


@dataclass(frozen=True)
class StopFreeChances:
    """Chances of stretches of `cycles` without a failure; arrays of one shape (m,).

    `estimate` is None where the rate has none. `lower` and `upper` come from the upper and the
    lower bound on the rate, and hold with its confidence.
    """

    cycles: npt.NDArray[np.int64]
    confidence: float
    estimate: npt.NDArray[np.float64] | None
    lower: npt.NDArray[np.float64]
    upper: npt.NDArray[np.float64]


def stop_free_chances(rate: RateBounds, cycles: Sequence[int]) -> StopFreeChances:
    """Give the chance of a stretch without a failure, with the band that the rate's bounds make.

    Parameters
    ----------
    rate : RateBounds
        Bounds on the failure rate per cycle, as `failure_rate_bounds` gives them.
    cycles : sequence of int, shape (m,)
        Lengths of stretch, each at least 0.

    Returns
    -------
    StopFreeChances
        Each chance is `stop_free_chance` of one of the rates. It falls as the rate grows, so the
        bounds hold with the confidence of the rate's, for all lengths at once.

    Raises
    ------
    InvalidValueError
        If a length is not a whole number of at least 0.

    References
    ----------
    Independent cycles; same source as `failure_limit`.

    Examples
    --------
    >>> from trialog.reliability import failure_rate_bounds, stop_free_chances
    >>> rate = failure_rate_bounds(2, 1920, sides="both")
    >>> chances = stop_free_chances(rate, [0, 960])
    >>> chances.lower.round(3).tolist(), chances.upper.round(3).tolist()
    ([1.0, 0.027], [1.0, 0.886])
    """

    def at(value: float) -> npt.NDArray[np.float64]:
        return np.array([stop_free_chance(value, length) for length in cycles], dtype=np.float64)

    return StopFreeChances(
        cycles=np.array(cycles, dtype=np.int64),
        confidence=rate.confidence,
        estimate=None if rate.estimate is None else at(rate.estimate),
        lower=at(rate.upper),
        upper=at(rate.lower),
    )
