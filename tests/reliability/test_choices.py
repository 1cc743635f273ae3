"""The plans side by side."""

from __future__ import annotations

import pytest

from trialog.errors import InvalidValueError
from trialog.reliability import fixed_plan, plan_choices, sequential_plan, zero_failure_plan

RISKS = {"confidence": 0.95, "good_pass": 0.9}


def test_each_kind_is_the_plan_that_its_own_function_makes():
    choices = plan_choices(0.002, 0.0002, **RISKS)
    assert [choice.kind for choice in choices] == ["zero-failure", "fixed-size", "sequential"]
    assert [choice.plan for choice in choices] == [
        zero_failure_plan(0.002, 0.95, 0.0002),
        fixed_plan(0.002, 0.0002, **RISKS),
        sequential_plan(0.002, 0.0002, **RISKS),
    ]


def test_the_figures_are_the_plans_own():
    for choice in plan_choices(0.002, 0.0004, **RISKS):
        assert choice.pass_chance_at_design == choice.plan.pass_chance(0.0004)
        assert choice.pass_chance_at_limit == choice.plan.pass_chance(0.002)
        assert choice.expected_cycles_at_design == choice.plan.expected_cycles(0.0004)
        assert choice.expected_cycles_at_limit == choice.plan.expected_cycles(0.002)


@pytest.mark.parametrize("ratio", [2, 5, 10])
def test_the_sequential_plan_suits_where_a_good_device_fails_now_and_then(ratio):
    choices = plan_choices(0.002, 0.002 / ratio, **RISKS)
    assert [choice.suits for choice in choices] == [False, False, True]


def test_the_zero_failure_plan_suits_a_device_that_hardly_ever_fails():
    choices = plan_choices(0.002, 0.00001, **RISKS)
    assert [choice.suits for choice in choices] == [True, False, False]


def test_a_plan_that_passes_a_good_device_just_often_enough_may_suit():
    exact = zero_failure_plan(0.002, 0.95, 0.00001).good_pass
    choices = plan_choices(0.002, 0.00001, confidence=0.95, good_pass=exact)
    assert choices[0].pass_chance_at_design == exact
    assert choices[0].suits


def test_most_cycles_are_those_of_the_sequential_plan():
    choices = plan_choices(0.002, 0.0002, **RISKS, max_cycles=2500)
    assert choices[2].plan.max_cycles <= 2500
    assert choices[2].plan == sequential_plan(0.002, 0.0002, **RISKS, max_cycles=2500)


def test_wrong_numbers_are_named():
    with pytest.raises(InvalidValueError, match="design must be above 0 and below limit"):
        plan_choices(0.002, 0.01, **RISKS)
