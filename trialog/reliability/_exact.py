"""Comparisons that must not be off by one cycle, in decimal arithmetic.

A person types 0.1 and means one tenth; a float holds something close by. Where a result is a
whole number of cycles, the closeness is enough to move it by one, so these functions read every
float as the shortest decimal that it prints as and carry on with at least sixty digits. The cost
is some tens of microseconds a call.
"""

from __future__ import annotations

import math
from contextlib import AbstractContextManager
from decimal import ROUND_CEILING, ROUND_FLOOR, Context, Decimal, localcontext
from fractions import Fraction

DIGITS = 60
"""Digits carried; a sum or ratio is then good to far more than TIE."""

TIE = Decimal("1e-30")
"""Closer than this counts as equal: rounding at sixty digits is far smaller, and two different
results of numbers with seventeen digits are not this close by chance."""

SIMPLE = 1_000_000
"""Largest denominator of a fraction that somebody plausibly meant, such as a third of an hour."""


def decimal_of(number: float) -> Decimal:
    """Read a float as the shortest decimal that stands for it."""
    return Decimal(repr(float(number)))


def complement(number: float) -> float:
    """Return 1 - number without the digits that a float subtraction loses: 0.05 for 0.95."""
    return float(1 - decimal_of(number))


def fraction_of(number: float) -> Fraction:
    """Read a float as the simple fraction that it stands for, else as its decimal.

    0.1 is 1/10 and 20/60 is 1/3, although no float holds either.
    """
    decimal = Fraction(repr(float(number)))
    simple = decimal.limit_denominator(SIMPLE)
    return simple if float(simple) == number else decimal


def most_cycles(rate: float, chance: float, share: float) -> int:
    """Return the largest N with (1 - rate)^N >= chance^share, for 0 < rate <= 1."""
    with _context_for(rate):
        powers = decimal_of(share) * decimal_of(chance).ln() / (1 - decimal_of(rate)).ln()
        return int((powers + TIE).to_integral_value(ROUND_FLOOR))


def fewest_cycles(rate: float, confidence: float) -> int:
    """Return the smallest n with (1 - rate)^n <= 1 - confidence, for 0 < rate < 1."""
    with _context_for(rate):
        powers = (1 - decimal_of(confidence)).ln() / (1 - decimal_of(rate)).ln()
        return int((powers - TIE).to_integral_value(ROUND_CEILING))


def largest_rate(cycles: int, chance: float, share: float) -> float:
    """Return the largest float whose decimal holds (1 - rate)^cycles >= chance^share."""
    with localcontext(prec=DIGITS):
        exact = 1 - (decimal_of(share) * decimal_of(chance).ln() / cycles).exp()
        rate = float(exact)
        return rate if decimal_of(rate) <= exact + TIE else math.nextafter(rate, 0.0)


def at_most(failures: int, cycles: int, rate: float) -> Decimal:
    """Return P(K <= failures) for K binomial(cycles, rate), 0 < rate < 1, to about 50 digits."""
    with _context_for(rate):
        bad = decimal_of(rate)
        odds = bad / (1 - bad)
        term = total = (1 - bad) ** cycles
        for count in range(failures):
            term = term * (cycles - count) / (count + 1) * odds
            total += term
        return total


def _context_for(rate: float) -> AbstractContextManager[Context]:
    """Carry enough digits for 1 - rate to be exact."""
    return localcontext(prec=DIGITS - 2 * decimal_of(rate).adjusted())
