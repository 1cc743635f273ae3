"""The checks from outside: every row of checks/published.csv on bounds and success runs.

A row's id, its source and how far the source was seen stand in the test's name and message.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from trialog.reliability import cycles_for_allowed, failure_rate_bounds

TOPICS = {"1-binomial-bounds", "2-success-run"}

NOT_COVERED = {
    "T1-R-mendel-p": "a two-sided test's p value by least likelihood; no such function here",
    "T1-R-51of235-two-sided": "a two-sided test's p value by least likelihood; no such function",
    "T1-newc-81of263-4-lo": "Wilson with a continuity term is not offered",
    "T1-newc-15of148-4-lo": "Wilson with a continuity term is not offered",
    "T1-newc-1of29-4-lo": "Wilson with a continuity term is not offered",
    "T1-newc-1of29-4-hi": "Wilson with a continuity term is not offered",
    "T1-binomR-4of20-ac-lo": "Agresti-Coull is not offered",
    "T1-binomR-4of20-ac-hi": "Agresti-Coull is not offered",
    "T2-rule3-1500": "3/n is an approximation that nothing here uses; the numerator is checked",
    "T2-bayes-10": "the Bayesian convention, one cycle more than the exact bound, is not offered",
    "T2-bayes-59": "the Bayesian convention, one cycle more than the exact bound, is not offered",
}

METHODS = {
    "Clopper-Pearson": "exact",
    "mid-P": "midp",
    "Wilson": "wilson",
    "Jeffreys": "jeffreys",
    "exact one-sided": "exact",
}


def read_rows() -> list[dict[str, str]]:
    path = Path(__file__).parents[1] / "checks" / "published.csv"
    with path.open(newline="", encoding="utf-8") as file:
        return [row for row in csv.DictReader(file) if row["topic"] in TOPICS]


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


def rate_rejected(row: dict[str, str], inputs: dict[str, Any]) -> tuple[float, float]:
    """A one-sided p value p of k failures at p0 means: the lower bound at 1 - p is p0."""
    top, _, bottom = str(inputs["p0"]).partition("/")
    confidence = 1 - float(row["expected"])
    bounds = failure_rate_bounds(inputs["x"], inputs["n"], confidence=confidence, sides="lower")
    return bounds.lower, float(top) / float(bottom or 1)


def fewest(inputs: dict[str, Any]) -> int:
    limit = float(1 - Decimal(str(inputs["R"])))
    return cycles_for_allowed(limit, inputs["C"], inputs["c"])


def numerator(inputs: dict[str, Any]) -> float:
    """What the exact bound at 0 failures, times the cycles, tends to."""
    return 10_000_000 * failure_rate_bounds(0, 10_000_000, confidence=inputs["C"]).upper


def figures(row: dict[str, str]) -> tuple[float, float]:
    """Our figure and the published one."""
    quantity, inputs = row["quantity"], json.loads(row["inputs_json"])
    if quantity == "exact binomial p":
        return rate_rejected(row, inputs)
    ours: Callable[[dict[str, Any]], float] = {
        "min n": fewest,
        "-ln(1-C) numerator": numerator,
    }.get(quantity, lambda values: bound(quantity, values))
    return ours(inputs), float(row["expected"])


ROWS = read_rows()
COVERED = [row for row in ROWS if row["id"] not in NOT_COVERED]


@pytest.mark.parametrize("row", COVERED, ids=lambda row: f"{row['id']} {row['status']}")
def test_agrees_with_the_published_figure(row):
    ours, published = figures(row)
    assert abs(ours - published) <= float(row["abs_tol"]), f"{row['source']} ({row['status']})"


def test_every_row_is_either_checked_or_excused():
    checked = {row["id"] for row in COVERED}
    assert checked.isdisjoint(NOT_COVERED)
    assert checked | set(NOT_COVERED) == {row["id"] for row in ROWS}
    assert len(ROWS) == 64


def test_every_row_says_where_it_is_from_and_how_far_that_was_seen():
    known = {"PUBLISHED-SEEN", "PUBLISHED-SEEN(2ndhand)", "FROM-MEMORY", "ORACLE"}
    assert {row["status"] for row in ROWS} <= known
    assert all(row["source"] for row in ROWS)
