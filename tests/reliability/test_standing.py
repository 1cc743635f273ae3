"""Where a trial stands: the first line decides, and what came later only takes a GO away."""

from __future__ import annotations

import numpy as np
import pytest

from trialog.errors import InvalidValueError
from trialog.reliability import (
    Crossing,
    FixedPlan,
    SequentialPlan,
    decision_under,
    failure_rate_bounds,
    sequential_plan,
    standing_under,
)

RISKS = {"limit": 0.3, "design": 0.1, "confidence": 0.9, "good_pass": 0.9}
PLAN = SequentialPlan(10, 3.2, 7, 40, 4, **RISKS)
FIXED = FixedPlan(20, 2, 0.3, 0.1, 0.9, 0.9)


def stand(plan, failed, cycles, latest=None):
    return standing_under(
        plan, failed, failed if latest is None else latest, cycles, confidence=0.9
    )


@pytest.mark.parametrize(
    ("failed", "cycles", "decision", "first"),
    [
        ([], 0, "KEEP RUNNING", Crossing("KEEP RUNNING", 0, 0)),
        ([], 9, "KEEP RUNNING", Crossing("KEEP RUNNING", 0, 9)),
        ([], 12, "GO", Crossing("GO", 0, 10)),
        ([4], 30, "GO", Crossing("GO", 1, 17)),
        ([2], 3, "NO-GO", Crossing("NO-GO", 1, 2)),
        ([2], 30, "NO-GO", Crossing("NO-GO", 1, 2)),  # the counts say GO, but came to it late
        ([11], 12, "KEEP RUNNING", Crossing("GO", 0, 10)),  # a failure since the GO
        ([11], 17, "GO", Crossing("GO", 0, 10)),  # made good again
        ([11, 12, 13, 14], 20, "NO-GO", Crossing("GO", 0, 10)),  # many failures since the GO
    ],
)
def test_decision(failed, cycles, decision, first):
    found = stand(PLAN, failed, cycles)
    assert (found.decision, found.first) == (decision, first)
    assert decision_under(PLAN, failed, failed, cycles) == decision


@pytest.mark.parametrize(
    ("earliest", "latest", "cycles", "decision", "first"),
    [
        ([4], [9], 17, "GO", Crossing("GO", 1, 17)),
        ([2], [9], 30, "KEEP RUNNING", None),
        ([1], [2], 30, "NO-GO", Crossing("NO-GO", 1, 1)),
        ([2], [9], 12, "KEEP RUNNING", None),
    ],
)
def test_unknown_places_must_not_matter(earliest, latest, cycles, decision, first):
    found = stand(PLAN, earliest, cycles, latest)
    assert (found.decision, found.first) == (decision, first)
    assert decision_under(PLAN, earliest, latest, cycles) == decision


def test_a_fixed_plan_stands_where_its_counts_do():
    rng = np.random.default_rng(20240501)
    for _ in range(300):
        cycles = int(rng.integers(0, 40))
        failed = np.flatnonzero(rng.random(cycles) < 0.1) + 1
        assert stand(FIXED, failed, cycles).decision == FIXED.decide(failed.size, cycles)


def test_before_a_stop_the_bound_is_the_peek_safe_one():
    found = stand(PLAN, [4], 16)
    expected = failure_rate_bounds(1, 16, confidence=0.9, method="peek_safe").upper
    assert (found.upper, found.bound_method) == (expected, "peek_safe")


def test_after_a_go_the_bound_is_that_of_the_stop_however_long_the_trial_ran_on():
    for cycles in (17, 30):
        found = stand(PLAN, [4], cycles)
        assert (found.upper, found.bound_method) == (
            PLAN.bound_after_stop(1, 17, 0.9),
            "after_stop",
        )


def test_after_a_go_with_unknown_places_it_is_the_higher_of_the_two():
    found = stand(PLAN, [4], 20, [20])
    assert found.upper == PLAN.bound_after_stop(1, 17, 0.9) > PLAN.bound_after_stop(0, 10, 0.9)


def test_a_go_rules_the_limit_out():
    plan = sequential_plan(0.002, 0.0002, confidence=0.95, good_pass=0.9)
    found = standing_under(plan, [900], [900], 5000, confidence=0.95)
    assert found.decision == "GO"
    assert found.upper <= 0.002


@pytest.mark.parametrize("decision_rate", [0.3, 0.35])
def test_a_bad_device_stands_at_go_no_more_often_than_the_plan_says(decision_rate):
    """Looked at after every cycle, run on to the end, GO taken whenever it shows: exactly."""
    plan = SequentialPlan(10, 3.2, 7, 40, 4, **RISKS)
    rng = np.random.default_rng(20240501)
    seen = 0
    for _ in range(200):
        failed = np.flatnonzero(rng.random(45) < decision_rate) + 1
        looks = (stand(plan, failed[failed <= cycle], cycle) for cycle in range(10, 46))
        seen += any(look.decision == "GO" for look in looks)
    chance = plan.pass_chance(decision_rate)
    # 4 standard errors, one run in 16,000
    assert seen / 200 <= chance + 4 * np.sqrt(chance * (1 - chance) / 200)


def test_wrong_input_is_named():
    with pytest.raises(InvalidValueError, match="latest must have 1 positions, like earliest"):
        standing_under(PLAN, [3], [], 9, confidence=0.9)
    with pytest.raises(InvalidValueError, match="latest must have 1 positions, like earliest"):
        decision_under(PLAN, [3], [], 9)
    with pytest.raises(InvalidValueError, match="positions must be whole numbers from 1 to cycles"):
        standing_under(PLAN, [12], [12], 9, confidence=0.9)
    with pytest.raises(InvalidValueError, match="confidence must"):
        standing_under(PLAN, [], [], 9, confidence=2)
    with pytest.raises(InvalidValueError, match="cycles must be a whole number of at least 0"):
        standing_under(PLAN, [], [], -1, confidence=0.9)
