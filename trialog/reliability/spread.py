"""Whether groups of cycles (shifts, operators, lots) fail at one common rate."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from trialog.errors import InvalidValueError
from trialog.reliability import _checks

BATCH = 1_000
"""Draws held in memory at a time."""

SLACK = 1e-9
"""Relative difference below which two statistics are the same; sums of fractions are rounded."""

Counts = Sequence[int] | npt.NDArray[np.integer[Any]]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True)
class HomogeneityResult:
    """Result of a test that groups share one failure rate.

    `statistic` is Pearson's chi-square over the groups; `p_value` its Monte Carlo p value and
    `p_error` that value's standard error; `groups` counts the groups that have cycles.
    """

    statistic: float
    p_value: float
    p_error: float
    groups: int


def homogeneity_test(
    failures: Counts, cycles: Counts, *, rng: np.random.Generator, draws: int = 20_000
) -> HomogeneityResult:
    """Test whether groups fail at one common rate, given how many failures there were.

    Parameters
    ----------
    failures, cycles : sequence of int, shape (g,)
        Failed and counted cycles of each group, 0 <= failures <= cycles. Groups without
        cycles are left out.
    rng : numpy.random.Generator
        Source of randomness; the same seed gives the same p value.
    draws : int
        Random tables, at least 1.

    Returns
    -------
    HomogeneityResult
        The p value is (1 + tables at least as uneven) / (1 + draws), over tables drawn from
        the multivariate hypergeometric distribution: the failures dealt out to the cycles at
        random. It is valid for any counts, however small. By convention the statistic is 0
        and the p value 1, without error, for fewer than two groups, no failures, or nothing
        but failures.

    Raises
    ------
    InvalidValueError
        If a count is not a whole number in its range, the shapes differ, `draws` is below 1
        or `rng` is not a Generator.

    References
    ----------
    Pearson's chi-square for a 2 x g table, conditional on its margins: Agresti (2013),
    Categorical Data Analysis, third edition, sections 3.2 and 16.5. Add-one rule: Davison and
    Hinkley (1997), Bootstrap Methods and their Application, equation 4.11.

    Examples
    --------
    >>> import numpy as np
    >>> from trialog.reliability import homogeneity_test
    >>> result = homogeneity_test([0, 1, 9], [900, 950, 920], rng=np.random.default_rng(1))
    >>> round(result.statistic, 2), result.p_value < 0.01
    (14.73, True)
    """
    k, n = _groups(failures, cycles)
    draws = _checks.whole("draws", draws, 1)
    if not isinstance(rng, np.random.Generator):
        raise InvalidValueError("rng", "be a numpy.random.Generator", rng)
    total, size = int(k.sum()), int(n.sum())
    if n.size < 2 or total in {0, size}:
        return HomogeneityResult(0.0, 1.0, 0.0, n.size)
    observed = _unevenness(k, n) * (1 - SLACK)
    extreme = sum(
        int((_unevenness(tables, n) >= observed).sum()) for tables in _tables(n, total, rng, draws)
    )
    p_value = (1 + extreme) / (1 + draws)
    p_error = float(np.sqrt(p_value * (1 - p_value) / draws))
    return HomogeneityResult(_chi_square(k, n), p_value, p_error, n.size)


def _groups(failures: Counts, cycles: Counts) -> tuple[Ints, Ints]:
    """Return the counts of the groups that have cycles."""
    k, n = list(failures), list(cycles)
    if len(k) != len(n):
        raise InvalidValueError("cycles", f"have one count a group ({len(k)})", len(n))
    n = [_checks.whole("cycles", count, 0) for count in n]
    pairs = zip(k, n, strict=True)
    k = [_checks.whole("failures", part, 0, whole, "cycles") for part, whole in pairs]
    some = np.array(n) > 0
    return np.array(k)[some], np.array(n)[some]


def _tables(n: Ints, total: int, rng: np.random.Generator, draws: int) -> Iterator[Ints]:
    """Deal `total` failures out to the groups at random, `draws` times, a batch at a time."""
    for start in range(0, draws, BATCH):
        rows = min(BATCH, draws - start)
        yield rng.multivariate_hypergeometric(n, total, size=rows)


def _unevenness(k: Ints, n: Ints) -> npt.NDArray[np.float64]:
    """Return the part of chi-square that varies between tables with the same margins."""
    return np.asarray((k**2 / n).sum(axis=-1))


def _chi_square(k: Ints, n: Ints) -> float:
    """Return Pearson's statistic, failed and good cycles of each group against the pooled rate."""
    rate = k.sum() / n.sum()
    return float(((k - n * rate) ** 2 / (n * rate * (1 - rate))).sum())
