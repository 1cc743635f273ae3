"""How a sequential plan is made: its risks, its length against Wald's and the fixed plan's."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from trialog.errors import InvalidValueError
from trialog.reliability import (
    fixed_plan,
    sequential_plan,
    wald_lines,
    zero_failure_cycles,
)

seeded = settings(derandomize=True, database=None, deadline=None, max_examples=60)


def both(limit, ratio, confidence, good_pass, max_cycles=None):
    """A sequential plan and the fixed one for the same risks."""
    design = limit / ratio
    risks = {"confidence": confidence, "good_pass": good_pass}
    return (
        sequential_plan(limit, design, **risks, max_cycles=max_cycles),
        fixed_plan(limit, design, **risks),
    )


risks = given(
    st.floats(1e-6, 0.4),
    st.floats(1.3, 60),
    st.sampled_from([0.6, 0.8, 0.9, 0.95, 0.99]),
    st.sampled_from([0.5, 0.8, 0.9, 0.95]),
)


@pytest.mark.no_cover
@risks
@seeded
def test_both_exact_risks_hold(limit, ratio, confidence, good_pass):
    plan, _ = both(limit, ratio, confidence, good_pass)
    # 1e-12: 1 - 0.95 is not 0.05 in floats
    assert plan.pass_chance(limit) <= (1 - confidence) * (1 + 1e-12)
    assert plan.pass_chance(limit / ratio) >= good_pass


@pytest.mark.no_cover
@risks
@seeded
def test_it_is_never_longer_on_average_than_the_fixed_plan(limit, ratio, confidence, good_pass):
    plan, fixed = both(limit, ratio, confidence, good_pass)
    assert plan.expected_cycles(limit) <= fixed.cycles
    assert plan.expected_cycles(limit / ratio) <= fixed.cycles
    assert plan.max_cycles <= 3 * fixed.cycles


def test_it_ends_sooner_where_no_number_of_failures_holds_both_risks_at_its_longest():
    """Of six cycles one failure is too few for the good device, and two too many for the bad."""
    plan, fixed = both(0.4, 1.5, 0.6, 0.5)
    longest = 3 * fixed.cycles
    assert stats.binom.cdf(1, longest, 0.4 / 1.5) < 0.5
    assert stats.binom.cdf(2, longest, 0.4) > 1 - 0.6
    assert plan.max_cycles < longest
    assert plan.pass_chance(0.4) <= 1 - 0.6
    assert plan.pass_chance(0.4 / 1.5) >= 0.5


@pytest.mark.parametrize("confidence", [0.8, 0.9, 0.95, 0.99])
@pytest.mark.parametrize("good_pass", [0.8, 0.9, 0.95])
@pytest.mark.parametrize("ratio", [1.5, 2, 3, 4.5, 7])
@pytest.mark.parametrize("limit", [1e-5, 1e-3, 1e-2])
def test_it_is_within_8_percent_of_wald(limit, ratio, confidence, good_pass):
    plan, _ = both(limit, ratio, confidence, good_pass)
    lines = wald_lines(limit, limit / ratio, confidence=confidence, good_pass=good_pass)
    assert plan.expected_cycles(limit / ratio) <= 1.08 * lines.cycles_at_design
    assert plan.expected_cycles(limit) <= 1.08 * lines.cycles_at_limit


@pytest.mark.parametrize("ratio", [8, 9, 10])
@pytest.mark.parametrize("limit", [1e-5, 1e-3, 1e-2])
def test_it_is_within_8_percent_of_wald_at_the_usual_risks_up_to_ten(limit, ratio):
    plan, _ = both(limit, ratio, 0.95, 0.9)
    lines = wald_lines(limit, limit / ratio, confidence=0.95, good_pass=0.9)
    assert plan.expected_cycles(limit / ratio) <= 1.08 * lines.cycles_at_design
    assert plan.expected_cycles(limit) <= 1.08 * lines.cycles_at_limit


def test_no_test_with_these_risks_is_shorter_than_wald_says():
    """Wald's figure is a lower bound for any test with exactly these risks (1947, A:72)."""
    for limit, ratio in [(1e-3, 2), (1e-3, 5), (1e-2, 3)]:
        plan, _ = both(limit, ratio, 0.95, 0.9)
        lines = wald_lines(
            limit,
            limit / ratio,
            confidence=1 - plan.pass_chance(limit),
            good_pass=plan.pass_chance(limit / ratio),
        )
        assert plan.expected_cycles(limit / ratio) >= lines.cycles_at_design
        assert plan.expected_cycles(limit) >= lines.cycles_at_limit


