"""The formulas behind the bounds, on trusted arrays: 0 <= k <= n, n > 0, of one shape.

`error` is the chance of being wrong that the bound may have. Sources stand in `bounds`, which
also cuts results off at 0 and 1: the mid-P closed forms leave the scale where 2 error > 1.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

import numpy as np
from scipy import special, stats
from scipy.optimize import elementwise

from trialog.reliability._tails import Floats, beta_above, beta_below

Method = Literal["exact", "midp", "wilson", "jeffreys"]
Bound = Callable[[Floats, Floats, float], Floats]

STEPS = 2
"""Newton steps after the library's quantile, which is off by up to 1e-7 of itself here and there
from hundreds of thousands of cycles on; each step doubles the right digits."""


def _exact_upper(k: Floats, n: Floats, error: float) -> Floats:
    """Solve P(K <= k; n, p) = error, in closed form at k = 0 and by convention at k = n."""
    upper = np.where(k == 0, -np.expm1(np.log(error) / n), 1.0)
    inner = (k > 0) & (k < n)
    upper[inner] = _beta_upper(k[inner] + 1, n[inner] - k[inner], error)
    return upper


def _exact_lower(k: Floats, n: Floats, error: float) -> Floats:
    """Solve P(K >= k; n, p) = error, in closed form at k = n and by convention at k = 0."""
    lower = np.where(k == n, np.exp(np.log(error) / n), 0.0)
    inner = (k > 0) & (k < n)
    lower[inner] = _beta_lower(k[inner], n[inner] - k[inner] + 1, error)
    return lower


def _beta_upper(a: Floats, b: Floats, error: float) -> Floats:
    """Return the rate that a beta(a, b) variable exceeds with probability `error`."""
    rate = np.asarray(special.betainccinv(a, b, error), dtype=np.float64)
    for _ in range(STEPS):
        rate = rate + _step(a, b, rate, beta_above(a, b, rate) - error)
    return rate


def _beta_lower(a: Floats, b: Floats, error: float) -> Floats:
    """Return the rate that a beta(a, b) variable falls short of with probability `error`."""
    rate = np.asarray(special.betaincinv(a, b, error), dtype=np.float64)
    for _ in range(STEPS):
        rate = rate - _step(a, b, rate, beta_below(a, b, rate) - error)
    return rate


def _step(a: Floats, b: Floats, rate: Floats, miss: Floats) -> Floats:
    """Return Newton's step; none where the rate was rounded to an end and the density is 0."""
    slope = np.asarray(stats.beta.pdf(rate, a, b))
    return np.asarray(miss / np.where(slope > 0, slope, np.inf))


def _midp_upper(k: Floats, n: Floats, error: float) -> Floats:
    """Solve P(K < k) + P(K = k) / 2 = error.

    The root lies between the exact bounds for k - 1 and k failures.
    """
    upper = np.where(k == 0, -np.expm1(np.log(2 * error) / n), 1.0)
    inner = (k > 0) & (k < n)
    k, n = k[inner], n[inner]

    def surplus(rate: Floats, k: Floats, n: Floats) -> Floats:
        tails = beta_above(k, n - k + 1, rate) + beta_above(k + 1, n - k, rate)
        return np.asarray(tails / (2 * error) - 1)

    upper[inner] = _root(surplus, _exact_upper(k - 1, n, error), _exact_upper(k, n, error), k, n)
    return upper


def _midp_lower(k: Floats, n: Floats, error: float) -> Floats:
    """Solve P(K > k) + P(K = k) / 2 = error.

    The root lies between the exact bounds for k and k + 1 failures.
    """
    lower = np.where(k == n, np.exp(np.log(2 * error) / n), 0.0)
    inner = (k > 0) & (k < n)
    k, n = k[inner], n[inner]

    def surplus(rate: Floats, k: Floats, n: Floats) -> Floats:
        tails = beta_below(k, n - k + 1, rate) + beta_below(k + 1, n - k, rate)
        return np.asarray(tails / (2 * error) - 1)

    lower[inner] = _root(surplus, _exact_lower(k, n, error), _exact_lower(k + 1, n, error), k, n)
    return lower


def _root(
    surplus: Callable[[Floats, Floats, Floats], Floats],
    low: Floats,
    high: Floats,
    k: Floats,
    n: Floats,
) -> Floats:
    """Find the rates between `low` and `high` where `surplus` changes sign."""
    found = elementwise.find_root(
        surplus,
        (low, high),
        args=(k, n),
    )
    return np.asarray(found.x)


def _wilson_upper(k: Floats, n: Floats, error: float) -> Floats:
    return _wilson(k, n, -special.ndtri(error))


def _wilson_lower(k: Floats, n: Floats, error: float) -> Floats:
    return _wilson(k, n, special.ndtri(error))


def _wilson(k: Floats, n: Floats, z: float) -> Floats:
    """Return the root of (p - k/n)^2 = z^2 p (1 - p) / n on the side of z's sign.

    The smaller root is the product of both divided by the larger one, which keeps its digits
    where a difference would lose them.
    """
    outer = k + z**2 / 2 + np.abs(z) * np.sqrt(k * (n - k) / n + z**2 / 4)
    return np.asarray(outer / (n + z**2) if z >= 0 else k**2 / n / outer)


def _jeffreys_upper(k: Floats, n: Floats, error: float) -> Floats:
    upper = np.ones(k.shape)
    some = k < n
    upper[some] = _beta_upper(k[some] + 0.5, n[some] - k[some] + 0.5, error)
    return upper


def _jeffreys_lower(k: Floats, n: Floats, error: float) -> Floats:
    lower = np.zeros(k.shape)
    some = k > 0
    lower[some] = _beta_lower(k[some] + 0.5, n[some] - k[some] + 0.5, error)
    return lower


BOUNDS: dict[Method, tuple[Bound, Bound]] = {
    "exact": (_exact_lower, _exact_upper),
    "midp": (_midp_lower, _midp_upper),
    "wilson": (_wilson_lower, _wilson_upper),
    "jeffreys": (_jeffreys_lower, _jeffreys_upper),
}
"""The lower and the upper bound of each method."""
