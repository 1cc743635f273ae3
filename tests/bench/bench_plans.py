"""How long a plan takes to make and to evaluate with its exact risks."""

from __future__ import annotations

from trialog.reliability import Requirement, SequentialPlan, sequential_plan
from trialog.reports.plan_comparison import Asked, compare_plans


def evaluated(limit: float) -> tuple[SequentialPlan, float, float, float, float]:
    """A plan with both of its risks and both of its mean lengths."""
    design = limit / 10
    plan = sequential_plan(limit, design, confidence=0.95, good_pass=0.9)
    return (
        plan,
        plan.pass_chance(limit),
        plan.pass_chance(design),
        plan.expected_cycles(limit),
        plan.expected_cycles(design),
    )


def bench_sequential_plan(within):
    """A sequential plan at limit 1e-5 made and evaluated, exact risks."""
    within(lambda: evaluated(1e-5), seconds=0.25)


def bench_sequential_plan_near_the_limit(within):
    """The same with a design rate of half the limit: 52 failures long."""
    within(
        lambda: sequential_plan(1e-5, 5e-6, confidence=0.95, good_pass=0.9).pass_chance(1e-5),
        seconds=0.25,
    )


def bench_a_limit_100_times_smaller(race):
    """A plan at limit 1e-7 against ten plans at 1e-5; 100 times the cycles."""
    race(
        ours=lambda: evaluated(1e-7),
        other=lambda: [evaluated(1e-5) for _ in range(10)],
        bar=1.0,
    )


def bench_the_longest_comparison(within):
    """The planner's comparison where a plan is nearly 200 failures long."""
    stated = Requirement(8, 30, chance=0.9, confidence=0.95, design_rate=1.0974e-4 / 1.24)
    within(lambda: compare_plans(Asked(stated, 1.0, 0.9, 8.0)), seconds=2)
