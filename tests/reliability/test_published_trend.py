"""The checks from outside on trends and growth."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from support.published import FOLDER, Published, covered, read_published

from trialog.reliability import (
    mil_hdbk_189_test,
    power_law_growth,
    reverse_arrangements_test,
)


def growth(inputs: dict[str, Any]) -> Any:
    """The source's interval is two-sided and normal."""
    return power_law_growth(
        inputs["t"],
        inputs["T"],
        termination=inputs["termination"],
        confidence=inputs.get("conf", 0.8),
        sides="both",
        method="normal",
    )


def trend(inputs: dict[str, Any]) -> Any:
    return mil_hdbk_189_test(inputs["t"], inputs["T"], termination=inputs["termination"])


def coal(inputs: dict[str, Any]) -> Any:
    text = (FOLDER / "coal_mining_1851_1962.json").read_text(encoding="utf-8")
    dates = np.array(json.loads(text)["dates"])
    length = inputs["end"] - inputs["origin"]
    return mil_hdbk_189_test(dates - inputs["origin"], length, ties="keep")


def arrangements(inputs: dict[str, Any]) -> Any:
    ends = np.cumsum(inputs["intervals"])
    return reverse_arrangements_test(ends, int(ends[-1]))


def arrangements_z(inputs: dict[str, Any]) -> float:
    """The row names counts alone; the intervals of the source have them."""
    result = arrangements({"intervals": [5, 35, 3, 132, 214, 323, 35, 48, 504, 179]})
    assert (result.reversals, result.failures) == (inputs["R"], inputs["r"])
    return float(result.z)


FIGURES: dict[str, Callable[[dict[str, Any]], float]] = {
    "1-b (NIST calls this BetaHat)": lambda inputs: 1 - growth(inputs).shape_modified,
    "scale a = r/T^b": lambda inputs: growth(inputs).scale_modified,
    "MTBF at T = T/(r b)": lambda inputs: 1 / growth(inputs).rate_modified,
    "MTBF 80% 2-sided upper": lambda inputs: 1 / growth(inputs).rate_lower,
    "MIL-HDBK-189 chi-square, 2r=20 df": lambda inputs: trend(inputs).statistic,
    "upper-tail p": lambda inputs: trend(inputs).p_improving,
    "reversals R (strictly later larger)": lambda inputs: arrangements(inputs).reversals,
    "z without continuity term": arrangements_z,
    "MIL-HDBK chi-square (382 df)": lambda inputs: coal(inputs).statistic,
}


@pytest.mark.parametrize("row", covered(read_published("5-trend-growth"), {}), ids=str)
def test_agrees_with_the_published_figure(row: Published):
    row.check(FIGURES[row.quantity](row.inputs))


def test_degrees_of_freedom_are_the_published_ones():
    rows = {row.id: row.inputs for row in read_published("5-trend-growth")}
    assert trend(rows["T5-nist-chi2"]).degrees == 20
    assert coal(rows["T5-coal-milhdbk"]).degrees == 382
