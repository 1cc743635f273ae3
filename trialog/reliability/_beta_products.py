"""The product of independent beta variables: its lower tail and the quantile of that.

A device's chance of a good cycle has a beta(a, b) posterior; the cell's is the product of the
devices'. Y = -log of the product has the moment generating function

    M(s) = prod Gamma(a - s) Gamma(a + b) / (Gamma(a) Gamma(a + b - s)),    s < min a.

The integral of exp(-s y) M(s) / (2 pi i s) along a path from below to above is P(Y > y) if the
path passes the real axis between 0 and min a, and -P(Y <= y) if it passes left of 0; the smaller
of the two is worked out (Springer and Thompson 1970, SIAM J. Applied Mathematics 18:721-737, for
products of betas by their Mellin transform). The path goes through the saddle point c. Seen from
there M(c + s) / M(c) belongs to factors beta(a - c, b), and what is left of exp(-s y) is small.

A posterior may be a million times narrower than another: its part dies away like that of a normal
variable, exp(s^2 var / 2), but only far out, and only within 45 degrees of the upright. So the
path is a hyperbola that leaves the upright by half of that, towards the side where exp(-s y) dies
away, and is walked in steps that grow with the distance: the trapezoidal rule for a function that
is analytic in a strip around it (Trefethen and Weideman 2014, SIAM Review 56:385-458, sections 5
and 15).
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from scipy import optimize, special

Floats = npt.NDArray[np.float64]
Complex = npt.NDArray[np.complex128]

LARGE = 50.0
"""From here on four terms of Stirling's series are good to the last digit, where a difference of
two log-gammas would lose the digits that their size takes."""

LEAN = math.pi / 8
"""Angle by which the path leaves the upright, and half the width of the strip."""

STEP = 1 / 16
"""The rule's error, exp(-2 pi LEAN / STEP), is then below the rounding."""

POINTS, MOST_BLOCKS = 64, 12
"""Points summed at a time, and how often at most: the distance grows like exp(t), and at t = 48
any integrand has long died away. Two or three blocks mostly do."""

SLACK = 1e-6
"""For a single factor both ends of the bracket are the root, as far as the library knows it."""

CERTAIN = 40.0
"""From here on 1 - exp(-y) is 1 in floats."""

TINY = 1e-300
"""Far from the root a tail may be less than any float."""

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
        above, below = _tails(a, b, math.exp(log_y))
        return math.log(above / error) if error <= 0.5 else math.log((1 - error) / below)

    ends = math.log(low) - SLACK, math.log(high) + SLACK
    return -math.expm1(-math.exp(optimize.brentq(surplus, *ends, xtol=1e-15, rtol=1e-15)))


def _term_quantile(a: Floats, b: Floats, error: float) -> Floats:
    """Return the y with P(-log beta(a, b) > y) = error, to some seven digits."""
    good, bad = special.betaincinv(a, b, error), special.betainccinv(b, a, error)
    with np.errstate(divide="ignore"):
        return np.where(bad < 0.5, -np.log1p(-bad), -np.log(good))


def _tails(a: Floats, b: Floats, y: float) -> tuple[float, float]:
    """Return P(Y > y) and P(Y <= y); the smaller one to twelve digits, unless it is below TINY."""
    mean = float((special.digamma(a + b) - special.digamma(a)).sum())
    smaller = max(_tail(a, b, y, y > mean), TINY)
    return (smaller, 1 - smaller) if y > mean else (1 - smaller, smaller)


def _tail(a: Floats, b: Floats, y: float, above: bool) -> float:
    """Return P(Y > y), or P(Y <= y) if not `above`; y lies on that side of the mean."""
    saddle = _saddle(a, b, y, above)
    scale = min(abs(saddle), float(a.min()) - saddle)
    tilted, total = a - saddle, 0.0
    for block in range(MOST_BLOCKS):
        t = STEP * (np.arange(POINTS) + 0.5 + block * POINTS)
        away = scale * (math.sin(LEAN) * (np.cosh(t) - 1) + 1j * math.cos(LEAN) * np.sinh(t))
        pace = scale * (math.sin(LEAN) * np.sinh(t) + 1j * math.cos(LEAN) * np.cosh(t))
        terms = np.exp(_log_integrand(tilted, b, away, y)) * pace / (saddle + away)
        total += float(terms.imag.sum())
        if abs(terms[-1]) <= np.finfo(float).eps * abs(total):
            break
    else:
        raise ArithmeticError(f"the integral did not settle within {MOST_BLOCKS * POINTS} points")
    at_saddle = float(_log_integrand(a, b, np.array([saddle + 0j]), y).real[0])
    return STEP / math.pi * abs(total) * math.exp(at_saddle)


def _saddle(a: Floats, b: Floats, y: float, above: bool) -> float:
    """Return the least point of |exp(-s y) M(s) / s|, right of 0 if `above`, else left, roughly."""

    def slope(s: float) -> float:
        return float((special.digamma(a + b - s) - special.digamma(a - s)).sum()) - y - 1 / s

    end = float(a.min())
    if above:
        low, high = end * 1e-9, end * (1 - EDGE)
    else:
        low, high = -1 / y, -EDGE / y
        while slope(low) > 0:
            low *= 4
    return float(optimize.brentq(slope, low, high, xtol=abs(high) * EDGE, rtol=1e-6))


def _log_integrand(a: Floats, b: Floats, s: Complex, y: float) -> Complex:
    """Return log(exp(-s y) M(s))."""
    moments = [_log_moment(one, more, s) for one, more in zip(a, b, strict=True)]
    return np.asarray(np.sum(moments, axis=0)) - s * y


def _log_moment(a: float, b: float, s: Complex) -> Complex:
    """Return log M(s) of one factor: log(Gamma(a - s) / Gamma(a)) less the same for a + b.

    Of Stirling's formula for all four, what they have in common has gone off here, so that no
    term is much larger than the whole.
    """
    both = a + b
    if _is_small(a, s):
        return _log_gamma_ratio(a, s) - _log_gamma_ratio(both, s) + s * math.log1p(b / a)
    w = a - s
    rest = _stirling_rest(w) - _stirling_rest(w + b) - _stirling_rest(a) + _stirling_rest(both)
    tilt = (both - 0.5) * special.log1p(b / both * s / w) + b * special.log1p(-s / a)
    return np.asarray(s * special.log1p(b / w) - tilt + rest)


def _log_gamma_ratio(a: float, s: Complex) -> Complex:
    """Return log(Gamma(a - s) a^s / Gamma(a))."""
    if _is_small(a, s):
        return np.asarray(special.loggamma(a - s) - special.loggamma(a) + s * math.log(a))
    rest = _stirling_rest(a - s) - _stirling_rest(a)
    return np.asarray((a - s - 0.5) * special.log1p(-s / a) + s + rest)


def _is_small(a: float, s: Complex) -> bool:
    """Say whether Stirling's series does not do for a and all of a - s."""
    return bool(min(a, np.abs(a - s).min()) < LARGE)


def _stirling_rest(w: Complex | float) -> Complex | float:
    """Return what Stirling's formula leaves out of log Gamma(w): DLMF 5.11.1, four terms."""
    square = 1 / w**2
    return (1 / 12 - square * (1 / 360 - square * (1 / 1260 - square / 1680))) / w
