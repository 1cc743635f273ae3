"""Stops of a cell that runs alone: how many to expect, and limits that allow some."""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Callable
from dataclasses import dataclass
from decimal import localcontext

import numpy as np
from scipy import special

from trialog.errors import InvalidValueError
from trialog.reliability import _checks, _exact, _tails
from trialog.reliability.bounds import RateBounds
from trialog.reliability.requirement import failure_limit, stop_free_cycles

MOST_STOPS = 10_000
"""Most stops that may be allowed; nobody would call a cell with more of them unattended."""

LEAST_RATE = 1e-12
"""Smallest rate, except 0, for which a stretch with stops is worked out."""


@dataclass(frozen=True)
class ExpectedStops:
    """Stops to expect in a stretch of `cycles`, with the bounds that those on the rate give.

    `estimate` is None where the rate has none. A side that the rate's bounds leave open is open
    here: `lower` 0 or `upper` all of the cycles.
    """

    cycles: int
    confidence: float
    lower: float
    estimate: float | None
    upper: float


def expected_stops(rate: RateBounds, cycles: int) -> ExpectedStops:
    """Give the mean number of stops in a stretch, with bounds: rate x cycles.

    Parameters
    ----------
    rate : RateBounds
        Bounds on the failure rate per cycle, as `failure_rate_bounds` gives them.
    cycles : int
        Cycles of the stretch, at least 0. Every failure is one stop, and the cell is started
        again: the stretch is run to its end.

    Returns
    -------
    ExpectedStops
        The mean grows with the rate, so its bounds hold with the confidence of the rate's.

    Raises
    ------
    InvalidValueError
        If `cycles` is not a whole number of at least 0.

    References
    ----------
    Mean of the binomial distribution; any textbook.

    Examples
    --------
    >>> from trialog.reliability import expected_stops, failure_rate_bounds
    >>> stops = expected_stops(failure_rate_bounds(2, 1920), 960)
    >>> stops.estimate, round(stops.upper, 2)
    (1.0, 3.14)
    """
    cycles = _checks.whole("cycles", cycles, 0)
    return ExpectedStops(
        cycles=cycles,
        confidence=rate.confidence,
        lower=cycles * rate.lower,
        estimate=None if rate.estimate is None else cycles * rate.estimate,
        upper=cycles * rate.upper,
    )


def limit_with_stops(cycles: int, chance: float, allowed_stops: int) -> float:
    """Give the largest failure rate at which a stretch rarely has more stops than allowed.

    Parameters
    ----------
    cycles : int
        Cycles of the stretch, at least 1.
    chance : float
        Chance required of getting through with no more than the allowed stops; above 0, below 1.
    allowed_stops : int
        Stops allowed, from 0 to 10,000.

    Returns
    -------
    float
        The largest p with P(K <= allowed_stops) >= chance, K binomial(cycles, p), rounded down;
        1.0 where no more stops are possible than are allowed. With 0 stops allowed it is
        `failure_limit(cycles, chance)`. `share_of_limit` divides it between devices.

    Raises
    ------
    InvalidValueError
        If an argument lies outside its range.

    References
    ----------
    Binomial distribution of the stops in independent cycles; its tail by the incomplete beta
    function, DLMF 8.17.5.

    Examples
    --------
    >>> from trialog.reliability import limit_with_stops
    >>> [round(limit_with_stops(960, 0.9, allowed), 6) for allowed in range(3)]
    [0.00011, 0.000554, 0.001149]
    """
    cycles, chance = _checks.whole("cycles", cycles, 1), _checks.inside("chance", chance)
    allowed = _stops(allowed_stops)
    if allowed == 0:
        return failure_limit(cycles, chance)
    if allowed >= cycles:
        return 1.0
    level = _exact.decimal_of(chance)
    near = float(special.betainccinv(allowed + 1, cycles - allowed, chance))
    return _largest(near, lambda rate: _tails.excess(allowed, cycles, rate, level) >= 0)


