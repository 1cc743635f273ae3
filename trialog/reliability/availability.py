"""How often somebody must help a cell, how long that takes, and the share of time it runs."""

from __future__ import annotations

import math
from dataclasses import dataclass

from scipy import special

from trialog.errors import InvalidValueError
from trialog.reliability import _checks
from trialog.reliability.bounds import MOST_COUNTED, side_error


@dataclass(frozen=True)
class StopRate:
    """Stops per cycle. `estimate` is None and `upper` inf where no cycle was counted."""

    stops: int
    cycles: int
    confidence: float
    estimate: float | None
    lower: float
    upper: float


@dataclass(frozen=True)
class MeanTime:
    """The mean of measured times, in their unit. Without any: None, from 0 to inf."""

    count: int
    total: float
    confidence: float
    estimate: float | None
    lower: float
    upper: float


@dataclass(frozen=True)
class Availability:
    """The share of time that a cell runs, from 0 to 1.

    `estimate` is None where nothing is known of it: no cycle, or stops of which none was timed.
    """

    rate: StopRate
    clearing: MeanTime
    cycle_seconds: float
    confidence: float
    estimate: float | None
    lower: float
    upper: float


def stop_rate_bounds(stops: int, cycles: int, *, confidence: float = 0.95) -> StopRate:
    """Bound the stops per cycle, of which a cycle may have several.

    Parameters
    ----------
    stops : int
        Stops seen, from 0 to 1,000,000,000.
    cycles : int
        Cycles run meanwhile, from 0 to 1,000,000,000.
    confidence : float
        Confidence of the two-sided interval, from 0.001 to 1 - 1e-12.

    Returns
    -------
    StopRate
        Exact bounds for a Poisson number of stops; where no cycle can have two they are a
        little wider than the binomial ones. Without a stop the lower one is 0.

    Raises
    ------
    InvalidValueError
        If an argument lies outside its range.

    References
    ----------
    Garwood (1936), Biometrika 28:437-442.

    Examples
    --------
    >>> from trialog.reliability import stop_rate_bounds
    >>> rate = stop_rate_bounds(10, 1000)
    >>> rate.estimate, round(rate.lower, 5), round(rate.upper, 5)
    (0.01, 0.0048, 0.01839)
    """
    stops = _checks.whole("stops", stops, 0, MOST_COUNTED, "the most that is counted")
    cycles = _checks.whole("cycles", cycles, 0, MOST_COUNTED, "the most that is counted")
    error = side_error(confidence, "both")
    if cycles == 0:
        return StopRate(stops, 0, float(confidence), None, 0.0, math.inf)
    lower = float(special.gammaincinv(stops, error)) / cycles if stops else 0.0
    upper = float(special.gammainccinv(stops + 1, error)) / cycles
    return StopRate(stops, cycles, float(confidence), stops / cycles, lower, upper)


def mean_time_bounds(total: float, count: int, *, confidence: float = 0.95) -> MeanTime:
    """Bound the mean of measured times, taking them for exponential ones.

    Parameters
    ----------
    total : float
        The times added up, in any unit, at least 0.
    count : int
        How many there are, from 0 to 1,000,000,000.
    confidence : float
        Confidence of the two-sided interval, from 0.001 to 1 - 1e-12.

    Returns
    -------
    MeanTime
        Exact for exponential times, in the unit of `total`. Clear times vary less than those as
        a rule (a standard deviation below the mean); the interval then holds more often.

    Raises
    ------
    InvalidValueError
        If an argument lies outside its range, or there is a total of no times.

    References
    ----------
    Epstein and Sobel (1953), J. American Statistical Association 48:486-502; NIST/SEMATECH
    e-Handbook of Statistical Methods, section 8.4.5.1.

    Examples
    --------
    >>> from trialog.reliability import mean_time_bounds
    >>> mean = mean_time_bounds(600.0, 10)
    >>> mean.estimate, round(mean.lower, 1), round(mean.upper, 1)
    (60.0, 35.1, 125.1)
    """
    count = _checks.whole("count", count, 0, MOST_COUNTED, "the most that is counted")
    number = _checks.real("total", total, "be a number of at least 0")
    if number < 0 or (number > 0 and count == 0):
        raise InvalidValueError("total", "be at least 0, and 0 where nothing was timed", total)
    error = side_error(confidence, "both")
    if count == 0:
        return MeanTime(0, 0.0, float(confidence), None, 0.0, math.inf)
    lower = number / float(special.gammainccinv(count, error))
    upper = number / float(special.gammaincinv(count, error))
    return MeanTime(count, number, float(confidence), number / count, lower, upper)


def availability_bounds(
    stops: int,
    cycles: int,
    cycle_seconds: float,
    *,
    clear_seconds: float,
    timed: int,
    confidence: float = 0.95,
) -> Availability:
    """Bound the share of time that a cell runs between its stops.

    Parameters
    ----------
    stops, cycles : int
        As in `stop_rate_bounds`.
    cycle_seconds : float
        Length of a cycle, above 0.
    clear_seconds : float
        The clear times of the `timed` stops added up.
    timed : int
        Stops whose clear time was written down, from 0 to `stops`.
    confidence : float
        Confidence of the two-sided interval, from 0.001 to 1 - 2e-12.

    Returns
    -------
    Availability
        c / (c + r m) with the cycle time c, r stops per cycle and the mean clear time m. The
        interval puts the bounds of r and of m in, each at half of the error (Bonferroni), so it
        holds at least as often as stated; it takes clear times for exponential ones. Where no
        stop was timed the lower bound is 0. Without a stop the estimate is 1.

    Raises
    ------
    InvalidValueError
        If an argument lies outside its range.

    References
    ----------
    Steady-state availability, mean up time by mean up and down time: IEC 60050-192, 192-08-07.
    `stop_rate_bounds` and `mean_time_bounds` for its parts.

    Examples
    --------
    >>> from trialog.reliability import availability_bounds
    >>> found = availability_bounds(10, 1000, 30.0, clear_seconds=600.0, timed=10)
    >>> round(found.estimate, 4), round(found.lower, 3), round(found.upper, 4)
    (0.9804, 0.916, 0.9954)
    """
    stops = _checks.whole("stops", stops, 0, MOST_COUNTED, "the most that is counted")
    timed = _checks.whole("timed", timed, 0, stops, "stops")
    seconds = _checks.positive("cycle_seconds", cycle_seconds)
    half = 1 - side_error(confidence, "both")
    rate = stop_rate_bounds(stops, cycles, confidence=half)
    clearing = mean_time_bounds(clear_seconds, timed, confidence=half)
    return Availability(
        rate=rate,
        clearing=clearing,
        cycle_seconds=seconds,
        confidence=float(confidence),
        estimate=_estimate(rate, clearing, seconds),
        lower=_running(seconds, rate.upper, clearing.upper),
        upper=_running(seconds, rate.lower, clearing.lower),
    )


def _estimate(rate: StopRate, clearing: MeanTime, seconds: float) -> float | None:
    if rate.estimate is None:
        return None
    if rate.stops == 0:
        return 1.0
    if clearing.estimate is None:
        return None
    return _running(seconds, rate.estimate, clearing.estimate)


def _running(seconds: float, stops: float, clearing: float) -> float:
    """Return the share of time that is not spent clearing."""
    if 0 in (stops, clearing):
        return 1.0
    return seconds / (seconds + stops * clearing)
