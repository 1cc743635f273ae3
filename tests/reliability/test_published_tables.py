"""The checks from outside on tables of counts: two rates compared, rates that vary by group."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest
from support.published import FOLDER, Published, covered, read_published

from trialog.reliability import RateComparison, beta_binomial_fit, compare_rates, tarone_z

NOT_COVERED = {
    "T8-mcnemar": "matched pairs; no group of cycles here is matched with another",
    "T8-power-prop": "an approximate power of a two-sample test; plans here are for one device",
    "T8-vacc-barnard": "Barnard's order of tables by the score; Boschloo's is used here",
}

DEAD, LITTER_SIZES = json.loads((FOLDER / "haseman_soares_1976_iii.json").read_text())

DATA: dict[str, Callable[[], float]] = {
    "litters": lambda: beta_binomial_fit(DEAD, LITTER_SIZES).groups,
    "total dead": lambda: sum(DEAD),
    "beta-binomial MLE mean": lambda: beta_binomial_fit(DEAD, LITTER_SIZES).mean or 0.0,
    "Tarone Z": lambda: tarone_z(DEAD, LITTER_SIZES).z,
}

FISHER = {"greater": "fisher_a_worse", "less": "fisher_b_worse", "two-sided": "fisher_differ"}

COMPARED = {
    "rate ratio exact upper": "ratio_upper",
    "conditional MLE odds ratio": "odds_ratio",
    "conditional OR upper": "odds_upper",
}


def comparison(inputs: dict[str, Any]) -> RateComparison:
    """Of two rows of failed and good cycles, or of failures and times at risk."""
    if "table" in inputs:
        (k_a, good_a), (k_b, good_b) = inputs["table"]
        return compare_rates(k_a, k_a + good_a, k_b, k_b + good_b)
    (k_a, k_b), (n_a, n_b) = inputs["x"], inputs["T"]
    return compare_rates(k_a, n_a, k_b, n_b, confidence=inputs["conf"])


def figure(row: Published) -> float:
    if row.quantity in DATA:
        return DATA[row.quantity]()
    name = COMPARED.get(row.quantity) or FISHER[row.inputs["alt"]]
    return float(getattr(comparison(row.inputs), name))


@pytest.mark.parametrize("row", covered(read_published("8-tables"), NOT_COVERED), ids=str)
def test_agrees_with_the_published_figure(row: Published):
    row.check(figure(row))
