"""The first line that a trial crosses decides."""

from __future__ import annotations

import numpy as np
import pytest

from trialog.errors import InvalidValueError
from trialog.reliability import Crossing, FixedPlan, SequentialPlan, first_decision

RISKS = {"limit": 0.3, "design": 0.1, "confidence": 0.9, "good_pass": 0.9}
PLAN = SequentialPlan(10, 3.2, 7, 40, 4, **RISKS)
FIXED = FixedPlan(20, 2, 0.3, 0.1, 0.9, 0.9)


@pytest.mark.parametrize(
    ("positions", "cycles", "crossing"),
    [
        ([], 0, Crossing("KEEP RUNNING", 0, 0)),
        ([], 9, Crossing("KEEP RUNNING", 0, 9)),
        ([], 10, Crossing("GO", 0, 10)),
        ([], 90, Crossing("GO", 0, 10)),
        ([3], 90, Crossing("NO-GO", 1, 3)),
        ([4], 16, Crossing("KEEP RUNNING", 1, 16)),
        ([4], 90, Crossing("GO", 1, 17)),
        ([10], 10, Crossing("KEEP RUNNING", 1, 10)),
        ([11], 11, Crossing("GO", 0, 10)),
        ([10, 4], 90, Crossing("NO-GO", 2, 10)),
        ([4, 11], 90, Crossing("GO", 2, 24)),
    ],
)
def test_first_line(positions, cycles, crossing):
    assert first_decision(PLAN, positions, cycles) == crossing


def test_a_go_that_comes_after_a_no_go_does_not_count():
    assert PLAN.decide(1, 30) == "GO"
    assert first_decision(PLAN, [2], 30) == Crossing("NO-GO", 1, 2)


def test_failures_after_a_go_do_not_undo_it():
    assert PLAN.decide(4, 20) == "NO-GO"
    assert first_decision(PLAN, [11, 12, 13, 14], 20) == Crossing("GO", 0, 10)


def test_at_the_end_a_failure_in_the_last_cycle_still_leaves_go():
    plan = SequentialPlan(20, 100, 7, 30, 3, **RISKS)
    assert first_decision(plan, [1, 9, 30], 30) == Crossing("GO", 3, 30)


@pytest.mark.parametrize(
    ("positions", "cycles", "crossing"),
    [
        ([1, 2], 19, Crossing("KEEP RUNNING", 2, 19)),
        ([1, 20], 20, Crossing("GO", 2, 20)),
        ([1, 2, 20], 20, Crossing("NO-GO", 3, 20)),
        ([1, 2, 21], 21, Crossing("GO", 2, 20)),
    ],
)
def test_first_line_of_a_fixed_plan(positions, cycles, crossing):
    assert first_decision(FIXED, positions, cycles) == crossing


@pytest.mark.parametrize("plan", [PLAN, FIXED], ids=["sequential", "fixed"])
def test_the_first_line_is_the_first_that_looking_after_every_cycle_sees(plan):
    rng = np.random.default_rng(20240501)
    for rate in (0.02, 0.1, 0.3):
        for _ in range(200):
            failed = np.flatnonzero(rng.random(45) < rate) + 1
            looks = [(int((failed <= cycle).sum()), cycle) for cycle in range(1, 46)]
            seen = [(plan.decide(*look), *look) for look in looks]
            first = next((see for see in seen if see[0] != "KEEP RUNNING"), seen[-1])
            assert first_decision(plan, failed, 45) == Crossing(*first)


@pytest.mark.parametrize("positions", [[0], [31], [1.5], [2, 2]])
def test_positions_are_cycle_numbers_each_once(positions):
    with pytest.raises(InvalidValueError, match="positions must"):
        first_decision(PLAN, positions, 30)


def test_cycles_are_counted():
    with pytest.raises(InvalidValueError, match="cycles must be a whole number of at least 0"):
        first_decision(PLAN, [], -1)
