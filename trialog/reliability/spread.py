"""Whether groups of cycles (shifts, operators, lots) fail at one common rate."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from trialog.errors import InvalidValueError
from trialog.reliability import _checks, _dealing
from trialog.reliability._groups import Counts, Ints, with_cycles

BATCH = 200
"""Draws made at a time; a few too many when the count stops early cost little."""

SLACK = 1e-9
"""Relative difference below which two statistics are the same; sums of fractions are rounded."""

MOST_TABLES = 100_000
"""States looked at for an exact p value; a few hundredths of a second."""

MOST_DRAWS, FEWEST_DRAWS, GROUP_DRAWS = 20_000, 500, 200_000
"""Random tables unless told otherwise: as many as take a few hundredths of a second."""

ENOUGH = 400
"""Random tables as uneven as the observed one after which the p value is known to 5 % of it."""


@dataclass(frozen=True)
class HomogeneityResult:
    """Result of a test that groups share one failure rate.

    `statistic` is Pearson's chi-square over the groups; `p_value` its p value given the margins
    and `p_error` that value's standard error, 0 where it is `exact`; `groups` counts the groups
    that have cycles.
    """

    statistic: float
    p_value: float
    p_error: float
    groups: int
    exact: bool


def homogeneity_test(
    failures: Counts, cycles: Counts, *, rng: np.random.Generator, draws: int | None = None
) -> HomogeneityResult:
    """Test whether groups fail at one common rate, given how many failures there were.

    Parameters
    ----------
    failures, cycles : sequence of int, shape (g,)
        Failed and counted cycles of each group, 0 <= failures <= cycles; at most 999,999,999
        cycles together. Groups without cycles are left out.
    rng : numpy.random.Generator
        Source of randomness, used only where the table is too large for an exact p value; the
        same seed gives the same one.
    draws : int, optional
        The most random tables, at least 1. Unless given, 20,000 for up to 10 groups, fewer
        for more (200,000 / groups), and never fewer than 500.

    Returns
    -------
    HomogeneityResult
        The p value is the chance of a table at least as uneven, where the failures are dealt
        out to the cycles at random: the multivariate hypergeometric distribution. For a small
        table every way to deal is summed (`exact`). For a large one random tables are drawn
        until 400 were at least as uneven as the observed one [3]_; the p value is then 400 /
        draws made, or (1 + as uneven) / (1 + draws) if they never come [4]_. Each is valid:
        without a difference, P(p value <= x) <= x for every x. No p value is below 1e-300.
        By convention the statistic is 0 and the p value 1, exact, for fewer than two groups,
        no failures, or nothing but failures.

    Raises
    ------
    InvalidValueError
        If a count is not a whole number in its range, the shapes differ, `draws` is below 1
        or `rng` is not a Generator.

    References
    ----------
    .. [1] Pearson's chi-square for a 2 x g table, conditional on its margins: Agresti (2013),
       Categorical Data Analysis, third edition, sections 3.2 and 16.5.
    .. [2] Sum over all tables with early settling: see `trialog.reliability._dealing`.
    .. [3] Besag and Clifford (1991), Sequential Monte Carlo p-values, Biometrika 78:301-304,
       section 2.
    .. [4] Davison and Hinkley (1997), Bootstrap Methods and their Application, equation 4.11.

    Examples
    --------
    >>> import numpy as np
    >>> from trialog.reliability import homogeneity_test
    >>> result = homogeneity_test([0, 1, 9], [900, 950, 920], rng=np.random.default_rng(1))
    >>> round(result.statistic, 2), round(result.p_value, 6), result.exact
    (14.73, 0.000637, True)
    """
    k, n = with_cycles(failures, cycles)
    most = _default_draws(n.size) if draws is None else _checks.whole("draws", draws, 1)
    if not isinstance(rng, np.random.Generator):
        raise InvalidValueError("rng", "be a numpy.random.Generator", rng)
    total, size = int(k.sum()), int(n.sum())
    if n.size < 2 or total in {0, size}:
        return HomogeneityResult(0.0, 1.0, 0.0, n.size, exact=True)
    if 2 * total > size:  # the good cycles are the fewer, and as uneven
        k, total = n - k, size - total
    bar = float(_unevenness(k, n)) * (1 - SLACK)
    p_value = _dealing.chance_of(bar, n, total, MOST_TABLES)
    if p_value is not None:
        return HomogeneityResult(_chi_square(k, n), p_value, 0.0, n.size, exact=True)
    return HomogeneityResult(
        _chi_square(k, n), *_simulated(bar, n, total, rng, most), n.size, exact=False
    )


def _default_draws(groups: int) -> int:
    return min(MOST_DRAWS, max(FEWEST_DRAWS, GROUP_DRAWS // max(groups, 1)))


def _simulated(
    bar: float, n: Ints, total: int, rng: np.random.Generator, draws: int
) -> tuple[float, float]:
    """Return the sequential Monte Carlo p value and its standard error."""
    found = made = 0
    for tables in _tables(n, total, rng, draws):
        as_uneven = np.flatnonzero(_unevenness(tables, n) >= bar)
        if found + as_uneven.size >= ENOUGH:
            p_value = ENOUGH / (made + int(as_uneven[ENOUGH - found - 1]) + 1)
            return p_value, float(p_value * np.sqrt((1 - p_value) / ENOUGH))
        found, made = found + as_uneven.size, made + len(tables)
    p_value = (1 + found) / (1 + draws)
    return p_value, float(np.sqrt(p_value * (1 - p_value) / draws))


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
