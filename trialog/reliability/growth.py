"""How fast the failure rate falls or rises, and what it is at the end of the trial."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from typing import Literal, get_args

import numpy as np

from trialog.errors import InvalidValueError
from trialog.reliability import _checks, _exact, _growth_bounds
from trialog.reliability._positions import (
    FEWEST,
    Floats,
    Termination,
    Ties,
    Times,
    choice,
    informative,
    times,
)
from trialog.reliability.bounds import Sides

GrowthMethod = Literal["exact", "normal"]

BATCH = 1_000_000
"""Random numbers held in memory at a time."""


@dataclass(frozen=True)
class PowerLawGrowth:
    """A rate that follows a power of the cycles: scale shape t^(shape - 1) after t cycles.

    `shape` below 1 means that the rate falls: growth of reliability. `shape_modified` is the
    estimate without bias; `scale` and `rate` (failures per cycle at the end of the trial) belong
    to the one, `scale_modified` and `rate_modified` to the other. `rate_lower` and `rate_upper`
    bound the rate at the end with `confidence`. `fit_statistic` is the Cramér-von Mises
    statistic; see `cramer_von_mises_test` for its p value. All figures are None where there are
    too few failures.
    """

    failures: int
    cycles: float
    confidence: float
    shape: float | None = None
    shape_modified: float | None = None
    scale: float | None = None
    scale_modified: float | None = None
    rate: float | None = None
    rate_modified: float | None = None
    rate_lower: float | None = None
    rate_upper: float | None = None
    fit_statistic: float | None = None


@dataclass(frozen=True)
class GrowthFit:
    """Result of the Cramér-von Mises test that a rate follows a power of the cycles.

    `p_value` is the Monte Carlo p value of `statistic`, `p_error` that value's standard error.
    All three are None where there are too few failures.
    """

    statistic: float | None
    p_value: float | None
    p_error: float | None
    failures: int


def power_law_growth(
    positions: Times,
    cycles: float,
    *,
    termination: Termination = "time",
    confidence: float = 0.95,
    sides: Sides = "upper",
    method: GrowthMethod = "exact",
    ties: Ties = "refuse",
) -> PowerLawGrowth:
    """Fit a power law to the failures of a trial and bound the rate at its end.

    Parameters
    ----------
    positions : sequence of float, shape (k,)
        Cycle numbers of the failures, or times in any unit; above 0, at most cycles, in any
        order.
    cycles : float
        Length T of the trial in the same unit, at least 0.
    termination : {"time", "failure"}
        "time": the trial ended at a number of cycles. "failure": it ended at its last failure,
        which is at `cycles`.
    confidence : float
        Confidence of the bound, or of the interval for two sides; above 0, below 1.
    sides : {"upper", "lower", "both"}
        "upper" leaves `rate_lower` at 0 and "lower" leaves `rate_upper` infinite. "both" gives
        an equal-tailed interval.
    method : {"exact", "normal"}
        exact: never less than the stated confidence where the trial ended at a number of
        cycles [1]_, exactly it where it ended at a failure. normal: the approximation of [2]_,
        for trials that ended at a number of cycles.
    ties : {"refuse", "keep"}
        A cycle fails once, so a position that appears twice is refused. "keep" is for times
        that were rounded, such as dates: each entry is a failure of its own.

    Returns
    -------
    PowerLawGrowth
        With S = sum(ln(T / position)) the plain estimate, maximum likelihood, is shape = k / S;
        the modified one, which has no bias, is (k - 1) / S, or (k - 2) / S where the trial
        ended at a failure. Then scale = k / T^shape and rate = k shape / T, failures per
        cycle. By convention all figures are None with fewer than two failures, or fewer than
        three where the trial ended at a failure.

    Raises
    ------
    InvalidValueError
        If an argument lies outside its range or a position appears twice; if the trial ended
        at a failure and `cycles` is not the last one; if all failures are kept ties at the end.

    Notes
    -----
    The model has failures at any moment, not at whole cycles, which makes no difference while
    the rate is far below 1 per cycle. A bound on a rate of cycles is not cut off at 1.

    References
    ----------
    .. [1] Crow (1982), Proceedings of the Annual Reliability and Maintainability Symposium,
       129-134 (from memory); the conditional distribution is derived in `_growth_bounds`.
    .. [2] NIST/SEMATECH e-Handbook, section 8.4.5.2.

    MIL-HDBK-189 (1981), appendix C, for the estimates and the statistic (from memory).

    Examples
    --------
    >>> from trialog.reliability import power_law_growth
    >>> growth = power_law_growth([5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478], 1500)
    >>> round(growth.shape, 4), round(growth.shape_modified, 4), round(growth.rate_modified, 6)
    (0.5372, 0.4835, 0.003223)
    >>> round(growth.rate_upper, 6)
    0.007528
    """
    ordered, end = times(positions, cycles, ties)
    counted, failures = informative(ordered, end, termination), ordered.size
    confidence = _checks.inside("confidence", confidence)
    z_bounds = _z_bounds(confidence, sides, method, at_failure=termination == "failure")
    if counted.size < FEWEST:
        return PowerLawGrowth(failures, end, confidence)
    total = _total(counted, end)
    z_lower, z_upper = z_bounds(failures)
    shape, modified = failures / total, (counted.size - 1) / total
    return PowerLawGrowth(
        failures,
        end,
        confidence,
        shape=shape,
        shape_modified=modified,
        scale=failures / end**shape,
        scale_modified=failures / end**modified,
        rate=failures * shape / end,
        rate_modified=failures * modified / end,
        rate_lower=z_lower / (end * total),
        rate_upper=z_upper / (end * total),
        fit_statistic=_distance(np.log(end / counted) * modified),
    )


def cramer_von_mises_test(
    positions: Times,
    cycles: float,
    *,
    rng: np.random.Generator,
    draws: int = 10_000,
    termination: Termination = "time",
    ties: Ties = "refuse",
) -> GrowthFit:
    """Test whether the rate of a trial follows a power of the cycles.

    Parameters
    ----------
    positions, cycles, termination, ties
        As in `power_law_growth`.
    rng : numpy.random.Generator
        Source of randomness; the same seed gives the same p value.
    draws : int
        Random trials, at least 1. The time taken goes with draws times failures.

    Returns
    -------
    GrowthFit
        The statistic is 1 / (12 m) + sum((position / T)^b - (2 i - 1) / (2 m))^2 over the m
        failures that count, i-th by i-th, b the modified estimate of the shape. Given m, its
        distribution under the model depends on nothing else, so the p value is
        (1 + random trials that fit no better) / (1 + draws), for any number of failures and
        without a table. By convention the figures are None with fewer than two failures, or
        fewer than three where the trial ended at a failure.

    Raises
    ------
    InvalidValueError
        As `power_law_growth`; or if `draws` is below 1 or `rng` is not a Generator.

    References
    ----------
    MIL-HDBK-189 (1981), appendix C (from memory). Add-one rule: Davison and Hinkley (1997),
    Bootstrap Methods and their Application, equation 4.11.

    Examples
    --------
    >>> import numpy as np
    >>> from trialog.reliability import cramer_von_mises_test
    >>> times = [5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478]
    >>> fit = cramer_von_mises_test(times, 1500, rng=np.random.default_rng(1))
    >>> round(fit.statistic, 4), fit.p_value > 0.2
    (0.0538, True)
    """
    draws = _checks.whole("draws", draws, 1)
    if not isinstance(rng, np.random.Generator):
        raise InvalidValueError("rng", "be a numpy.random.Generator", rng)
    ordered, end = times(positions, cycles, ties)
    counted, failures = informative(ordered, end, termination), ordered.size
    if counted.size < FEWEST:
        return GrowthFit(None, None, None, failures)
    modified = (counted.size - 1) / _total(counted, end)
    statistic = _distance(np.log(end / counted) * modified)
    worse = sum(int((batch >= statistic).sum()) for batch in _null(counted.size, rng, draws))
    p_value = (1 + worse) / (1 + draws)
    return GrowthFit(statistic, p_value, math.sqrt(p_value * (1 - p_value) / draws), failures)


def _z_bounds(
    confidence: float, sides: Sides, method: GrowthMethod, *, at_failure: bool
) -> Callable[[int], tuple[float, float]]:
    """Return what gives the lower and upper bound of z for a number of failures."""
    choice("sides", sides, get_args(Sides))
    choice("method", method, get_args(GrowthMethod))
    if method == "normal" and at_failure:
        raise InvalidValueError("method", "be exact where the trial ended at a failure", method)
    error = _exact.complement(confidence) / (2 if sides == "both" else 1)
    lower: Callable[[int, float], float] = _growth_bounds.normal_lower
    upper: Callable[[int, float], float] = _growth_bounds.normal_upper
    if method == "exact":
        lower = partial(_growth_bounds.exact_lower, at_failure=at_failure)
        upper = partial(_growth_bounds.exact_upper, at_failure=at_failure)

    def bounds(failures: int) -> tuple[float, float]:
        low = 0.0 if sides == "upper" else lower(failures, error)
        return low, math.inf if sides == "lower" else upper(failures, error)

    return bounds


def _total(counted: Floats, end: float) -> float:
    """Return S, the sum of the logarithms."""
    total = float(np.log(end / counted).sum())
    if total == 0:
        raise InvalidValueError("positions", f"not all be at the end ({end})", counted.tolist())
    return total


def _distance(scaled: Floats) -> float:
    """Return the statistic of falling shape * ln(T / t), for one trial."""
    return float(_distances(scaled[np.newaxis])[0])


def _distances(scaled: Floats) -> Floats:
    """Return the statistic of each row of falling shape * ln(T / t)."""
    size = scaled.shape[1]
    middles = (np.arange(size) + 0.5) / size
    return np.asarray(1 / (12 * size) + ((np.exp(-scaled) - middles) ** 2).sum(axis=1))


def _null(size: int, rng: np.random.Generator, draws: int) -> Iterator[Floats]:
    """Draw the statistic under the model, a batch at a time.

    The logarithms are exponential then, and dividing by their sum takes their scale away.
    """
    rows = max(BATCH // size, 1)
    for start in range(0, draws, rows):
        logs = -np.sort(-rng.standard_exponential((min(rows, draws - start), size)), axis=1)
        yield _distances(logs * ((size - 1) / logs.sum(axis=1, keepdims=True)))
