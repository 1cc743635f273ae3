"""Binomial tail probabilities on trusted input.

P(K <= k; n, p) = I_{1-p}(n - k, k + 1), the regularized incomplete beta function (DLMF 8.17.5).
Of the library's several ways to it only the ones used here keep twelve digits at ten million
cycles; the obvious ones lose up to four of them.
"""

from __future__ import annotations

from decimal import Decimal

import numpy as np
import numpy.typing as npt
from scipy import special

from trialog.reliability import _exact

Floats = npt.NDArray[np.float64]
Numbers = Floats | float

DOUBT = 1e-9
"""Relative distance within which a float comparison is repeated in decimals; the tails are good
to about 1e-12 for ten million cycles."""


def beta_above(a: Numbers, b: Numbers, rate: Numbers) -> Floats:
    """Return P(X > rate) for X beta(a, b), a and b above 0."""
    return np.asarray(special.betaincc(a, b, rate))


def beta_below(a: Numbers, b: Numbers, rate: Numbers) -> Floats:
    """Return P(X <= rate) for X beta(a, b), a and b above 0.

    Where the other tail is the smaller one, the difference from 1 is the more accurate way.
    """
    above = special.betaincc(a, b, rate)
    return np.where(above < 0.5, 1 - above, special.betainc(a, b, rate))


def at_most(failures: int, cycles: int, rate: float) -> float:
    """Return P(K <= failures) for K binomial(cycles, rate) and failures < cycles."""
    return float(beta_above(failures + 1, cycles - failures, rate))


def at_least(failures: int, cycles: int, rate: float) -> float:
    """Return P(K >= failures) for K binomial(cycles, rate) and 1 <= failures <= cycles."""
    return float(beta_below(failures, cycles - failures + 1, rate))


def excess(failures: int, cycles: int, rate: float, level: Decimal) -> Decimal:
    """Return P(K <= failures) - level; 0 where the two are equal.

    Near a tie the probability is summed in decimals, so that the sign is right.
    """
    chance = at_most(failures, cycles, rate)
    if abs(chance - float(level)) > DOUBT * float(level):
        return Decimal(chance) - level
    difference = _exact.at_most(failures, cycles, rate) - level
    return difference if abs(difference) > _exact.TIE else Decimal(0)
