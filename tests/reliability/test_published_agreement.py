"""The checks from outside on the agreement of two people."""

from __future__ import annotations

import pytest
from support.published import Published, covered, read_published

from trialog.reliability import KappaResult, cohen_kappa

WEIGHTED = "weighted kappa is not offered: failure modes have no order"

NOT_COVERED = {
    "T8-wkappa-kappa": WEIGHTED,
    "T8-wkappa-ASE": WEIGHTED,
    "T8-wkappa-ASE_under_H0": WEIGHTED,
    "T8-wkappa-z": WEIGHTED,
    "T8-fleiss": "Fleiss' kappa is not offered: a spot check has two people, not many",
}


def figure(quantity: str, result: KappaResult) -> float | None:
    if quantity.endswith("upper"):
        return result.upper
    return result.standard_error if quantity.endswith("ASE") else result.kappa


ROWS = read_published("8-agreement")


@pytest.mark.parametrize("row", covered(ROWS, NOT_COVERED), ids=str)
def test_agrees_with_the_published_figure(row: Published):
    row.check(figure(row.quantity, cohen_kappa(row.inputs["table"])))
