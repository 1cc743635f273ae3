"""A plan's staircase: its zones are the plan's lines, and a trial's path lies on them."""

from __future__ import annotations

import json

import pytest

from trialog.evidence.plan_words import plan_words
from trialog.reliability import (
    Crossing,
    FixedPlan,
    SequentialPlan,
    first_decision,
    sequential_plan,
    zero_failure_plan,
)
from trialog.reports.figures import staircase
from trialog.reports.figures.staircase import SHAPES, decision_point
from trialog.reports.figures.zones import MOST_ROWS, extent, go_rows, no_go_rows

SEQUENTIAL = sequential_plan(0.002, 0.0002, confidence=0.95, good_pass=0.9)
FIXED = FixedPlan(2000, 3, 0.005, 0.0005, 0.9, 0.9)
CLEAN = zero_failure_plan(0.002, 0.95)
PLANS = [SEQUENTIAL, FIXED, CLEAN]


def trace(chart, name):
    return next(each for each in json.loads(chart.json)["data"] if each.get("name") == name)


def corners(chart, name):
    zone = trace(chart, name)
    return list(zip(zone["x"], zone["y"], strict=True))


def words_in(chart):
    return {each["text"] for each in json.loads(chart.json)["layout"]["annotations"]}


def inside(zone, cycles, failures):
    """Say whether counts lie inside a zone or on its left or right border: even-odd rule."""
    crossed = False
    for (x0, y0), (x1, y1) in zip(zone, [*zone[1:], zone[0]], strict=True):
        if (y0 > failures) != (y1 > failures):
            at = x0 + (failures - y0) * (x1 - x0) / (y1 - y0)
            if at == cycles:
                return True
            crossed ^= at > cycles
    return crossed


@pytest.mark.parametrize("plan", PLANS, ids=["sequential", "fixed-size", "zero-failure"])
def test_the_zones_are_where_the_plan_decides(plan):
    chart = staircase(plan)
    zones = {name: corners(chart, name) for name in ("GO", "NO-GO")}
    near = {
        (cycles + step, failures)
        for failures in range(plan.max_failures + 2)
        for cycles in (plan.go_line(failures), plan.no_go_line(failures), 500, 2000)
        if cycles is not None and cycles < 10**6
        for step in (-1, 0, 1)
        if cycles + step >= failures
    }
    for cycles, failures in near:
        decision = plan.decide(failures, cycles)
        found = {name for name, zone in zones.items() if inside(zone, cycles, failures)}
        assert found == ({decision} - {"KEEP RUNNING"}), (failures, cycles)


@pytest.mark.parametrize("plan", PLANS, ids=["sequential", "fixed-size", "zero-failure"])
def test_the_lines_are_a_table_too(plan):
    table = staircase(plan).tables[0]
    shown = {row[0]: row[1:] for row in table.in_words()}
    if isinstance(plan, SequentialPlan):
        for failures in range(plan.max_failures + 1):
            no_go = plan.no_go_line(failures)
            expected = (f"{plan.go_line(failures):,}", "–" if no_go is None else f"{no_go:,}")
            assert shown[f"{failures}"] == expected
    else:
        assert table.rows[0][1] == plan.cycles
    assert shown[f"{plan.max_failures + 1} or more"] == ("–", "any number")


def test_the_words_give_the_plans_numbers():
    chart = staircase(SEQUENTIAL)
    assert chart.title == f"GO after {plan_words(SEQUENTIAL)}"
    lines = [SEQUENTIAL.go_line(failures) for failures in range(3)]
    assert (
        f"GO from {lines[0]:,} cycles on with no failure, from {lines[1]:,} with 1, from "
        f"{lines[2]:,} with 2, and so on" in chart.summary
    )
    assert f"failure 2 within {SEQUENTIAL.no_go_line(2):,} cycles" in chart.summary


def test_zones_are_told_by_word_border_and_hatching_and_not_by_colour_alone():
    chart = staircase(SEQUENTIAL)
    assert words_in(chart) == {"<b>GO</b>", "<b>NO-GO</b>", "<b>KEEP<br>RUNNING</b>"}
    go, no_go = trace(chart, "GO"), trace(chart, "NO-GO")
    assert "dash" not in go["line"]
    assert no_go["line"]["dash"] == "dash"
    assert no_go["fillpattern"]["shape"] == "/"
    assert len({shape for shape, _ in SHAPES.values()}) == 3


@pytest.mark.parametrize(
    ("positions", "cycles", "title"),
    [
        ([], 1600, "0 failures in 1,600 cycles: 5 more clean cycles to the plan's GO line"),
        ([], 1605, "The plan says GO after 1,605 clean cycles"),
        ([1700, 1800], 1917, "The plan says GO after 1,605 clean cycles; 312 more with 2 failures"),
        ([900], 2884, "The plan says GO after 2,884 cycles with 1 failure"),
        ([100, 200, 300], 3000, "The plan says NO-GO at failure 1, cycle 100; 2,900 more with 2 "
                                "failures"),
    ],
)  # fmt: skip
def test_the_first_line_that_is_crossed_decides_a_sequential_trial(positions, cycles, title):
    chart = staircase(SEQUENTIAL, positions, cycles)
    point = first_decision(SEQUENTIAL, positions, cycles)
    assert chart.title == title
    mark = trace(chart, "verdict of the plan")
    assert (mark["x"], mark["y"]) == ([point.cycles], [point.failures])
    assert mark["marker"]["symbol"] == SHAPES[point.decision][0]


def test_the_path_is_full_to_the_decision_and_dotted_after_it():
    chart = staircase(SEQUENTIAL, [1700, 1800], 1917)
    assert corners(chart, "path") == [(0, 0), (1605, 0)]
    assert trace(chart, "path")["line"]["dash"] == "solid"
    after = trace(chart, "path after the decision")
    assert list(zip(after["x"], after["y"], strict=True)) == [
        (1605, 0), (1700, 1), (1800, 2), (1917, 2),
    ]  # fmt: skip
    assert after["line"]["dash"] == "dot"


def test_a_failure_too_many_takes_a_fixed_plans_go_away():
    assert decision_point(FIXED, [], 2500) == Crossing("GO", 0, 2000)
    late = [2100, 2200, 2300, 2400]
    assert decision_point(FIXED, late, 2500) == Crossing("NO-GO", 4, 2400)
    assert decision_point(FIXED, late[:3], 2500) == Crossing("GO", 0, 2000)
    assert FIXED.decide(4, 2500) == "NO-GO"


def test_a_plan_of_very_many_failures_is_thinned_and_keeps_its_corners():
    plan = SequentialPlan(1e4, 1e4, 1e3, 10_000_000, 9_000, 0.002, 0.0005, 0.95, 0.9)
    rows = go_rows(plan)
    assert len(rows) <= MOST_ROWS
    assert rows[0] == (plan.go_line(0), 0, rows[0][2])
    assert rows[-1][2] == 9_000
    assert all(plan.no_go_line(first) == cycles for cycles, first, _ in no_go_rows(plan))
    assert len(staircase(plan).json) < 200_000


def test_the_axes_go_past_both_the_plan_and_the_record():
    for failures, cycles in ((0, 0), (20, 100), (2, 9_000)):
        end = extent(FIXED, failures, cycles)
        assert end.cycles > max(cycles, FIXED.max_cycles)
        assert end.failures > max(failures, FIXED.max_failures + 1)
