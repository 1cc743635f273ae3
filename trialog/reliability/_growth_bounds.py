"""Bounds on the current rate of a power-law process, on trusted input.

Write S for the sum of ln(T / t) over the failures and z for rate T S, the rate being the one at
the end T. Given how the trial ended, the distribution below involves z alone, so bounding z
bounds the rate; z depends on the data only through the number of failures k.

Ended at a number of cycles: given S, the number of failures K has P(K = j) proportional to
z^j / (j! (j - 1)!), j >= 1. Ended at a failure: z is the product of two independent gamma
variables, of shape k and k - 1.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from scipy import special
from scipy.optimize import brentq

from trialog.reliability._positions import Floats

NODES = 600
"""Points of the trapezoidal rule, which converges faster than any power of their number here: the
integrand is smooth and has run out at both ends."""

FAR = 1e-22
"""Chance left out beyond each end of an integral or sum."""


def exact_upper(failures: int, error: float, *, at_failure: bool) -> float:
    """Return the z at which so few failures, or so small a product, have the chance `error`."""
    if at_failure:
        return _root(lambda z: _product_above(failures, z) - error, failures)
    return _root(lambda z: _at_most(failures, z) - error, failures)


def exact_lower(failures: int, error: float, *, at_failure: bool) -> float:
    """Return the z at which so many failures, or so large a product, have the chance `error`."""
    if at_failure:
        return _root(lambda z: error - _product_below(failures, z), failures)
    return _root(lambda z: error - _at_least(failures, z), failures)


def normal_upper(failures: int, error: float) -> float:
    """Solve failures = sqrt(z) - q sqrt(sqrt(z) / 2), q the normal quantile of `error`."""
    q = -float(special.ndtri(error))
    return (failures + q**2 / 4 + q * math.sqrt(failures / 2 + q**2 / 16)) ** 2


def normal_lower(failures: int, error: float) -> float:
    """Solve failures = sqrt(z) + q sqrt(failures / 2); 0 where there is no such z."""
    q = -float(special.ndtri(error))
    return max(failures - q * math.sqrt(failures / 2), 0.0) ** 2


def _root(surplus: Callable[[float], float], failures: int) -> float:
    """Find the z where a falling function changes sign, from its middle z = failures^2 on."""
    low = high = 2 * math.log(failures)
    while surplus(math.exp(low)) <= 0:
        low -= 1
    while surplus(math.exp(high)) >= 0:
        high += 1
    return math.exp(brentq(lambda log_z: surplus(math.exp(log_z)), low, high, xtol=1e-14))


def _chances(z: float, failures: int) -> Floats:
    """Return P(K = j) for j = 1, 2, ... up to where nothing is left, at least to `failures`.

    K lies about sqrt(z) with a variance below sqrt(z) / 2 + 1; each chance follows from the one
    before, P(j + 1) / P(j) = z / (j (j + 1)).
    """
    last = math.ceil(max(failures, math.sqrt(z)) + 12 * (z**0.25 + 4))
    steps = np.arange(1, last)
    logs = np.concatenate(([0.0], np.cumsum(math.log(z) - np.log(steps) - np.log(steps + 1))))
    weights = np.exp(logs - logs.max())
    return np.asarray(weights / weights.sum())


def _at_most(failures: int, z: float) -> float:
    return float(_chances(z, failures)[:failures].sum())


def _at_least(failures: int, z: float) -> float:
    return float(_chances(z, failures)[failures - 1 :].sum())


def _product_below(failures: int, z: float) -> float:
    logs, weights = _second_factor(failures - 1)
    return float(weights @ special.gammainc(failures, z * np.exp(-logs)))


def _product_above(failures: int, z: float) -> float:
    logs, weights = _second_factor(failures - 1)
    return float(weights @ special.gammaincc(failures, z * np.exp(-logs)))


def _second_factor(shape: int) -> tuple[Floats, Floats]:
    """Return points for the logarithm of a gamma variable, and their weights."""
    first = math.log(special.gammaincinv(shape, FAR))
    logs = np.linspace(first, math.log(special.gammainccinv(shape, FAR)), NODES)
    density = np.exp(shape * logs - np.exp(logs) - special.gammaln(shape))
    return logs, density * (logs[1] - logs[0])
