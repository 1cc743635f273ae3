"""A chart of failures by shift, with exact limits around one rate for all of them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from trialog.reliability import _checks
from trialog.reliability._tails import beta_above, beta_below
from trialog.reliability.between import TAIL
from trialog.reliability.bounds import Counts, count_arrays, whole_array

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class ControlLimits:
    """Limits for the failures of each group at one rate; `cycles`, `lower`, `upper`: shape (m,).

    Fewer failures than `lower` or more than `upper` is a signal; by chance alone either has at
    most `tail`.
    """

    rate: float
    tail: float
    cycles: Ints
    lower: Ints
    upper: Ints


@dataclass(frozen=True)
class ControlChart:
    """Groups against limits at the rate that all of them have together.

    `low` and `high` are the places, from 0, of the groups below the lower and above the upper
    limit. `limits` is None where no cycle was counted.
    """

    failures: Ints
    cycles: Ints
    limits: ControlLimits | None
    low: tuple[int, ...]
    high: tuple[int, ...]


def control_limits(rate: float, cycles: Counts, *, tail: float = TAIL) -> ControlLimits:
    """Give the limits for the number of failures in groups of cycles at a constant rate.

    Parameters
    ----------
    rate : float
        Failures per cycle, from 0 to 1.
    cycles : sequence of int, shape (m,)
        Cycles of each group, from 0 to 1,000,000,000.
    tail : float
        Largest chance of a false signal at each limit; above 0, below 0.5.

    Returns
    -------
    ControlLimits
        With K binomial(cycles, rate): lower is the smallest k with P(K <= k) > tail, upper the
        smallest with P(K > k) <= tail, so that they step with the size of the group. The usual
        limits, rate plus and minus 3 sigma, stand on a normal curve that rare failures do not
        follow: at 1 failure in 1,000 cycles a shift of 960 would break the upper one by chance
        in 1.7 % of shifts.

    Raises
    ------
    InvalidValueError
        If an argument lies outside its range.

    References
    ----------
    Chart of proportions: NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.3.2 (from
    memory), with exact binomial limits in place of those of the normal approximation.

    Examples
    --------
    >>> from trialog.reliability import control_limits
    >>> limits = control_limits(0.01, [100, 960])
    >>> limits.lower.tolist(), limits.upper.tolist()
    ([0, 2], [5, 20])
    """
    rate = _checks.chance("rate", rate)
    tail = _checks.inside("tail", tail, 0.5, "one half")
    groups = np.atleast_1d(whole_array("cycles", cycles))
    n, which = np.unique(groups, return_inverse=True)  # groups of one size have one limit
    return ControlLimits(
        rate=rate,
        tail=tail,
        cycles=groups.astype(np.int64),
        lower=_first(n, lambda k: beta_above(k + 1, n - k, rate) > tail)[which],
        upper=_first(n, lambda k: beta_below(k + 1, n - k, rate) <= tail)[which],
    )


def control_chart(failures: Counts, cycles: Counts, *, tail: float = TAIL) -> ControlChart:
    """Chart the failures of groups against limits at the rate of all of them together.

    Parameters
    ----------
    failures, cycles : sequence of int, shape (m,)
        Failures and cycles of each group, failures from 0 to cycles. May be empty.
    tail : float
        As in `control_limits`.

    Returns
    -------
    ControlChart
        The groups charted have a part in the rate, so the chances of a false signal are not
        exact. By convention there are no limits, and no signals, without a cycle.

    Raises
    ------
    InvalidValueError
        If an argument lies outside its range, or the counts do not broadcast.

    References
    ----------
    As `control_limits`.

    Examples
    --------
    >>> from trialog.reliability import control_chart
    >>> control_chart([1, 0, 15, 2], [900, 960, 950, 400]).high
    (2,)
    """
    tail = _checks.inside("tail", tail, 0.5, "one half")
    k, n = (np.atleast_1d(counts) for counts in count_arrays(failures, cycles))
    counts = k.astype(np.int64), n.astype(np.int64)
    if not n.sum():
        return ControlChart(*counts, None, (), ())
    limits = control_limits(float(k.sum() / n.sum()), counts[1], tail=tail)
    low, high = np.flatnonzero(k < limits.lower), np.flatnonzero(k > limits.upper)
    return ControlChart(*counts, limits, tuple(low.tolist()), tuple(high.tolist()))


def _first(n: Floats, holds: Callable[[Floats], npt.NDArray[np.bool_]]) -> Ints:
    """Return for each group the smallest count from 0 to its cycles from which on `holds` is true.

    It is true of all cycles of a group: not fewer than all of them fail, and none more.
    """
    low, high = np.full(n.shape, -1.0), n.copy()
    while (high - low > 1).any():
        # Where the two have met, the middle is `low` or what lies just before a count of 0.
        middle = np.floor((low + high) / 2)
        true = holds(np.maximum(middle, 0)) & (middle >= 0)
        high, low = np.where(true, middle, high), np.where(true, low, middle)
    return high.astype(np.int64)
