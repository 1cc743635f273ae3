"""The help page on coverage says what the bounds do today."""

from __future__ import annotations

import pytest
from support.coverage_page import PAGE, PICTURE, coverage, picture, tables

TODAY = tables()


@pytest.mark.parametrize("heading", TODAY)
def test_each_table_is_what_is_worked_out_today(heading):
    section = PAGE.read_text(encoding="utf-8").split(f"## {heading}\n")[1].split("\n## ")[0]
    assert TODAY[heading] in section, "run .ci/coverage-page"


def test_the_picture_is_what_is_drawn_today():
    assert PICTURE.read_text(encoding="utf-8") == picture(), "run .ci/coverage-page"


@pytest.mark.parametrize(("rate", "held"), [(0.5, 1.0), (0.8, 0.96)])
def test_coverage_agrees_with_a_count_by_hand(rate, held):
    """Two clean cycles give an upper bound of 1 - 0.05^(1/2) = 0.7764; only they can miss."""
    # 1e-12: rounding of a sum of three terms
    assert coverage("exact", "upper", 2, [rate]) == pytest.approx([held], abs=1e-12)
