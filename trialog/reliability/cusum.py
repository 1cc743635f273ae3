"""A Bernoulli CUSUM: it signals as soon as failures come too fast for too long.

The statistic W starts at 0; a good cycle takes 1 off, not below 0, and a failed one adds m - 1.
It signals when W reaches the threshold. W / m is the statistic S = max(0, S + X - 1/m) of the
literature, X being 1 for a failure.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import Decimal, localcontext

import numpy as np

from trialog.errors import InvalidValueError
from trialog.reliability import _checks, _exact
from trialog.reliability._positions import Positions, sorted_places

MOST_LINES = 100
"""Largest threshold, as a multiple of m - 1; the work goes with its square."""

MOST_GROWTH = 1_000
"""Largest number of digits by which the terms of a run length may grow."""

DIGITS = 50
"""Digits that the first try at a run length carries, besides what its terms grow by."""

TRIES = 6
"""Each try carries twice the digits of the one before. Run lengths below 1e308 lose some 400 digits
at the most, so two tries among six agree on them."""

AGREE = Decimal("1e-15")
"""Relative distance below which two tries are the same number."""


@dataclass(frozen=True)
class CusumResult:
    """Path of a Bernoulli CUSUM over a trial.

    `values` has W right after each failure, first to last; it falls by 1 a cycle between them.
    `final` is W at the end of the trial, `signal` the cycle at which W first reached the
    threshold, None if it never did. The path runs on after a signal.
    """

    values: tuple[int, ...]
    final: int
    signal: int | None
    m: int
    threshold: int


def bernoulli_cusum(positions: Positions, cycles: int, *, m: int, threshold: int) -> CusumResult:
    """Follow the Bernoulli CUSUM of a trial.

    Parameters
    ----------
    positions : sequence of int, shape (k,)
        Cycle numbers of the failures, each once, from 1 to cycles, in any order.
    cycles : int
        Cycles of the trial, at least 0. The time taken goes with the failures.
    m : int
        A failure adds m - 1 to the statistic, a good cycle takes 1 off; at least 2. See
        `cusum_m`.
    threshold : int
        Value at which the statistic signals, at least 1. See `cusum_threshold`.

    Returns
    -------
    CusumResult
        Without cycles or without failures the statistic stays at 0. With nothing but failures
        it grows by m - 1 a cycle.

    Raises
    ------
    InvalidValueError
        If an argument lies outside its range or a position appears twice.

    References
    ----------
    Reynolds and Stoumbos (1999), Journal of Quality Technology 31, 87-108, section "Bernoulli
    CUSUM" (from memory), times m.

    Examples
    --------
    >>> from trialog.reliability import bernoulli_cusum
    >>> bernoulli_cusum([400, 700, 710, 715], 1000, m=50, threshold=120)
    CusumResult(values=(49, 49, 89, 134), final=0, signal=715, m=50, threshold=120)
    """
    cycles = _checks.whole("cycles", cycles, 0)
    m, threshold = _checks.whole("m", m, 2), _checks.whole("threshold", threshold, 1)
    failed = sorted_places(positions, cycles)
    if not failed.size:
        return CusumResult((), 0, None, m, threshold)
    # Right before a failure the statistic is the sum of all steps so far, less its lowest so far:
    # that takes off what 0 held up, and makes it 0 before the first failure.
    sums = np.cumsum(m - np.diff(failed, prepend=0))
    values = sums - np.minimum.accumulate(sums) + (m - 1)
    high = np.flatnonzero(values >= threshold)
    signal = int(failed[high[0]]) if high.size else None
    final = max(0, int(values[-1]) - (cycles - int(failed[-1])))
    return CusumResult(tuple(values.tolist()), final, signal, m, threshold)


def cusum_m(good: float, bad: float) -> int:
    """Give the m with which a Bernoulli CUSUM tells two failure rates apart soonest.

    Parameters
    ----------
    good, bad : float
        Failures per cycle of a device in order and of one that has worsened,
        0 < good < bad < 1.

    Returns
    -------
    int
        ln(bad (1 - good) / (good (1 - bad))) / ln((1 - good) / (1 - bad)), rounded to the
        nearest whole number, at least 2. It lies between 1 / bad and 1 / good.

    Raises
    ------
    InvalidValueError
        If a rate lies outside its range.

    References
    ----------
    Reynolds and Stoumbos (1999), as `bernoulli_cusum`: m = r2 / r1, the weights of the
    sequential likelihood ratio.

    Examples
    --------
    >>> from trialog.reliability import cusum_m
    >>> cusum_m(1e-4, 1e-3)
    2558
    """
    good = _checks.inside("good", good)
    bad = _checks.between("bad", bad, good, "good")
    per_good = math.log1p(-good) - math.log1p(-bad)
    return max(2, round((math.log(bad) - math.log(good) + per_good) / per_good))


def cusum_run_length(rate: float, *, m: int, threshold: int) -> float:
    """Give the average number of cycles until a Bernoulli CUSUM signals, counted from 0.

    Parameters
    ----------
    rate : float
        Failures per cycle, above 0, below 1.
    m, threshold : int
        As in `bernoulli_cusum`; the threshold at most 100 (m - 1), and at most
        1000 / -log10(1 - rate), about 2300 / rate.

    Returns
    -------
    float
        Cycles up to and including the one that signals, with the statistic at 0 before the
        first. Exact to all digits of a float; the time taken does not depend on m, but goes
        with the square of threshold / m.

    Raises
    ------
    InvalidValueError
        If an argument lies outside its range, or the number is too large for a float.

    Notes
    -----
    Count states x = threshold - W from the threshold down. The mean e(x) that is left to wait
    solves e(x) = 1 + rate e(x - m + 1) + (1 - rate) e(x + 1), e = 0 at the threshold and
    above. Let u solve it without the 1, from u(1) = 1 on: with r = rate, q = 1 - rate,

        u(x) = sum over j of (-r)^j q^-(N - j m + j) C(N - j m + j, j),  N = x - 1,

    as long as N >= j m. Then e(x) = A u(x) - (u(1) + ... + u(x - 1)) / q; being unable to leave
    0 downwards gives A, and adding the equations up gives the sum from every (m - 1)-th u. The
    sum for u alternates, so it is taken in decimals, with ever more digits until they agree.

    References
    ----------
    The Markov chain of Reynolds and Stoumbos (1999), as `bernoulli_cusum`, solved in closed
    form; derived here.

    Examples
    --------
    >>> from trialog.reliability import cusum_run_length
    >>> round(cusum_run_length(0.02, m=50, threshold=150), 3)
    570.138
    """
    rate, m = _checks.inside("rate", rate), _checks.whole("m", m, 2)
    name = "the largest that is worked out for this m and rate"
    threshold = _checks.whole("threshold", threshold, 1, _most(rate, m), name)
    length = _run_length(rate, m, threshold)
    if math.isinf(float(length)):
        rule = f"be low enough for a run length below 1e308 at a rate of {rate}"
        raise InvalidValueError("threshold", rule, threshold)
    return float(length)


def cusum_threshold(rate: float, run_length: float, *, m: int) -> int:
    """Give the smallest threshold whose average run length is at least the one wanted.

    Parameters
    ----------
    rate : float
        Failures per cycle of a device in order, above 0, below 1.
    run_length : float
        Average number of cycles to a false signal, at least 1.
    m : int
        As in `bernoulli_cusum`.

    Returns
    -------
    int
        The threshold; with one less the average run length is shorter than wanted. At most m - 1
        means that the first failure signals.

    Raises
    ------
    InvalidValueError
        If an argument lies outside its range, or no threshold that `cusum_run_length` accepts
        will do.

    References
    ----------
    As `cusum_run_length`, which never falls with the threshold.

    Examples
    --------
    >>> from trialog.reliability import cusum_run_length, cusum_threshold
    >>> threshold = cusum_threshold(1e-4, 1_000_000, m=2558)
    >>> threshold, round(cusum_run_length(1e-4, m=2558, threshold=threshold))
    (6483, 1000349)
    """
    rate, m = _checks.inside("rate", rate), _checks.whole("m", m, 2)
    wanted = Decimal(_checks.real("run_length", run_length, "be a number of at least 1"))
    if wanted < 1:
        raise InvalidValueError("run_length", "be a number of at least 1", run_length)
    # `low` is too short and `high`, once the bracket is found, long enough.
    most = _most(rate, m)
    low, high = 0, min(m - 1, most)
    while _run_length(rate, m, high) < wanted:
        if high == most:
            rule = f"be within reach of a threshold of {most}"
            raise InvalidValueError("run_length", rule, run_length)
        low, high = high, min(2 * high, most)
    while high - low > 1:
        middle = (low + high) // 2
        if _run_length(rate, m, middle) < wanted:
            low = middle
        else:
            high = middle
    return high


def _most(rate: float, m: int) -> int:
    """Return the largest threshold whose run length is worked out; a float below 1 allows 62."""
    most, growth = MOST_LINES * (m - 1), _growth(rate)
    return most if most * growth <= MOST_GROWTH else int(MOST_GROWTH / growth)


def _growth(rate: float) -> float:
    """Return the digits by which the terms of a run length grow at each step."""
    return -math.log1p(-rate) / math.log(10)


def _run_length(rate: float, m: int, threshold: int) -> Decimal:
    """Return the average run length from 0, good to 15 digits; infinite if far above 1e308."""
    digits = DIGITS + 2 * math.ceil(threshold * _growth(rate))
    last: Decimal | None = None
    for double in range(TRIES):
        length = _try_run_length(rate, m, threshold, digits * 2**double)
        if last is not None and length is not None and abs(length - last) < AGREE * length:
            return length
        last = length
    return Decimal("Infinity")


def _try_run_length(rate: float, m: int, threshold: int, digits: int) -> Decimal | None:
    """Return the average run length as these digits give it, None if they are too few.

    Both u(x) at x = threshold, threshold - (m - 1), ... and its terms live on the same lattice:
    term j of the l-th u has N - j m + j = threshold - 1 - (l + j) (m - 1).
    """
    steps = range(threshold - 1, -1, 1 - m)
    with localcontext(prec=digits):
        bad = _exact.decimal_of(rate)
        signed = [(-bad) ** j for j in range(len(steps))]
        grown = [(1 - bad) ** -step for step in steps]
        waits = [_wait(steps[line:], grown[line:], signed) for line in range(len(steps))]
        leaving = waits[0] - (waits[1] if len(waits) > 1 else 0)
        if leaving <= 0:
            return None
        return (waits[0] ** 2 / leaving - sum(wait - 1 for wait in waits)) / bad


def _wait(steps: range, grown: list[Decimal], signed: list[Decimal]) -> Decimal:
    """Return u for the first of the steps; terms whose binomial coefficient is 0 are none."""
    terms = zip(signed, grown, enumerate(steps), strict=False)
    return sum((sign * power * math.comb(n, j) for sign, power, (j, n) in terms), Decimal(0))
