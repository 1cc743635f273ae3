"""Ten significant digits of every bound, against fifty-digit arithmetic.

A bound that is good to 1e-10 of itself has its equation change sign between
bound * (1 - 1e-10) and bound * (1 + 1e-10). The tails are worked out by other formulas than
ours: plain sums of binomial terms up to eleven failures, or good cycles; beyond that an integral
with many more nodes over a longer way.
"""

from __future__ import annotations

from functools import cache

import mpmath as mp
import numpy as np
import pytest

from trialog.reliability import failure_rate_bounds
from trialog.reliability._peek_safe import NEVER_FAILS

DIGITS = mp.mpf(10) ** -10
CYCLES = [1, 20, 1_000, 1_000_000, 1_000_000_000]
CONFIDENCES = [0.5, 0.95, 0.999999]
ENDED = ["exact", "midp", "jeffreys", "peek_safe"]


def counts(cycles: int) -> list[int]:
    """No failure to nothing but failures; k = n and k = 0 have tests of their own as well."""
    grid = {0, 1, 2, 10, cycles // 1000, cycles // 2, cycles - 1, cycles}
    return sorted(count for count in grid if count <= cycles)


OUTERMOST = [0.001, 1 - 1e-12]
GRID = [(failures, cycles) for cycles in CYCLES for failures in counts(cycles)]


def log_term(k: mp.mpf, n: mp.mpf, p: mp.mpf) -> mp.mpf:
    """log P(K = k)."""
    choose = mp.loggamma(n + 1) - mp.loggamma(k + 1) - mp.loggamma(n - k + 1)
    return choose + k * mp.log(p) + (n - k) * mp.log1p(-p)


def at_most(k: int, n: int, p: mp.mpf) -> mp.mpf:
    """P(K <= k) as a plain sum, from the largest term down."""
    term = mp.exp(log_term(mp.mpf(k), mp.mpf(n), p))
    total = mp.mpf(0)
    for count in range(k, -1, -1):
        total += term
        term *= count * (1 - p) / ((n - count + 1) * p)
    return total


@cache
def nodes() -> list[tuple[mp.mpf, mp.mpf]]:
    """Gauss and Legendre's 20 nodes and weights on (0, 1), refined to fifty digits."""
    found = []
    for guess in np.polynomial.legendre.leggauss(20)[0]:
        at = mp.findroot(lambda x: mp.legendre(20, x), mp.mpf(guess))
        slope = 20 * (at * mp.legendre(20, at) - mp.legendre(19, at)) / (at * at - 1)
        found.append(((at + 1) / 2, 1 / ((1 - at * at) * slope * slope)))
    return found


def beta_above(a: mp.mpf, b: mp.mpf, p: mp.mpf) -> mp.mpf:
    """P(X > p) for X beta(a, b), over fourteen standard deviations in fourteen pieces.

    In t = 1 - (1 - p) v^2, so that half a failure leaves no root at the end.
    """
    q, total = 1 - p, a + b
    log_beta = mp.loggamma(a) + mp.loggamma(b) - mp.loggamma(total)
    wide = 14 * mp.sqrt(a * b / total) / total
    start = mp.sqrt(max(1 - wide / q, mp.mpf(0)))
    width = (1 - start) / 14
    integral = mp.mpf(0)
    for piece in range(14):
        for node, weight in nodes():
            v = start + width * (piece + node)
            ways = (a - 1) * mp.log1p(-q * v * v) + (b - 1) * mp.log(q * v * v)
            integral += weight * width * 2 * q * v * mp.exp(ways - log_beta)
    return integral


def tail(k: int, n: int, p: mp.mpf) -> mp.mpf:
    """P(K <= k) of a binomial."""
    if k <= 11:
        return at_most(k, n, p)
    if n - k <= 12:
        return 1 - at_most(n - k - 1, n, 1 - p)
    return beta_above(mp.mpf(k + 1), mp.mpf(n - k), p)


def upper_tail(method: str, k: int, n: int, p: mp.mpf) -> mp.mpf:
    """What an upper bound sets equal to its error; it falls with p."""
    one = mp.exp(log_term(mp.mpf(k), mp.mpf(n), p))
    if method == "exact":
        return tail(k, n, p)
    if method == "midp":
        return tail(k, n, p) - one / 2
    if method == "jeffreys":
        return half_tail(k, n, p)
    spread = (1 - tail(k, n + 1, p)) / (p * (n + 1) * one)
    alone = (1 - p) ** -n if k == 0 else 0
    return 1 / (NEVER_FAILS * alone + (1 - NEVER_FAILS) * spread)


def half_tail(k: int, n: int, p: mp.mpf) -> mp.mpf:
    """P(X > p) for X beta(k + 1/2, n - k + 1/2); few failures by their own series."""
    a, b = k + mp.mpf("0.5"), n - k + mp.mpf("0.5")
    if k > 11 or p > 0.5:
        return beta_above(a, b, p)
    scale = mp.exp(
        a * mp.log(p) + b * mp.log1p(-p) + mp.loggamma(n + 1) - mp.loggamma(a) - mp.loggamma(b)
    )
    term = total = scale / a
    step = 0
    while term > total * mp.mpf(10) ** -40:
        term *= p * (n + 1 + step) / (a + 1 + step)
        total += term
        step += 1
    return 1 - total


def holds(method: str, k: int, n: int, error: mp.mpf, rates: tuple[mp.mpf, mp.mpf]) -> bool:
    """Whether an upper bound lies between two rates."""
    low, high = rates
    return upper_tail(method, k, n, high) <= error <= upper_tail(method, k, n, low)


def around(rate: float) -> tuple[mp.mpf, mp.mpf]:
    """The rates that ten right digits leave possible, inside (0, 1)."""
    least = mp.mpf(10) ** -45
    return rate * (1 - DIGITS), min(rate * (1 + DIGITS), 1 - least)


@pytest.mark.parametrize(
    ("failures", "cycles", "confidence"),
    [
        *((*counts, confidence) for counts in GRID for confidence in CONFIDENCES),
        *((k, 1_000_000_000, confidence) for k in (0, 1, 2, 10) for confidence in OUTERMOST),
    ],
)
@pytest.mark.parametrize("method", ENDED)
def test_bounds_keep_ten_digits(method, failures, cycles, confidence):
    bounds = {
        side: getattr(
            failure_rate_bounds(failures, cycles, confidence=confidence, sides=side, method=method),
            side,
        )
        for side in ("lower", "upper")
    }
    if failures == 0:
        assert bounds["lower"] == 0.0
    if failures == cycles:
        assert bounds["upper"] == 1.0
    with mp.workdps(50):
        error = 1 - mp.mpf(repr(confidence))
        if failures < cycles and bounds["upper"] > 0:
            assert holds(method, failures, cycles, error, around(bounds["upper"]))
        if failures > 0 and bounds["lower"] < 1:
            low, high = around(bounds["lower"])
            assert holds(method, cycles - failures, cycles, error, (1 - high, 1 - low))


@pytest.mark.parametrize("confidence", CONFIDENCES)
@pytest.mark.parametrize(("failures", "cycles"), GRID)
@pytest.mark.parametrize(("method", "half"), [("wilson", "0"), ("wilson_cc", "0.5")])
def test_score_bounds_keep_ten_digits(method, half, failures, cycles, confidence):
    ours = {
        side: getattr(
            failure_rate_bounds(failures, cycles, confidence=confidence, sides=side, method=method),
            side,
        )
        for side in ("lower", "upper")
    }
    with mp.workdps(50):
        z = -mp.sqrt(2) * mp.erfinv(1 - 2 * mp.mpf(repr(confidence)))

        def root(sign: int) -> mp.mpf:
            k = failures + sign * mp.mpf(half)
            side = mp.sqrt(k * (cycles - k) / cycles + z * z / 4)
            return (k + z * z / 2 + sign * z * side) / (cycles + z * z)

        low = mp.mpf(0) if failures == 0 else root(-1)
        high = mp.mpf(1) if failures == cycles else root(1)
        assert abs(ours["lower"] - low) <= DIGITS * abs(low)
        assert abs(ours["upper"] - high) <= DIGITS * high


@pytest.mark.parametrize("method", ENDED)
@pytest.mark.parametrize("sides", ["upper", "lower", "both"])
def test_many_counts_in_one_call_get_the_digits_of_one(method, sides):
    """Many start from our own guess, one from the library's quantile."""
    rng = np.random.default_rng(20240501)
    cycles = (10 ** rng.uniform(0, 9, 9_000)).astype(int)
    failures = np.minimum((10 ** rng.uniform(-1, 9, 9_000)).astype(int), cycles)
    for confidence in (0.3, 0.95, 0.999999):
        many = failure_rate_bounds(
            failures, cycles, confidence=confidence, sides=sides, method=method
        )
        for at in range(0, 9_000, 90):
            one = failure_rate_bounds(
                int(failures[at]), int(cycles[at]), confidence=confidence, sides=sides,
                method=method,
            )  # fmt: skip
            # 1e-11: the last step starts from elsewhere
            assert (many.lower[at], many.upper[at]) == pytest.approx(
                (one.lower, one.upper), rel=1e-11, abs=0
            )
