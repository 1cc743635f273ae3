"""`plan`: three plans side by side, in JSON and in words."""

from __future__ import annotations

import json
import math

import pytest
from scipy import stats

from trialog.cli.planning import planned, planned_in_words
from trialog.evidence.plan_words import plan_words
from trialog.reliability import plan_choices

ASKED = ("--limit", 0.002, "--design", 0.0002)
KEYS = {
    "kind", "first_go_cycles", "cycles_per_failure", "max_cycles", "max_failures",
    "pass_chance_at_design", "pass_chance_at_limit", "expected_cycles_at_design",
    "expected_cycles_at_limit", "in_words", "suits",
}  # fmt: skip
SHIFTS = {"expected_shifts_at_design", "max_shifts"}


@pytest.fixture
def asked_for(run):
    """Return the function that reads what `plan` prints as JSON."""
    return lambda *more: json.loads(run("plan", *ASKED, *more, "--json").stdout)


def by_kind(found):
    return {one["kind"]: one for one in found["plans"]}


def test_three_plans_stand_side_by_side_with_what_was_asked_for(asked_for):
    found = asked_for()
    assert list(found) == ["limit", "design", "confidence", "good_pass", "plans"]
    assert (found["limit"], found["design"]) == (0.002, 0.0002)
    assert (found["confidence"], found["good_pass"]) == (0.95, 0.9)
    assert [one["kind"] for one in found["plans"]] == ["zero-failure", "fixed-size", "sequential"]
    assert [set(one) for one in found["plans"]] == [KEYS, KEYS, KEYS]


def test_the_figures_are_those_of_the_formulas(asked_for):
    plans = by_kind(asked_for())
    clean = math.ceil(math.log(0.05) / math.log1p(-0.002))
    assert plans["zero-failure"]["first_go_cycles"] == plans["zero-failure"]["max_cycles"] == clean
    assert plans["zero-failure"]["pass_chance_at_design"] == pytest.approx(0.9998**clean, rel=1e-12)
    size, allowed = plans["fixed-size"]["max_cycles"], plans["fixed-size"]["max_failures"]
    assert (size, allowed) == (2371, 1)
    for where, rate in (("design", 0.0002), ("limit", 0.002)):
        chance = stats.binom.cdf(allowed, size, rate)
        assert plans["fixed-size"][f"pass_chance_at_{where}"] == pytest.approx(chance, rel=1e-9)


def test_the_figures_are_those_of_the_library(asked_for):
    choices = plan_choices(0.01, 0.002, confidence=0.9, good_pass=0.8)
    found = asked_for("--limit", 0.01, "--design", 0.002, "--confidence", 0.9, "--good-pass", 0.8)
    for one, choice in zip(found["plans"], choices, strict=True):
        assert one["kind"] == choice.kind
        assert one["suits"] is choice.suits
        assert one["in_words"] == plan_words(choice.plan)
        assert one["first_go_cycles"] == choice.plan.first_go_cycles
        assert one["cycles_per_failure"] == choice.plan.cycles_per_failure
        assert one["max_cycles"] == choice.plan.max_cycles
        assert one["max_failures"] == choice.plan.max_failures
        for key in ("pass_chance_at_design", "pass_chance_at_limit", "expected_cycles_at_design",
                    "expected_cycles_at_limit"):  # fmt: skip
            assert one[key] == getattr(choice, key)


def test_a_cycle_time_adds_full_shifts(asked_for):
    found = asked_for("--cycle-time", 45, "--shift-hours", 7.5)
    assert (found["cycle_seconds"], found["shift_hours"]) == (45, 7.5)
    assert [set(one) for one in found["plans"]] == [KEYS | SHIFTS] * 3
    for one in found["plans"]:
        assert one["max_shifts"] == math.ceil(one["max_cycles"] / 600)
        assert one["expected_shifts_at_design"] == math.ceil(one["expected_cycles_at_design"] / 600)
    assert by_kind(found)["sequential"]["max_shifts"] == 12


def test_a_shift_is_of_8_hours_where_nobody_says_otherwise(asked_for):
    assert asked_for("--cycle-time", 30)["shift_hours"] == 8


