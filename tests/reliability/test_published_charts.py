"""The checks from outside on charts."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from support.published import Published, covered, read_published

from trialog.reliability import between_limits, cusum_run_length

FIGURES: dict[str, Callable[[dict[str, Any]], float]] = {
    "g chart UCL gbar+3 sqrt(gbar(gbar+1))": lambda inputs: (
        between_limits(1 / (inputs["gbar"] + 1)).g_chart_upper
    ),
    "exact geometric quantile (failures-before count)": lambda inputs: (
        between_limits(inputs["p"], tail=inputs["tail"]).lower
    ),
    "ANSS zero start": lambda inputs: cusum_run_length(
        inputs["p"], m=inputs["m"], threshold=inputs["H"]
    ),
}


@pytest.mark.parametrize("row", covered(read_published("7-control-charts"), {}), ids=str)
def test_agrees_with_the_published_figure(row: Published):
    row.check(FIGURES[row.quantity](row.inputs))
