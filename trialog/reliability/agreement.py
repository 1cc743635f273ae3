"""How far two people who judged the same cycles agree."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import special

from trialog.errors import InvalidValueError
from trialog.reliability import _checks, _exact

Floats = npt.NDArray[np.float64]
Table = Sequence[Sequence[int]] | npt.NDArray[np.integer[Any]]


@dataclass(frozen=True)
class KappaResult:
    """Cohen's kappa of a square table of counts, with its standard error and interval.

    `agreed` is the share of cycles judged alike and `by_chance` the share that would be judged
    alike if the two judged independently. `kappa` and `standard_error` are None where kappa is
    not defined, and the interval is then all of -1 to 1.
    """

    observations: int
    confidence: float
    agreed: float | None
    by_chance: float | None
    kappa: float | None
    standard_error: float | None
    lower: float
    upper: float


def cohen_kappa(table: Table, *, confidence: float = 0.95) -> KappaResult:
    """Measure the agreement of two people beyond what chance gives: Cohen's kappa.

    Parameters
    ----------
    table : array of int, shape (c, c)
        Counts of cycles: row by the first person's judgement, column by the second's, the c
        kinds in the same order; at least 2 kinds. For spot checks, logged and not logged by
        seen and not seen.
    confidence : float
        Confidence of the two-sided interval; above 0, below 1.

    Returns
    -------
    KappaResult
        kappa = (agreed - by_chance) / (1 - by_chance); its standard error for a true kappa of
        any value; the normal interval, cut off at -1 and 1. By convention kappa is None without
        observations and where both put every cycle into the same one kind. Perfect agreement
        gives kappa 1 and a standard error of 0, which says more about the formula than about
        the people: the interval is good for some tens of cycles of each kind.

    Raises
    ------
    InvalidValueError
        If the table is not square with at least 2 rows, a count is not a whole number of at
        least 0, or the confidence is not inside (0, 1).

    References
    ----------
    Cohen (1960), Educational and Psychological Measurement 20:37-46. Standard error: Fleiss,
    Cohen and Everitt (1969), Psychological Bulletin 72:323-327, equation 13 (number of the
    equation from memory), with weights 1 for agreement and 0 otherwise.

    Examples
    --------
    >>> from trialog.reliability import cohen_kappa
    >>> result = cohen_kappa([[9, 2], [1, 88]])
    >>> round(result.kappa, 3), round(result.standard_error, 3)
    (0.84, 0.09)
    """
    counts = _square(table)
    z = -special.ndtri(_exact.complement(_checks.inside("confidence", confidence)) / 2)
    total = int(counts.sum())
    if total == 0:
        return KappaResult(0, float(confidence), None, None, None, None, -1.0, 1.0)
    shares = counts / total
    agreed = float(np.trace(shares))
    by_chance = float(shares.sum(axis=1) @ shares.sum(axis=0))
    if np.count_nonzero(counts) == 1 and agreed == 1:
        return KappaResult(total, float(confidence), 1.0, 1.0, None, None, -1.0, 1.0)
    kappa = (agreed - by_chance) / (1 - by_chance)
    error = _standard_error(shares, kappa, by_chance) / np.sqrt(total)
    return KappaResult(
        observations=total,
        confidence=float(confidence),
        agreed=agreed,
        by_chance=by_chance,
        kappa=kappa,
        standard_error=float(error),
        lower=float(max(kappa - z * error, -1.0)),
        upper=float(min(kappa + z * error, 1.0)),
    )


def _square(table: Table) -> Floats:
    """Return the table as floats."""
    rows = [list(row) for row in table]
    if len(rows) < 2 or any(len(row) != len(rows) for row in rows):
        rule = "be square, with at least 2 rows"
        raise InvalidValueError("table", rule, [len(row) for row in rows])
    return np.array([[_checks.whole("table", count, 0) for count in row] for row in rows], float)


def _standard_error(shares: Floats, kappa: float, by_chance: float) -> float:
    """Return the standard error times the root of the number of observations.

    Row and column totals change places in the second term: a cycle of row i and column j counts
    with the column total of i and the row total of j.
    """
    across = shares.sum(axis=0)[:, None] + shares.sum(axis=1)
    same = np.eye(len(shares))
    square = (shares * (same - across * (1 - kappa)) ** 2).sum()
    spread = square - (kappa - by_chance * (1 - kappa)) ** 2
    return float(np.sqrt(max(spread, 0.0))) / (1 - by_chance)
