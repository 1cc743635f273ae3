"""Binomial tail probabilities on trusted input.

The incomplete beta function gives both tails to full relative precision, however small they
are: P(K <= k; n, p) = I_{1-p}(n - k, k + 1) (DLMF 8.17.5).
"""

from __future__ import annotations

from decimal import Decimal

from scipy import special

from trialog.reliability import _exact

DOUBT = 1e-9
"""Relative distance within which a float comparison is repeated in decimals; the incomplete
beta function is good to about 1e-13 for ten million cycles."""


def at_most(failures: int, cycles: int, rate: float) -> float:
    """Return P(K <= failures) for K binomial(cycles, rate) and failures < cycles."""
    return float(special.betaincc(failures + 1, cycles - failures, rate))


def at_least(failures: int, cycles: int, rate: float) -> float:
    """Return P(K >= failures) for K binomial(cycles, rate) and 1 <= failures <= cycles."""
    return float(special.betainc(failures, cycles - failures + 1, rate))


def excess(failures: int, cycles: int, rate: float, level: Decimal) -> Decimal:
    """Return P(K <= failures) - level; 0 where the two are equal.

    Near a tie the probability is summed in decimals, so that the sign is right.
    """
    chance = at_most(failures, cycles, rate)
    if abs(chance - float(level)) > DOUBT * float(level):
        return Decimal(chance) - level
    difference = _exact.at_most(failures, cycles, rate) - level
    return difference if abs(difference) > _exact.TIE else Decimal(0)