def test_one_cycle_less_on_the_go_line_breaks_the_risk():
    plan, _ = both(0.002, 10, 0.95, 0.9)
    assert replace(plan, go_start=plan.go_start - 1).pass_chance(0.002) > 0.05


def test_a_nearer_no_go_line_breaks_the_good_device():
    plan, _ = both(0.002, 10, 0.95, 0.9)
    nearer = replace(plan, no_go_start=plan.no_go_start - 2)
    assert nearer.pass_chance(0.0002) < 0.9


def test_the_step_is_walds_slope_in_whole_cycles_from_a_hundred_on():
    for limit, ratio in [(0.002, 10), (0.01, 3), (1e-5, 7)]:
        plan, _ = both(limit, ratio, 0.95, 0.9)
        lines = wald_lines(limit, limit / ratio, confidence=0.95, good_pass=0.9)
        assert plan.cycles_per_failure == round(1 / lines.slope)
    coarse, _ = both(0.1, 10, 0.95, 0.9)
    lines = wald_lines(0.1, 0.01, confidence=0.95, good_pass=0.9)
    assert coarse.cycles_per_failure == 1 / lines.slope


def test_far_from_the_limit_it_is_the_zero_failure_plan():
    plan, _ = both(0.002, 50, 0.95, 0.9)
    assert plan.max_failures == 0
    assert plan.max_cycles == plan.first_go_cycles == zero_failure_cycles(0.002, 0.95)
    assert plan.decide(1, 2) == "NO-GO"


def test_one_clean_cycle_may_be_enough():
    plan = sequential_plan(0.5, 0.01, confidence=0.4, good_pass=0.9)
    assert plan.first_go_cycles == 1
    assert plan.pass_chance(0.5) <= 0.6


@pytest.mark.parametrize("factor", [1.0, 1.1, 1.5, 2.2])
@pytest.mark.parametrize("ratio", [1.5, 3, 10, 50])
def test_it_ends_by_the_most_cycles_that_are_asked_for(ratio, factor):
    _, fixed = both(0.002, ratio, 0.95, 0.9)
    most = int(factor * fixed.cycles)
    plan, _ = both(0.002, ratio, 0.95, 0.9, max_cycles=most)
    assert plan.max_cycles <= most
    assert plan.pass_chance(0.002) <= 0.05 * (1 + 1e-12)
    assert plan.pass_chance(0.002 / ratio) >= 0.9


def test_the_fixed_plans_size_is_always_enough():
    numbers = {"confidence": 0.9, "good_pass": 0.9795930825475773}
    limit, design = 0.1417267218261938, 0.005262132369985533
    fixed = fixed_plan(limit, design, **numbers)
    plan = sequential_plan(limit, design, **numbers, max_cycles=fixed.cycles)
    assert plan.max_cycles <= fixed.cycles
    assert plan.pass_chance(limit) <= 0.1 + 1e-12


def test_a_plan_of_thousands_of_failures_is_refused():
    with pytest.raises(InvalidValueError) as caught:
        sequential_plan(0.002, 0.00185, confidence=0.95, good_pass=0.9)
    assert str(caught.value) == (
        "design must lie further below limit (0.002), or the plan would take thousands of "
        "failures, got 0.00185"
    )


def test_more_cycles_than_three_fixed_plans_are_of_no_use():
    assert both(0.002, 5, 0.95, 0.9, max_cycles=10**9)[0] == both(0.002, 5, 0.95, 0.9)[0]


def test_fewer_cycles_than_the_fixed_plan_cannot_hold_the_risks():
    with pytest.raises(InvalidValueError) as caught:
        sequential_plan(0.002, 0.0002, confidence=0.95, good_pass=0.9, max_cycles=2370)
    assert str(caught.value) == (
        "max_cycles must be at least the cycles of the fixed-size plan (2371), got 2370"
    )


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"limit": 0}, "limit must be above 0 and below 1, got 0"),
        ({"design": 0.002}, "design must be above 0 and below limit (0.002), got 0.002"),
        ({"confidence": 1.0}, "confidence must be above 0 and below 1, got 1.0"),
        ({"good_pass": 1.0}, "good_pass must be above 1 - confidence (0.05) and below 1, got 1.0"),
        (
            {"good_pass": 0.05},
            "good_pass must be above 1 - confidence (0.05) and below 1, got 0.05",
        ),
        ({"max_cycles": 0}, "max_cycles must be a whole number of at least 1, got 0"),
    ],
)
def test_wrong_numbers_are_named(change, message):
    numbers = {"limit": 0.002, "design": 0.0002, "confidence": 0.95, "good_pass": 0.9} | change
    with pytest.raises(InvalidValueError) as caught:
        sequential_plan(**numbers)
    assert str(caught.value) == message
