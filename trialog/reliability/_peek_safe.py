"""A bound that holds however often somebody looks: a mixture martingale, turned into a bound.

For a true rate p, take the likelihood ratio of a smaller rate t p against p, with t spread over
(0, 1] uniformly and a weight W at t = 0 set apart for a device that never fails:

    M = W [k = 0] / q^n  +  (1 - W) integral_0^1 t^k ((1 - t p) / q)^(n - k) dt,   q = 1 - p.

Under p, M is a martingale that starts at 1. So by Ville's inequality the chance that it ever
comes to 1 / error is at most `error`, at whatever p. The bound is the p at which M = 1 / error:
rates above it have M > 1 / error, for M grows with p (each (1 - t p) / q does). M falls with
every failure and grows with every good cycle, so the bound does the opposite.

With X beta(k + 1, n - k + 1), the integral is P(X <= p) over p times the density of X at p, which
is q P(X <= p) over the density of X's log odds. log M is convex in the log odds, being the log of
a sum of exponentials of convex functions. So Newton's steps from below overshoot once and then
come down to the root; they need no bracket.

Robbins (1970), Annals of Mathematical Statistics 41:1397-1409; Howard, Ramdas, McAuliffe and
Sekhon (2021), Annals of Statistics 49:1055-1080. The spread over alternatives below p only, which
makes the bound one-sided, and W are our choice.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import partial

import numpy as np

from trialog.reliability import _beta
from trialog.reliability._beta import Beta, Floats

NEVER_FAILS = 0.58
"""W. At 95 % confidence and 100 to 20,000 cycles it makes the bound at most 1.12 times the exact
one at 0 failures, 1.70 times at 1 and 1.39 times at 10. Less would help where there are failures,
more where there are none; this W makes the largest of the three, each over what was allowed for
it (1.25, 1.9, 1.6), as small as it can be."""

Mixture = Callable[[Beta, Floats, Floats], tuple[Floats, Floats]]

CLOSE = 1e-7
"""Newton's step squares what is missed, as a share of log M: this leaves 1e-14."""


def upper_log_odds(k: Floats, n: Floats, error: float, start: Floats) -> Floats:
    """Return the log odds at which M = 1 / error, for k < n.

    `start` holds those of the exact bound at `error` or at a half, whichever is less. With any
    failure the integral, a martingale itself, is at most 1 / error there and 1 / ((1 - W) error)
    at the root; so that start lies below it. Without one M has a closed form, right everywhere.
    """
    y = start
    for some, mixture in ((k == 0, _clean_mixture), (k > 0, _mixture)):
        y = _beta.fill(y, some, partial(_solve, mixture, error), k, n, start)
    return y


def _solve(mixture: Mixture, error: float, k: Floats, n: Floats, start: Floats) -> Floats:
    """Take Newton's steps to where log M = -log error."""
    wanted = -math.log(error)

    def step(law: Beta, y: Floats) -> tuple[Floats, Floats]:
        log_m, slope = mixture(law, *_beta.odds_apart(y))
        return (wanted - log_m) / slope, 1 - log_m / wanted

    return _beta.converge(_beta.beta(k + 1, n - k + 1), start, step, CLOSE)


def _mixture(law: Beta, p: Floats, q: Floats) -> tuple[Floats, Floats]:
    """Return log M and its slope in the log odds, with some failure."""
    log_density = _beta.log_density(law, p, q)
    density = np.exp(log_density)
    below = 1 - density * _beta.tail_ratio(law, p, q)
    log_m = math.log1p(-NEVER_FAILS) + np.log(q * below) - log_density
    return log_m, density / below - _beta.lead(law, p, q) - p


def _clean_mixture(law: Beta, p: Floats, q: Floats) -> tuple[Floats, Floats]:
    """Return log M and its slope in the log odds, with no failure.

    The integral is then (1 - q^(n + 1)) / ((n + 1) p) over q^n.
    """
    more = law.b  # n + 1
    log_q = np.where(p < q, np.log1p(-p), np.log(q))
    spread = -np.expm1(more * log_q) / (more * p)
    weight = NEVER_FAILS + (1 - NEVER_FAILS) * spread
    bend = (1 - NEVER_FAILS) * (np.exp(more * log_q) - spread * q) / weight
    return np.log(weight) - (more - 1) * log_q, (more - 1) * p + bend
