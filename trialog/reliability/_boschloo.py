"""Boschloo's test of two failure rates, on trusted counts.

Tables are ordered by Fisher's one-sided p value; the p value is the chance of a table at least as
extreme at the common rate where that chance is largest. Given how many failures there are
together, the chance does not depend on that rate: so one sum over the totals, weighed by their
binomial probabilities, serves for every rate, and millions of cycles cost no more than thousands.

The rate is looked for only where the total of failures leaves it plausible, and the error of that
range is added to the p value: Berger and Boos (1994), J. American Statistical Association
89:1012-1016. Over all rates the maximum is that of rates which the trial has ruled out.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from trialog.reliability._hypergeometric import SMALLEST, dealt, log_dealt, scaled
from trialog.reliability.bounds import failure_rate_bounds

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

SLACK = 1e-9
"""Relative difference below which two p values are the same."""

RANGE_ERROR = 1e-6
"""Chance that the common rate lies outside the range looked at. A smaller one widens the range and
raises most p values; a larger one raises all of them."""

COARSE, FINE, ROUNDS = 401, 21, 4
"""Rates tried over the whole range, then between a best one's neighbours, and how often."""

PEAKS = 3
"""So many of the highest local maxima are looked at closely."""

TAIL, MORE = 9.0, 50.0
"""Counts so many standard deviations off, and fifty more above, have a chance below 1e-17."""


def one_sided(failures_a: int, cycles_a: int, failures_b: int, cycles_b: int) -> Floats:
    """Return the p values against a being worse and against b being worse."""
    total, size = failures_a + failures_b, cycles_a + cycles_b
    bounds = failure_rate_bounds(total, size, confidence=1 - RANGE_ERROR, sides="both")
    largest = over_rates(failures_a, cycles_a, total, cycles_b, (bounds.lower, bounds.upper))
    return np.minimum(largest + RANGE_ERROR, 1.0)


def over_rates(
    failures_a: int, cycles_a: int, total: int, cycles_b: int, rates: tuple[float, float]
) -> Floats:
    """Return the largest chances, over a range of rates, of tables at least as extreme."""
    size = cycles_a + cycles_b
    totals = _totals(size, *rates)
    bars = fisher_tails(dealt(cycles_a, cycles_b, np.array([total])))[:, :, failures_a]
    tails = fisher_tails(_dealt_near(cycles_a, cycles_b, totals))
    extreme = tails <= bars[:, :, None] * (1 + SLACK)
    given_total = np.max(tails, axis=2, where=extreme, initial=0.0).T
    return _largest(Mixture(given_total, _log_ways(size, totals)), rates)


def fisher_tails(chances: Floats) -> Floats:
    """Return P(as many or more) and P(as many or fewer) for rows of probabilities."""
    more = np.cumsum(chances[:, ::-1], axis=1)[:, ::-1]
    return np.minimum(np.stack((more, np.cumsum(chances, axis=1))), 1.0)


def _totals(size: int, lower: float, upper: float) -> Ints:
    """Return the totals of failures that rates of the range leave possible."""
    few, many = size * lower, size * upper
    first = max(0, math.floor(few - TAIL * math.sqrt(few)))
    last = min(size, math.ceil(many + TAIL * math.sqrt(many) + MORE))
    return np.arange(first, last + 1)


def _dealt_near(cycles_a: int, cycles_b: int, totals: Ints) -> Floats:
    """Return the probabilities of group a's failures around their mean, a row for each total."""
    share = cycles_a / (cycles_a + cycles_b)
    spread = math.sqrt(int(totals[-1]) * share * (1 - share))
    reach = min(math.ceil(TAIL * spread + MORE), max(cycles_a, 1))
    middle = np.rint(totals * share).astype(np.int64)
    got = middle[:, None] + np.arange(-reach, reach + 1)
    return scaled(*log_dealt(cycles_a, cycles_b, totals, got))


def _log_ways(size: int, totals: Ints) -> Floats:
    """Return the logs of the ways to choose the failed cycles, but for a constant."""
    steps = np.log((size - totals[:-1]) / totals[1:])
    return np.concatenate(([0.0], np.cumsum(steps)))


class Mixture(NamedTuple):
    """For each total of failures: the chances given it, for both sides, and its log ways."""

    given_total: Floats
    log_ways: Floats

    def chances(self, angles: Floats) -> Floats:
        """Return the chances, a row for each common rate sin(angle)^2."""
        log_odds = 2 * np.log(np.maximum(np.tan(angles), SMALLEST))
        failed = np.arange(self.log_ways.size)
        return np.asarray(scaled(self.log_ways + log_odds[:, None] * failed) @ self.given_total)


def _largest(mixture: Mixture, rates: tuple[float, float]) -> Floats:
    """Return the largest chances over the range of rates.

    The grid is even in the arc sine of the root of the rate, in which every rate's estimate has
    about the same standard error.
    """
    ends = (math.asin(math.sqrt(rates[0])), math.asin(math.sqrt(rates[1])))
    grid = np.linspace(ends[0], ends[1], COARSE)
    step = (ends[1] - ends[0]) / (COARSE - 1)
    return np.array(
        [
            max(_closer(mixture, side, float(grid[at]), step, ends) for at in _peaks(seen))
            for side, seen in enumerate(mixture.chances(grid).T)
        ]
    )


def _peaks(chances: Floats) -> Ints:
    """Return where the highest local maxima are."""
    padded = np.concatenate(([-1.0], chances, [-1.0]))
    peaks = np.flatnonzero((chances > padded[:-2]) & (chances >= padded[2:]))
    return peaks[np.argsort(-chances[peaks])][:PEAKS]


def _closer(
    mixture: Mixture, side: int, best: float, step: float, ends: tuple[float, float]
) -> float:
    """Return the largest chance within a step of the angle `best`."""
    for _ in range(ROUNDS):
        grid = np.clip(np.linspace(best - step, best + step, FINE), ends[0], ends[1])
        chances = mixture.chances(grid)[:, side]
        best, step = float(grid[chances.argmax()]), 2 * step / (FINE - 1)
    return float(chances.max())
