"""The checks from outside on runs."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from support.published import FOLDER, Published, covered, read_published

from trialog.reliability import RunsResult, runs_test

NOT_COVERED = {
    "T8-smokers-p": "several proportions by the chi-square approximation, which is not offered",
    "T8-smokers-trend2": "a trend of proportions over scores is not offered",
}


def values(inputs: dict[str, Any]) -> list[int]:
    """The data that a row names: the beam's deflections, or 1x5 for five ones and so on."""
    if "LEW" in inputs["data"]:
        text = (FOLDER / "nist_lew.json").read_text(encoding="utf-8")
        return list(json.loads(text)["deflections"])
    repeats = re.findall(r"(\d+)x(\d+)", inputs["data"])
    return [int(value) for value, times in repeats for _ in range(int(times))]


def runs(inputs: dict[str, Any]) -> RunsResult:
    """Every row cuts at the median; a value at or above it takes the place of a failure."""
    data = np.array(values(inputs))
    return runs_test(np.flatnonzero(data >= np.median(data)) + 1, data.size)


FIGURES: dict[str, Callable[[RunsResult], float | None]] = {
    "runs test z (no continuity correction)": lambda result: result.z,
    "runs test z with 0.5 continuity correction": lambda result: result.z_corrected,
    "two-sided exact runs p": lambda result: result.p_two_sided,
    "runs z no cc": lambda result: result.z,
}


@pytest.mark.parametrize("row", covered(read_published("8-runs"), NOT_COVERED), ids=str)
def test_agrees_with_the_published_figure(row: Published):
    row.check(FIGURES[row.quantity](runs(row.inputs)))