def test_the_text_says_each_plan_and_which_one_suits(run):
    said = run("plan", *ASKED).stdout
    assert "at 95 % confidence: failures in at most 0.200 % of cycles (1 in 500 cycles)." in said
    assert "with 90 % chance: a device that fails in 0.0200 % of its cycles" in said
    assert "sequential: 1,605 clean cycles, and 1,279 more for each failure" in said
    assert said.endswith(
        "The sequential plan suits: it passes a device at the design rate with the 90 % asked for, "
        "and decides on it in the fewest cycles on average.\n"
    )
    assert "shift" not in said


def rows_of(said):
    """Return the numbers of each row of the table, by its name."""
    lines = said.split("\n\n")[1].splitlines()
    name_width = lines[0].index("zero-failure")
    return lines, {line[:name_width].strip(): line[name_width:].split() for line in lines[1:]}


def test_the_table_is_aligned_and_rounds_to_the_cautious_side(run):
    lines, rows = rows_of(run("plan", *ASKED, "--cycle-time", 30).stdout)
    assert len({len(line) for line in lines}) == 1
    assert rows["cycles to GO without a failure"] == ["1,497", "2,371", "1,605"]
    assert rows["cycles more for each failure"] == ["0", "0", "1,279"]
    assert rows["failures at most for GO"] == ["0", "1", "5"]
    assert rows["cycles at most"] == ["1,497", "2,371", "7,113"]
    assert rows["passes at the design rate"] == ["74.1", "%", "91.7", "%", "90.0", "%"]
    assert rows["passes at the limit"] == ["5.00", "%"] * 3  # 4.994, 4.992 and 4.996
    assert rows["mean cycles at the design rate"] == ["1,294", "2,301", "1,782"]
    assert rows["mean cycles at the limit"] == ["476", "971", "757"]
    assert rows["shifts of 8 h, mean at the design rate"] == ["2", "3", "2"]
    assert rows["shifts of 8 h, at most"] == ["2", "3", "8"]


def test_a_step_that_is_not_whole_is_said_to_a_tenth():
    found = planned(limit=0.9, design=0.8, confidence=0.95, good_pass=0.9)
    _, rows = rows_of(planned_in_words(found))
    assert rows["cycles more for each failure"] == ["0", "0", "1.2"]


def test_where_no_failure_has_to_be_allowed_the_zero_failure_plan_suits(run):
    said = run("plan", "--limit", 0.01, "--design", 0.0001).stdout
    assert "The zero-failure plan suits" in said


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--design", 0.002), "design must be above 0 and below limit (0.002), got 0.002"),
        (("--design", "nan"), "design must be above 0 and below limit (0.002), got nan"),
        (("--design", 0.00199), "design must lie further below limit (0.002), or 20,000 allowed"),
        (("--limit", -1), "limit must be above 0 and below 1, got -1.0"),
        (("--limit", 5e-9, "--design", 5e-10), "limit must leave plans of at most 1,000,000,000"),
        (("--limit", 1e-300, "--design", 1e-301), "1,000,000,000 cycles, got 1e-300"),
        (("--confidence", 95), "confidence must be above 0 and below 1, got 95.0"),
        (("--good-pass", 0.05), "good-pass must be above 1 - confidence (0.05) and below 1"),
        (("--cycle-time", 0), "cycle-time must be a number above 0, got 0.0"),
        (("--cycle-time", 30, "--shift-hours", 0), "shift-hours must be a number above 0, got 0"),
        (("--cycle-time", 30, "--shift-hours", 0.001), "shift-hours must hold at least one cycle"),
        (("--shift-hours", 8), "cycle-time must be given where shift-hours is, got None"),
    ],
)
def test_a_wrong_number_is_refused_with_its_rule(run, words, said):
    result = run("plan", *ASKED, *words)
    assert result.exit_code == 2
    assert said in result.stderr
    assert result.stdout == ""


def test_limit_and_design_rate_have_to_be_given(run):
    result = run("plan", "--limit", 0.002)
    assert result.exit_code == 2
    assert "Missing option '--design'" in result.stderr
