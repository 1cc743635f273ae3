"""Whether failures come more often as the trial goes on, or less."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import special

from trialog.errors import InvalidValueError
from trialog.reliability import _checks

FEWEST = 2
"""Failures below which an order says nothing."""


@dataclass(frozen=True)
class TrendResult:
    """Result of a trend test on the positions of failures.

    `statistic` is about standard normal without a trend, above 0 when failures crowd towards
    the end. `p_worsening` and `p_improving` are the one-sided p values. All three are None
    with fewer than two failures.
    """

    statistic: float | None
    p_worsening: float | None
    p_improving: float | None
    failures: int
    cycles: int


def laplace_test(positions: Sequence[int] | npt.NDArray[Any], cycles: int) -> TrendResult:
    """Test the failures of a trial for a trend, by the mean of their positions.

    Parameters
    ----------
    positions : sequence of int, shape (k,)
        Cycle numbers of the failures, each once, from 1 to cycles, in any order.
    cycles : int
        Cycles of the trial, at least 0; the trial ended at a number of cycles, not at a
        failure, so that every failure counts.

    Returns
    -------
    TrendResult
        With the statistic U = (mean(positions) - cycles / 2) / (cycles / sqrt(12 k)) and its
        one-sided normal p values. By convention the figures are None with fewer than two
        failures.

    Raises
    ------
    InvalidValueError
        If a position is not a whole number from 1 to cycles, or appears twice.

    Notes
    -----
    The formula is the one for continuous time. A failure is placed at the end of its cycle,
    half a cycle late on average, which moves U by sqrt(3 k) / cycles: nothing at the counts
    that a trial has.

    References
    ----------
    Cox and Lewis (1966), The Statistical Analysis of Series of Events, section 3.3;
    NIST/SEMATECH e-Handbook, section 8.2.3.4.

    Examples
    --------
    >>> from trialog.reliability import laplace_test
    >>> trend = laplace_test([700, 820, 910, 980], cycles=1000)
    >>> round(trend.statistic, 3), round(trend.p_worsening, 4)
    (2.442, 0.0073)
    """
    cycles = _checks.whole("cycles", cycles, 0)
    places = _places(positions, cycles)
    failures = places.size
    if failures < FEWEST:
        return TrendResult(None, None, None, failures, cycles)
    statistic = float((places.mean() / cycles - 0.5) * np.sqrt(12 * failures))
    worsening, improving = special.ndtr([-statistic, statistic]).tolist()
    return TrendResult(statistic, worsening, improving, failures, cycles)


def _places(positions: Sequence[int] | npt.NDArray[Any], cycles: int) -> npt.NDArray[Any]:
    """Return the positions as an array, once they are known to be cycle numbers."""
    places = np.asarray(positions)
    if places.ndim != 1 or places.dtype.kind not in "iuf":
        raise InvalidValueError("positions", "be a plain sequence of numbers", positions)
    outside = ~((places >= 1) & (places <= cycles) & (places == np.floor(places)))
    if outside.any():
        rule = f"be whole numbers from 1 to cycles ({cycles})"
        raise InvalidValueError("positions", rule, float(places[outside][0]))
    if np.unique(places).size < places.size:
        raise InvalidValueError("positions", "name each cycle once", positions)
    return places