def stretch_with_stops(rate: float, chance: float, allowed_stops: int) -> int | None:
    """Give the longest stretch that rarely has more stops than allowed.

    Parameters
    ----------
    rate : float
        Failures per cycle: 0, or from 1e-12 to 1. An upper bound on it gives the stretch that
        is proven.
    chance : float
        Chance required of getting through with no more than the allowed stops; above 0, below 1.
    allowed_stops : int
        Stops allowed, from 0 to 10,000.

    Returns
    -------
    int or None
        The largest N with P(K <= allowed_stops) >= chance, K binomial(N, rate); None (no limit)
        at rate 0. With 0 stops allowed it is `stop_free_cycles(rate, chance)`. N is at least
        `cycles` if and only if the rate is at most `limit_with_stops` for them.

    Raises
    ------
    InvalidValueError
        If an argument lies outside its range.

    References
    ----------
    The inverse of `limit_with_stops`; same source.

    Examples
    --------
    >>> from trialog.reliability import stretch_with_stops
    >>> [stretch_with_stops(0.001, 0.9, allowed) for allowed in range(3)]
    [105, 532, 1102]
    """
    rate, chance = _checks.chance("rate", rate), _checks.inside("chance", chance)
    allowed = _stops(allowed_stops)
    if 0 < rate < LEAST_RATE:
        raise InvalidValueError("rate", f"be 0 or at least {LEAST_RATE}", rate)
    if allowed == 0 or rate == 0:
        return stop_free_cycles(rate, chance)
    level = _exact.decimal_of(chance)

    def too_long(cycles: int) -> bool:
        return _tails.excess(allowed, cycles, rate, level) < 0

    high = allowed + 1
    while not too_long(high):
        high *= 2
    return allowed + bisect_left(range(allowed + 1, high), True, key=too_long)


def share_of_limit(limit: float, share: float) -> float:
    """Give one device's part of a cell's limit: 1 - (1 - limit)^share.

    Parameters
    ----------
    limit : float
        Failures per cycle that the whole cell may have; above 0, below 1.
    share : float
        This device's share of it; above 0, at most 1. The shares of a cell add up to 1.

    Returns
    -------
    float
        Failures per cycle, rounded down, so that devices at their limits make a cell within its
        own. For a limit without stops it agrees with `failure_limit(cycles, chance, share)` but
        for the rounding of `limit`.

    Raises
    ------
    InvalidValueError
        If an argument lies outside its range.

    References
    ----------
    As `failure_limit`: a cycle is good if it is good for every device.

    Examples
    --------
    >>> from trialog.reliability import limit_with_stops, share_of_limit
    >>> round(share_of_limit(limit_with_stops(960, 0.9, 1), 0.5), 8)
    0.00027709
    """
    limit, share = _checks.inside("limit", limit), _checks.part("share", share)
    cell = _exact.decimal_of(limit)
    with localcontext(prec=_exact.DIGITS - 2 * cell.adjusted()):  # enough for 1 - limit
        exact = 1 - (_exact.decimal_of(share) * (1 - cell).ln()).exp()
        rate = float(exact)
        within = _exact.decimal_of(rate) <= exact * (1 + _exact.TIE)
        return rate if within else math.nextafter(rate, 0.0)


def _stops(allowed: object) -> int:
    return _checks.whole("allowed_stops", allowed, 0, MOST_STOPS, "the most that may be allowed")


def _largest(near: float, holds: Callable[[float], bool]) -> float:
    """Return the largest float below 1 for which `holds`, found from a nearby one.

    `holds` is true below some float and false from there on. The whole number that a positive
    float is stored as grows with it, so the floats can be counted through.
    """

    def fails(place: int) -> bool:
        return not holds(_float_at(place))

    start, one = _place_of(near), _place_of(1.0)
    reach = 1
    while fails(start - reach) or not fails(min(start + reach, one)):
        reach *= 4
    places = range(start - reach, min(start + reach, one))
    return _float_at(places[0] + bisect_left(places, True, key=fails) - 1)


def _place_of(number: float) -> int:
    return int(np.float64(number).view(np.int64))


def _float_at(place: int) -> float:
    return float(np.int64(place).view(np.float64))
