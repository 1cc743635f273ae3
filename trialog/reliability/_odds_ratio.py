"""The odds ratio of two failure rates, given how many failures there are together.

Trusted counts. Given the total, the failures of group a follow Fisher's noncentral hypergeometric
distribution: the hypergeometric probabilities times odds ratio^failures, scaled to a sum of 1.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import numpy.typing as npt
from scipy import optimize

from trialog.reliability._hypergeometric import log_dealt, scaled

Floats = npt.NDArray[np.float64]

FAR = 60.0
"""So much beyond the steepest ratio of neighbours, all but exp(-60) lies on one end."""


def conditional_odds_ratio(
    failures_a: int, cycles_a: int, total: int, cycles_b: int, error: float
) -> tuple[float | None, float, float]:
    """Return the most likely odds ratio and the bounds with `error` on each side."""
    few, many = max(0, total - cycles_b), min(total, cycles_a)
    if few == many:
        return None, 0.0, math.inf
    counts = np.arange(few, many + 1)
    base, _ = log_dealt(cycles_a, cycles_b, np.array([total]), counts[None, :])
    at = failures_a - few

    def root(miss: Callable[[Floats], float]) -> float:
        return _root(lambda log_ratio: miss(_tilted(base, counts, log_ratio)), base)

    lower = root(lambda law: float(law[at:].sum()) - error) if failures_a > few else 0.0
    upper = root(lambda law: error - float(law[: at + 1].sum())) if failures_a < many else math.inf
    if few < failures_a < many:
        return root(lambda law: float(law @ counts) - failures_a), lower, upper
    return (0.0 if failures_a == few else math.inf), lower, upper


def _tilted(base: Floats, counts: npt.NDArray[np.int64], log_ratio: float) -> Floats:
    """Return the probabilities of the counts at an odds ratio."""
    return np.asarray(scaled(base + log_ratio * counts)[0])


def _root(miss: Callable[[float], float], base: Floats) -> float:
    """Return the odds ratio at which `miss`, rising with it, is 0."""
    end = float(np.abs(np.diff(base)).max()) + FAR
    return math.exp(optimize.brentq(miss, -end, end, xtol=1e-13, rtol=1e-13))
