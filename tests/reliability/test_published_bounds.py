"""The checks from outside on binomial bounds and success runs."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from typing import Any

import pytest
from scipy.optimize import brentq
from support.published import Published, covered, read_published

from trialog.reliability import cycles_for_allowed, failure_rate_bounds

NOT_COVERED = {
    "T1-R-mendel-p": "a two-sided test's p value by least likelihood; no such function here",
    "T1-R-51of235-two-sided": "a two-sided test's p value by least likelihood; no such function",
    "T1-binomR-4of20-ac-lo": "Agresti-Coull is not offered",
    "T1-binomR-4of20-ac-hi": "Agresti-Coull is not offered",
    "T2-rule3-1500": "3/n is an approximation that nothing here uses; the numerator is checked",
    "T2-bayes-10": "the Bayesian convention, one cycle more than the exact bound, is not offered",
    "T2-bayes-59": "the Bayesian convention, one cycle more than the exact bound, is not offered",
}

METHODS = {
    "Clopper-Pearson": "exact",
    "mid-P": "midp",
    "Wilson+cc": "wilson_cc",
    "Wilson": "wilson",
    "Jeffreys": "jeffreys",
    "exact one-sided": "exact",
}


def bound(quantity: str, inputs: dict[str, Any]) -> float:
    """The bound that a row's quantity names; two-sided unless it says one-sided."""
    method = next(ours for name, ours in METHODS.items() if quantity.startswith(name))
    side = "lower" if "lower" in quantity else "upper"
    bounds = failure_rate_bounds(
        inputs["x"],
        inputs["n"],
        confidence=inputs.get("conf", inputs.get("C")),
        sides=side if "one-sided" in quantity else "both",
        method=method,
    )
    return float(getattr(bounds, side))


def p_value(inputs: dict[str, Any]) -> float:
    """A one-sided p value p of k failures at p0 means: the lower bound at 1 - p is p0."""
    top, _, bottom = str(inputs["p0"]).partition("/")
    wanted = float(top) / float(bottom or 1)

    def miss(p: float) -> float:
        confidence = 1 - p
        found = failure_rate_bounds(inputs["x"], inputs["n"], confidence=confidence, sides="lower")
        return found.lower - wanted

    return float(brentq(miss, 0.001, 0.999, xtol=1e-14))


def fewest(inputs: dict[str, Any]) -> int:
    limit = float(1 - Decimal(str(inputs["R"])))
    return cycles_for_allowed(limit, inputs["C"], inputs["c"])


def numerator(inputs: dict[str, Any]) -> float:
    """What the exact bound at 0 failures, times the cycles, tends to."""
    return 10_000_000 * failure_rate_bounds(0, 10_000_000, confidence=inputs["C"]).upper


def figure(quantity: str, inputs: dict[str, Any]) -> float:
    ours: Callable[[dict[str, Any]], float] = {
        "exact binomial p": p_value,
        "min n": fewest,
        "-ln(1-C) numerator": numerator,
    }.get(quantity, lambda values: bound(quantity, values))
    return ours(inputs)


ROWS = read_published("1-binomial-bounds") + read_published("2-success-run")


@pytest.mark.parametrize("row", covered(ROWS, NOT_COVERED), ids=str)
def test_agrees_with_the_published_figure(row: Published):
    row.check(figure(row.quantity, row.inputs))
