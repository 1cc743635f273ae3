"""The checks from outside on fixed-size and sequential plans."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import pytest
from support.published import Published, covered, read_published

from trialog.reliability import (
    FixedPlan,
    SequentialPlan,
    failure_rate_bounds,
    first_decision,
    wald_lines,
)

MANY = 100_000_000
"""Cycles for which a plan in cycles is as good as one in hours: the Poisson limit."""

FIXED = read_published("3-acceptance-sampling")
SEQUENTIAL = read_published("4-sprt")


def pass_chance(row: Published) -> float:
    return FixedPlan(row.inputs["n"], row.inputs["c"], 0.5, None, 0.9, None).pass_chance(
        row.inputs["p"]
    )


def percent_at(row: Published) -> float:
    """The rate at which a plan passes with a given chance is the exact bound of its corner."""
    confidence = 1 - row.inputs["Pa"]
    return 100 * failure_rate_bounds(row.inputs["c"], row.inputs["n"], confidence=confidence).upper


def risk_percent(row: Published) -> float:
    """A test of so many hours as a plan of very many cycles."""
    length, allowed = row.inputs["T/theta1"], row.inputs["reject"] - 1
    plan = FixedPlan(MANY, allowed, 0.5, None, 0.9, None)
    if "consumer" in row.quantity:
        return 100 * plan.pass_chance(length / MANY)
    return 100 * (1 - plan.pass_chance(length / row.inputs["d"] / MANY))


@pytest.mark.parametrize("row", FIXED, ids=str)
def test_a_fixed_plan_agrees_with_the_published_figure(row: Published):
    figure: Callable[[Published], float] = {"Pa": pass_chance}.get(
        row.quantity, percent_at if "percent" in row.quantity else risk_percent
    )
    row.check(figure(row))


def lines_of(inputs: dict[str, Any]):
    """Wald's lines; a row without rates asks for what does not depend on them."""
    return wald_lines(
        inputs.get("p1", 0.2),
        inputs.get("p0", 0.1),
        confidence=1 - inputs["beta"],
        good_pass=1 - inputs["alpha"],
    )


def unrounded_plan(inputs: dict[str, Any], most: int = 120) -> SequentialPlan:
    """Wald's lines as a plan, without rounding, that ends far beyond where any trial comes."""
    lines, step = lines_of(inputs), 1 / lines_of(inputs).slope
    return SequentialPlan(
        go_start=lines.go_intercept * step,
        no_go_start=lines.no_go_intercept * step,
        cycles_per_failure=step,
        max_cycles=math.ceil(most * step),
        max_failures=most,
        limit=inputs["p1"],
        design=inputs["p0"],
        confidence=1 - inputs["beta"],
        good_pass=1 - inputs["alpha"],
    )


def log_of_the_go_constant(inputs: dict[str, Any]) -> float:
    return -lines_of(inputs).go_intercept * (math.log(0.2 / 0.1) + math.log(0.9 / 0.8))


def decided_at(inputs: dict[str, Any]) -> int:
    outcomes = inputs["x"]
    failed = [cycle for cycle, outcome in enumerate(outcomes, start=1) if outcome]
    crossing = first_decision(unrounded_plan(inputs), failed, len(outcomes))
    assert crossing.decision == "NO-GO"
    return crossing.cycles


def first_no_go(inputs: dict[str, Any]) -> int:
    """The fewest cycles that can be NO-GO: all failed."""
    plan = unrounded_plan(inputs)
    return next(cycles for cycles in range(1, 99) if plan.decide(cycles, cycles) == "NO-GO")


def chance_or_length(row: Published) -> float:
    plan, rate = unrounded_plan(row.inputs), row.inputs.get("p", row.inputs.get("p1"))
    return plan.expected_cycles(rate) if "ASN" in row.quantity else plan.pass_chance(rate)


def sequential_figure(row: Published) -> float:
    inputs, quantity = row.inputs, row.quantity
    if quantity.startswith("first n with accept number"):
        return unrounded_plan(inputs).go_line(int(quantity.rsplit(" ", 1)[1]))
    if quantity.startswith("exact"):
        return chance_or_length(row)
    figures: dict[str, Callable[[dict[str, Any]], float]] = {
        "h1": lambda inputs: lines_of(inputs).go_intercept,
        "h2": lambda inputs: lines_of(inputs).no_go_intercept,
        "s": lambda inputs: lines_of(inputs).slope,
        "ln": log_of_the_go_constant,
        "decision": decided_at,
        "first": first_no_go,
    }
    return figures[quantity.split()[0]](inputs)


@pytest.mark.parametrize("row", covered(SEQUENTIAL, {}), ids=str)
def test_a_sequential_plan_agrees_with_the_published_figure(row: Published):
    row.check(sequential_figure(row))
