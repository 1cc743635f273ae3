"""Tails and quantiles of beta distributions, in log odds, on trusted input.

Every exact binomial bound is a beta quantile: P(K <= k; n, p) = P(X > p) for X beta(k + 1, n - k)
(DLMF 8.17.5). Here a rate is carried as its log odds y = log(p / (1 - p)), from which p and
q = 1 - p both come with all of their digits, however close to 0 or 1 they lie. A lower bound is
the mirror image of an upper one: swap a and b and change the sign of y.

The density is taken apart as in Loader (2000), Fast and accurate computation of binomial
probabilities: what Stirling's formula leaves over, and a deviance that is small where the
probability is large. So no large numbers cancel, and a billion cycles cost no digits.

Arrays have one dimension and one length.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import special

Floats = npt.NDArray[np.float64]

HALF_LOG_2PI = 0.5 * math.log(2 * math.pi)

DROP = 33.0
"""A tail is cut off where its density has fallen to exp(-33) of where the tail begins."""

LARGE = 10.0
"""From here on five terms of Stirling's series are good to sixteen digits."""

CLOSE = 2e-4
"""Where the log of a tail was off by less than this, one of Halley's steps leaves 1e-13."""

BLOCK, BATCH = 8192, 1024
"""Bounds worked out at a time, and tails summed at a time, so that what they need stays near the
processor."""

FEW = 64
"""Up to here the library's quantile costs less than a rough step of our own, which calls numpy
more often but waits less for each bound."""


class Rule(NamedTuple):
    """Where to look at a function on (0, 1), and what each look weighs in its integral."""

    nodes: Floats
    weights: Floats


def _rule(nodes: int) -> Rule:
    """Return Gauss and Legendre's nodes and weights on (0, 1)."""
    at, weights = np.polynomial.legendre.leggauss(nodes)
    return Rule((at + 1) / 2, weights / 2)


ROUGH, FINE = _rule(10), _rule(22)


class Beta(NamedTuple):
    """A beta(a, b) distribution with what its density needs at every rate."""

    a: Floats
    b: Floats
    log_scale: Floats


Step = Callable[[Beta, Floats], tuple[Floats, Floats]]
StepOf = Callable[[Beta, Floats, float, Rule], tuple[Floats, Floats]]


def beta(a: Floats, b: Floats) -> Beta:
    """Prepare a beta(a, b) distribution, a and b above 0."""
    total = a + b
    over = stirling_error(np.stack((total, a, b)))
    log_scale = 0.5 * np.log(a / total * b) - HALF_LOG_2PI + (over[0] - over[1] - over[2])
    return Beta(a, b, log_scale)


def stirling_error(x: Floats) -> Floats:
    """Return log gamma(x) - ((x - 1/2) log x - x + log(2 pi) / 2), for x above 0 (DLMF 5.11.1)."""
    r = 1 / x
    s = r * r
    error = (1 / 12 - s * (1 / 360 - s * (1 / 1260 - s * (1 / 1680 - s / 1188)))) * r
    small = x < LARGE
    few = x[small]
    error[small] = special.gammaln(few) - ((few - 0.5) * np.log(few) - few + HALF_LOG_2PI)
    return np.asarray(error)


def odds_apart(y: Floats) -> tuple[Floats, Floats]:
    """Return p and 1 - p of log odds."""
    return 1 / (1 + np.exp(-y)), 1 / (1 + np.exp(y))


def lead(law: Beta, p: Floats, q: Floats) -> Floats:
    """Return a q - b p, the slope of the log density by the log odds."""
    return law.a * q - law.b * p


def log_density(law: Beta, p: Floats, q: Floats) -> Floats:
    """Return the log of the density of the log odds: p q times the density of the rate."""
    ahead, total = lead(law, p, q), law.a + law.b
    near = law.a * np.log1p(ahead / (total * p)) + law.b * np.log1p(-ahead / (total * q))
    return np.asarray(law.log_scale - near)


def tail_ratio(law: Beta, p: Floats, q: Floats, rule: Rule = FINE) -> Floats:
    """Return P(X > p) / density of the log odds at p, for whole numbers a and b, not both 1.

    A sum over Gauss and Legendre's nodes from p to where nothing is left. Right to 1e-13 for
    p above the median. With a or b half a number off, the density has a root in it that the
    nodes do not follow.
    """
    left, right = law.a - 1, law.b - 1
    reach = _reach(left, right, p, q)
    over_p, over_q, total = reach / p, -reach / q, np.empty(p.size)
    for at in range(0, p.size, BATCH):
        part = slice(at, at + BATCH)
        log_ratio = _log_powers(rule.nodes, over_p[part], left[part])
        log_ratio += _log_powers(rule.nodes, over_q[part], right[part])
        total[part] = rule.weights @ np.exp(log_ratio, out=log_ratio)
    return np.asarray(over_p / q * total)


