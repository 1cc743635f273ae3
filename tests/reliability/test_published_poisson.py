"""The checks from outside on Poisson rates, which a rare failure in many cycles comes to."""

from __future__ import annotations

from typing import Any

import pytest
from support.published import Published, covered, read_published

from trialog.reliability import cycles_for_allowed, failure_rate_bounds

NOT_COVERED = {
    "T6-15of400-p": "a two-sided p value; no such function here",
}

CYCLES = 200_000_000
"""A binomial bound times them is off the Poisson bound by a multiple of 1 / CYCLES."""

RARE = 1e-6
"""A limit so low that cycles_for_allowed times it is the Poisson length to five digits."""


def mean_bound(method: str, side: str, inputs: dict[str, Any]) -> float:
    """A two-sided bound on the mean count.

    Twice the cycles halve the difference to the Poisson bound, so it can be taken off.
    """
    once, twice = (
        cycles
        * getattr(
            failure_rate_bounds(
                inputs["x"], cycles, confidence=inputs["conf"], sides="both", method=method
            ),
            side,
        )
        for cycles in (CYCLES, 2 * CYCLES)
    )
    return float(2 * twice - once)


def length_factor(inputs: dict[str, Any]) -> float:
    """The length of a test in mean cycles between failures at the limit."""
    return RARE * cycles_for_allowed(RARE, inputs["C"], inputs["failures_allowed"])


def figure(quantity: str, inputs: dict[str, Any]) -> float:
    if quantity.startswith("test length factor"):
        return length_factor(inputs)
    if quantity == "rate":
        return failure_rate_bounds(inputs["x"], CYCLES).estimate * CYCLES / inputs["T"]
    methods = {"exact": "exact", "Jeffreys": "jeffreys", "score": "wilson"}
    kind, *_, side = quantity.split(" ")
    return mean_bound(methods[kind], side, inputs) / inputs.get("T", 1)


ROWS = read_published("6-poisson-mtbf")


@pytest.mark.parametrize("row", covered(ROWS, NOT_COVERED), ids=str)
def test_agrees_with_the_published_figure(row: Published):
    row.check(figure(row.quantity, row.inputs))
