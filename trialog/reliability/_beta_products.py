"""The product of independent beta variables: its lower tail and the quantile of that.

A device's chance of a good cycle has a beta(a, b) posterior; the cell's is the product of the
devices'. Y = -log of the product has the moment generating function

    M(s) = prod Gamma(a - s) Gamma(a + b) / (Gamma(a) Gamma(a + b - s)),    s < min a,

and P(Y > y) is the integral of exp(-s y) M(s) / (2 pi i s) along any path that passes the real
axis between 0 and min a. This path is a parabola through the saddle point, open towards the side
where the integrand dies away, so the trapezoidal rule needs some hundred points for twelve digits
(Trefethen and Weideman 2014, SIAM Review 56:385-458, section 15; Springer and Thompson 1970, SIAM
J. Applied Mathematics 18:721-737, for products of betas by their Mellin transform).
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from scipy import optimize, special

Floats = npt.NDArray[np.float64]
Complex = npt.NDArray[np.complex128]

LARGE = 50.0
"""Modulus from which Stirling's series is used: four terms are then good to the last digit, where
a difference of two log-gammas would lose the digits that their size takes."""

POINTS = 64
"""Points summed at a time."""

SLACK = 1e-6
"""For a single factor both ends of the bracket are the root, as far as the library knows it."""

CERTAIN = 40.0
"""From here on 1 - exp(-y) is 1 in floats."""

NEAR, NARROW = 0.16, 0.4
"""Steps of the trapezoidal rule: this much of the distance to the nearest singularity and of the
integrand's width at the saddle point. Its error, exp(-2 pi / 0.16) or exp(-2 (pi / 0.4)^2), is
then below the rounding."""

EDGE = 1e-12
"""How near to the ends of its interval the saddle point is looked for, as a share of it."""


def beta_product_upper(a: Floats, b: Floats, error: float) -> float:
    """Return the u with P(1 - product > u) = error, for factors beta(a, b), b at least 1.

    Y is at least each factor's own term, and exceeds the sum of the terms' quantiles at error / m
    with at most the chance `error`: the root lies between.
    """
    low = float(_term_quantile(a, b, error).max())
    if low > CERTAIN:
        return 1.0
    high = float(_term_quantile(a, b, error / a.size).sum())

    def surplus(log_y: float) -> float:
        return math.log(_tail(a, b, math.exp(log_y)) / error)

    ends = math.log(low) - SLACK, math.log(high) + SLACK
    return -math.expm1(-math.exp(optimize.brentq(surplus, *ends, xtol=1e-15, rtol=1e-15)))


def _term_quantile(a: Floats, b: Floats, error: float) -> Floats:
    """Return the y with P(-log beta(a, b) > y) = error, to some seven digits."""
    good, bad = special.betaincinv(a, b, error), special.betainccinv(b, a, error)
    with np.errstate(divide="ignore"):
        return np.where(bad < 0.5, -np.log1p(-bad), -np.log(good))


def _tail(a: Floats, b: Floats, y: float) -> float:
    """Return P(Y > y)."""
    end = a.min()
    saddle = _saddle(a, b, y)
    gap = end - saddle
    step = _step(a, b, saddle)
    start = _log_moment(a, b, np.zeros(1, dtype=np.complex128))
    u, total = step * (np.arange(POINTS) + 0.5), 0.0
    while True:
        turn = 1 + 1j * u
        s = end - gap * turn**2
        terms = np.exp(_log_moment(a, b, s) - start - s * y) / s * 2 * gap * turn
        total += terms.real.sum()
        if abs(terms[-1]) <= np.finfo(float).eps * abs(total):
            return float(step / math.pi * total)
        u += step * POINTS


def _saddle(a: Floats, b: Floats, y: float) -> float:
    """Return the least point of exp(-s y) M(s) / s between 0 and min a, roughly."""
    end = float(a.min())

    def slope(s: float) -> float:
        return float((special.digamma(a + b - s) - special.digamma(a - s)).sum()) - y - 1 / s

    return float(optimize.brentq(slope, end * 1e-9, end * (1 - EDGE), xtol=end * EDGE, rtol=1e-6))


def _step(a: Floats, b: Floats, saddle: float) -> float:
    """Return the step along u, where s = min a - gap (1 + iu)^2.

    The branch point lies at u = i, the pole at s = 0 as far on the other side as stands here.
    """
    end = a.min()
    gap = end - saddle
    nearest = min(1.0, math.sqrt(end / gap) - 1)
    bend = (special.polygamma(1, a - saddle) - special.polygamma(1, a + b - saddle)).sum()
    width = 1 / (2 * gap * math.sqrt(bend + saddle**-2))
    return float(min(NEAR * nearest, NARROW * width))


def _log_moment(a: Floats, b: Floats, s: Complex) -> Complex:
    """Return log M(s) but for the constant that makes M(0) = 1."""
    ratios = [_log_ratio(one - s, other) for one, other in zip(a, b, strict=True)]
    return np.asarray(np.sum(ratios, axis=0))


def _log_ratio(w: Complex, b: float) -> Complex:
    """Return log(Gamma(w) / Gamma(w + b))."""
    ratio = np.empty_like(w)
    large = np.abs(w) > LARGE
    small, w = w[~large], w[large]
    ratio[~large] = special.loggamma(small) - special.loggamma(small + b)
    growth = b * np.log(w) + (w + b - 0.5) * special.log1p(b / w) - b
    ratio[large] = _stirling_rest(w) - _stirling_rest(w + b) - growth
    return ratio


def _stirling_rest(w: Complex) -> Complex:
    """Return what Stirling's formula leaves out of log Gamma(w): DLMF 5.11.1, four terms."""
    square = 1 / w**2
    return np.asarray((1 / 12 - square * (1 / 360 - square * (1 / 1260 - square / 1680))) / w)