def _log_powers(nodes: Floats, span: Floats, power: Floats) -> Floats:
    """Return power log(1 + node span) for every node; in place, which saves half of the time."""
    values = np.multiply.outer(nodes, span)
    np.log1p(values, out=values)
    values *= power
    return values


def _reach(left: Floats, right: Floats, p: Floats, q: Floats) -> Floats:
    """Say how far above p the density has fallen by DROP, at most q; a Newton step is enough."""
    slope, bend = right / q - left / p, left / (p * p) + right / (q * q)
    far = np.minimum((np.sqrt(slope * slope + 2 * DROP * bend) - slope) / bend, 0.99 * q)
    fallen = left * np.log1p(far / p) + right * np.log1p(-far / q) + DROP
    steep = right / (q - far) - left / (p + far)
    return np.asarray(np.minimum(far + fallen / np.maximum(steep, 1e-300), q))


def first_guess(a: Floats, b: Floats, error: float) -> Floats:
    """Guess the log odds that a beta(a, b) variable exceeds with probability `error`, quickly.

    Cornish and Fisher's expansion with the first three cumulants of log gamma variables, whose
    difference the log odds are; a and b are at least 1.
    """
    z = -special.ndtri(error)
    (mean_a, square_a, cube_a), (mean_b, square_b, cube_b) = _cumulants(a), _cumulants(b)
    square = square_a + square_b
    skew = (z * z - 1) / 6 * (cube_a - cube_b) / square
    return np.asarray(mean_a - mean_b + z * np.sqrt(square) + skew)


def _cumulants(x: Floats) -> tuple[Floats, Floats, Floats]:
    """Return about the first three cumulants of log X for X gamma(x), from DLMF 5.11.2."""
    r = 1 / x
    mean = np.log(x) - r * (1 / 2 + r / 12)
    return mean, r * (1 + r * (1 / 2 + r / 6)), -r * r * (1 + r * (1 + r / 2))


def tail_quantile(law: Beta, error: float, step_of: StepOf, close: float) -> Floats:
    """Return the log odds above which a tail of `law` comes to `error`, at most a half.

    `step_of` gives a step towards them and by how much the log of the tail is missed.
    """
    log_error = math.log(error)
    if law.a.size <= FEW:
        y = scipy_guess(law.a, law.b, error)
    else:
        y = first_guess(law.a, law.b, error)
        y = y + step_of(law, y, log_error, ROUGH)[0]
    return converge(law, y, lambda law, y: step_of(law, y, log_error, FINE), close)


def scipy_guess(a: Floats, b: Floats, error: float) -> Floats:
    """Return the library's log odds, which are off by up to 1e-7 here and there."""
    return np.asarray(np.log(special.betainccinv(a, b, error) / special.betaincinv(b, a, error)))


def beta_step(law: Beta, y: Floats, log_error: float, rule: Rule) -> tuple[Floats, Floats]:
    """Return Halley's step for log P(X > p) = log error, and by how much that is missed."""
    p, q = odds_apart(y)
    ratio = tail_ratio(law, p, q, rule)
    miss = log_density(law, p, q) + np.log(ratio) - log_error
    return halley(miss, ratio, lead(law, p, q)), miss


def halley(miss: Floats, ratio: Floats, ahead: Floats) -> Floats:
    """Return Halley's step in the log odds for the log of a tail.

    It falls by 1 / ratio and bends by ahead / ratio + 1 / ratio^2. Being concave, it is never
    overstepped by much; the floor keeps a first step in bounds.
    """
    return np.asarray(miss * ratio / np.maximum(1 + miss * (ahead * ratio + 1) / 2, 0.5))


def converge(law: Beta, y: Floats, step: Step, close: float) -> Floats:
    """Take steps, each until one started closer than `close` to the solution."""
    change, miss = step(law, y)
    y = y + change
    far = np.abs(miss) > close
    if far.any():
        y[far] = converge(Beta(law.a[far], law.b[far], law.log_scale[far]), y[far], step, close)
    return y


def fill(
    values: Floats, some: npt.NDArray[np.bool_], function: Callable[..., Floats], *arrays: Floats
) -> Floats:
    """Replace those of `values` at `some` by what `function` makes of the arrays there."""
    if some.all():
        return function(*arrays)
    if some.any():
        values[some] = function(*(array[some] for array in arrays))
    return values
