"""Many comparisons at once, so that the chance of any false alarm stays as stated."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Literal, get_args

import numpy as np
import numpy.typing as npt

from trialog.errors import InvalidValueError
from trialog.reliability import _checks
from trialog.reliability._groups import Counts
from trialog.reliability.compare import RateComparison, compare_rates

Floats = npt.NDArray[np.float64]
Against = Literal["first", "each"]


@dataclass(frozen=True)
class GroupComparison:
    """Groups `first` and `second`, numbered from 0 as they were given, side by side.

    `rates` has the first as group a; `p_value` is Boschloo's that they differ, adjusted for all
    comparisons made.
    """

    first: int
    second: int
    rates: RateComparison
    p_value: float


def holm_adjust(p_values: Sequence[float] | Floats) -> Floats:
    """Adjust p values for how many there are.

    Parameters
    ----------
    p_values : sequence of float, shape (m,)
        From 0 to 1.

    Returns
    -------
    numpy.ndarray, shape (m,)
        In the order given: the i-th smallest times m - i + 1, never less than a smaller one's
        and at most 1. Rejecting those at or below x leaves a chance of at most x of any false
        alarm, however the p values depend on each other. None gives none.

    Raises
    ------
    InvalidValueError
        If a p value is not a number from 0 to 1, or there is more than one row of them.

    References
    ----------
    Holm (1979), A simple sequentially rejective multiple test procedure, Scandinavian Journal of
    Statistics 6:65-70.

    Examples
    --------
    >>> from trialog.reliability import holm_adjust
    >>> holm_adjust([0.01, 0.04, 0.03]).tolist()
    [0.03, 0.06, 0.06]
    """
    p = _checks.chances("p_values", np.asarray(p_values, dtype=None if len(p_values) else float))
    if p.ndim != 1:
        raise InvalidValueError("p_values", "be one row of numbers", p.shape)
    order = np.argsort(p, kind="stable")
    raised = np.maximum.accumulate(p[order] * np.arange(p.size, 0, -1))
    adjusted = np.empty(p.size)
    adjusted[order] = np.minimum(raised, 1.0)
    return adjusted


def compare_many(
    failures: Counts, cycles: Counts, *, against: Against = "each", confidence: float = 0.95
) -> tuple[GroupComparison, ...]:
    """Compare the failure rates of several groups of cycles, two at a time.

    Parameters
    ----------
    failures, cycles : sequence of int, shape (g,)
        Failed and counted cycles of each group, within the ranges of `compare_rates`.
    against : {"each", "first"}
        Whether every group is compared with every other one, or the first with each other one.
    confidence : float
        Confidence of each interval, as in `compare_rates`; intervals are not adjusted.

    Returns
    -------
    tuple of GroupComparison
        In the order of the groups, Boschloo's p values adjusted together by Holm's method. By
        convention empty for fewer than two groups.

    Raises
    ------
    InvalidValueError
        If the shapes differ, `against` is unknown, or `compare_rates` refuses two groups.

    References
    ----------
    Holm (1979), Scandinavian Journal of Statistics 6:65-70, for the adjustment; `compare_rates`
    for the comparisons.

    Examples
    --------
    >>> from trialog.reliability import compare_many
    >>> found = compare_many([14, 2, 3], [1900, 2100, 2000])
    >>> [(pair.first, pair.second, round(pair.p_value, 4)) for pair in found]
    [(0, 1, 0.0041), (0, 2, 0.012), (1, 2, 0.8241)]
    """
    if len(failures) != len(cycles):
        raise InvalidValueError("cycles", f"have one count a group ({len(failures)})", len(cycles))
    if against not in get_args(Against):
        raise InvalidValueError("against", f"be one of {', '.join(get_args(Against))}", against)
    pairs = list(_pairs(len(failures), against))
    rates = [
        compare_rates(failures[a], cycles[a], failures[b], cycles[b], confidence=confidence)
        for a, b in pairs
    ]
    adjusted = holm_adjust([found.boschloo_differ for found in rates])
    return tuple(
        GroupComparison(a, b, found, float(p))
        for (a, b), found, p in zip(pairs, rates, adjusted, strict=True)
    )


def _pairs(groups: int, against: Against) -> Iterator[tuple[int, int]]:
    """Return which groups are compared."""
    if against == "each":
        return combinations(range(groups), 2)
    return ((0, other) for other in range(1, groups))
