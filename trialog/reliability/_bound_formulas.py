"""The formulas behind the bounds, on trusted arrays of one dimension and length.

`error` is the chance of being wrong that the bound may have. Sources and the conventions at the
ends stand in `bounds`.

All methods but Wilson's give the log odds of an upper bound for fewer failures than cycles. The
lower bound is its mirror image, good cycles taken for failed ones.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import partial
from typing import Literal

import numpy as np
from scipy import special

from trialog.reliability import _beta, _peek_safe
from trialog.reliability._beta import Beta, Floats, Rule

Method = Literal["exact", "midp", "wilson", "wilson_cc", "jeffreys", "peek_safe"]
Bound = Callable[[Floats, Floats, float], Floats]

NEWTON_CLOSE = 1e-7
"""Newton's step squares what is missed: this leaves 1e-14."""


def _upper(log_odds: Bound, k: Floats, n: Floats, error: float) -> Floats:
    """Return the upper bound that a method's log odds give; by convention 1 at k = n."""

    def rate(k: Floats, n: Floats) -> Floats:
        return _beta.odds_apart(log_odds(k, n, error))[0]

    return _beta.fill(np.ones(k.shape), k < n, rate, k, n)


def _lower(log_odds: Bound, k: Floats, n: Floats, error: float) -> Floats:
    """Return the lower bound that a method's log odds give; by convention 0 at k = 0."""

    def rate(k: Floats, n: Floats) -> Floats:
        return _beta.odds_apart(log_odds(n - k, n, error))[1]

    return _beta.fill(np.zeros(k.shape), k > 0, rate, k, n)


def exact(k: Floats, n: Floats, error: float) -> Floats:
    """Solve P(K <= k; n, p) = error, in closed form at k = 0."""
    return _beta.fill(_clean(n, error), k > 0, lambda k, n: _exact_inner(k + 1, n - k, error), k, n)


def _exact_inner(a: Floats, b: Floats, error: float) -> Floats:
    """Solve P(X > p) = error for X beta(a, b).

    Where that tail is the larger one, the other is solved for: accuracy lies there.
    """
    if error > 0.5:
        return -_exact_inner(b, a, 1 - error)
    return _beta.tail_quantile(_beta.beta(a, b), error, _beta.beta_step, _beta.CLOSE)


def _clean(n: Floats, error: float) -> Floats:
    """Solve (1 - p)^n = error."""
    return np.asarray(np.log(np.expm1(-math.log(error) / n)))


def _midp(k: Floats, n: Floats, error: float) -> Floats:
    """Solve P(K < k) + P(K = k) / 2 = error, in closed form at k = 0; 0 where 2 error >= 1."""
    sure = 2 * error >= 1
    clean = np.full(n.shape, -np.inf) if sure else _clean(n, 2 * error)
    return _beta.fill(clean, k > 0, lambda k, n: _midp_inner(k, n, error), k, n)


def _midp_inner(k: Floats, n: Floats, error: float) -> Floats:
    """Solve as `_exact_inner` does."""
    if error > 0.5:
        return -_midp_inner(n - k, n, 1 - error)
    return _beta.tail_quantile(_beta.beta(k + 1, n - k), error, _midp_step, NEWTON_CLOSE)


def _midp_step(law: Beta, y: Floats, log_error: float, rule: Rule) -> tuple[Floats, Floats]:
    """Return Newton's step for the tail less half of the outcome seen, and what is missed.

    P(K = k) is the density of the log odds over (n - k) p, with law = beta(k + 1, n - k).
    """
    p, q = _beta.odds_apart(y)
    good, bad = law.b * p, (law.a - 1) * q
    kept = 2 * good * _beta.tail_ratio(law, p, q, rule) - 1
    miss = _beta.log_density(law, p, q) + np.log(kept / (2 * good)) - log_error
    return miss * kept / (good + bad), miss


def _jeffreys(k: Floats, n: Floats, error: float) -> Floats:
    """Solve P(X > p) = error for X beta(k + 1/2, n - k + 1/2), from the library's quantile."""
    a, b = k + 0.5, n - k + 0.5

    def step(law: Beta, y: Floats) -> tuple[Floats, Floats]:
        p, q = _beta.odds_apart(y)
        tail = np.where(p < q, special.betaincc(law.a, law.b, p), special.betainc(law.b, law.a, q))
        miss = np.log(tail / error)
        ratio = tail / np.exp(_beta.log_density(law, p, q))
        return _beta.halley(miss, ratio, _beta.lead(law, p, q)), miss

    return _beta.converge(_beta.beta(a, b), _beta.scipy_guess(a, b, error), step, _beta.CLOSE)


def _wilson(k: Floats, n: Floats, z: float) -> Floats:
    """Return the root of (p - k/n)^2 = z^2 p (1 - p) / n on the side of z's sign.

    The smaller root is the product of both divided by the larger one, which keeps its digits
    where a difference would lose them.
    """
    outer = k + z**2 / 2 + np.abs(z) * np.sqrt(k * (n - k) / n + z**2 / 4)
    return np.asarray(outer / (n + z**2) if z >= 0 else k**2 / n / outer)


def _wilson_upper(k: Floats, n: Floats, error: float) -> Floats:
    return _wilson(k, n, -special.ndtri(error))


def _wilson_lower(k: Floats, n: Floats, error: float) -> Floats:
    return _wilson(k, n, special.ndtri(error))


def _wilson_cc_upper(k: Floats, n: Floats, error: float) -> Floats:
    """Count half a failure more; by convention 1 at k = n."""
    more = np.minimum(k + 0.5, n)
    return np.where(k < n, _wilson(more, n, -special.ndtri(error)), 1.0)


def _wilson_cc_lower(k: Floats, n: Floats, error: float) -> Floats:
    """Count half a failure less; by convention 0 at k = 0."""
    less = np.maximum(k - 0.5, 0.0)
    return np.where(k > 0, _wilson(less, n, special.ndtri(error)), 0.0)


def _peek_safe_log_odds(k: Floats, n: Floats, error: float) -> Floats:
    return _peek_safe.upper_log_odds(k, n, error, exact(k, n, min(error, 0.5)))


def _both(log_odds: Bound) -> tuple[Bound, Bound]:
    return partial(_lower, log_odds), partial(_upper, log_odds)


BOUNDS: dict[Method, tuple[Bound, Bound]] = {
    "exact": _both(exact),
    "midp": _both(_midp),
    "wilson": (_wilson_lower, _wilson_upper),
    "wilson_cc": (_wilson_cc_lower, _wilson_cc_upper),
    "jeffreys": _both(_jeffreys),
    "peek_safe": _both(_peek_safe_log_odds),
}
"""The lower and the upper bound of each method."""
