"""The checks from outside on cells of devices proven apart."""

from __future__ import annotations

import pytest
from support.published import Published, covered, read_published

from trialog.reliability import series_upper_bound

NOT_COVERED = {
    "T9-East": "Easterling's bound is not offered: it is an approximation without a guarantee",
    "T9-buehler": "Buehler's bound is not offered: it searches all outcomes and all rates",
}

ROWS = read_published("9-series-system")


@pytest.mark.parametrize("row", covered(ROWS, NOT_COVERED), ids=str)
def test_agrees_with_the_published_figure(row: Published):
    good, cycles = row.inputs["s"], row.inputs["n"]
    failures = [n - s for s, n in zip(good, cycles, strict=True)]
    found = series_upper_bound(failures, cycles, confidence=1 - row.inputs["alpha"])
    # the rows are reliabilities, ours are failure rates
    row.check(1 - (found.estimate if row.quantity == "point estimate" else found.upper))
