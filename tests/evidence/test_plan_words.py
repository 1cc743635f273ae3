"""A plan in a phrase."""

from __future__ import annotations

import pytest

from trialog.evidence.plan_words import plan_words
from trialog.languages import speaking
from trialog.reliability import FixedPlan, SequentialPlan

RISKS = {"limit": 0.3, "design": 0.1, "confidence": 0.9, "good_pass": 0.9}


@pytest.mark.parametrize(
    ("cycles", "allowed", "words"),
    [
        (1604, 2, "1,604 cycles with at most 2 failures"),
        (1604, 1, "1,604 cycles with at most 1 failure"),
        (12_000, 1_001, "12,000 cycles with at most 1,001 failures"),
        (27_297, 0, "27,297 clean cycles; one failure ends the plan"),
        (1, 0, "1 clean cycle; one failure ends the plan"),
    ],
)
def test_a_fixed_number_of_cycles(cycles, allowed, words):
    assert plan_words(FixedPlan(cycles, allowed, 0.5, None, 0.9, None)) == words


@pytest.mark.parametrize(
    ("numbers", "words"),
    [
        (
            (10, 3.2, 7, 40, 4),
            "10 clean cycles, and 7 more for each failure; ends by 40 cycles or at 5 failures",
        ),
        (
            (23.6, 30.3, 25.16, 150, 5),
            "24 clean cycles, and about 25.2 more for each failure; ends by 150 cycles or at "
            "6 failures",
        ),
        (
            (1, 0.5, 1, 1, 0),
            "1 clean cycle, and 1 more for each failure; ends by 1 cycle or at 1 failure",
        ),
    ],
)
def test_a_sequential_plan(numbers, words):
    assert plan_words(SequentialPlan(*numbers, **RISKS)) == words


def test_in_spanish():
    with speaking("es"):
        said = plan_words(SequentialPlan(23.6, 30.3, 25.16, 150, 5, **RISKS))
    assert "25,2" in said
    assert "clean" not in said
