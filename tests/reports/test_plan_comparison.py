"""The plans side by side: each number shown is the engine's."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest

from trialog.errors import InvalidValueError
from trialog.evidence.plan_words import plan_words
from trialog.reliability import Requirement, plan_choices, shifts_needed
from trialog.reports.figures.planning import STYLES, spans_of
from trialog.reports.plan_comparison import Asked, compare_plans
from trialog.reports.words import in_hundred

STATED = Requirement(8, 30, chance=0.9, confidence=0.95, design_rate=1e-5)
ASKED = Asked(STATED, 1.0, 0.9, 8.0, shifts=3)
CHOICES = plan_choices(STATED.limit(), STATED.design(), confidence=0.95, good_pass=0.9)


@pytest.fixture(scope="module")
def found():
    return compare_plans(ASKED)


def figure(chart):
    return json.loads(chart.json)


def test_the_sentence_says_the_limit_the_plan_that_suits_and_how_long_it_takes(found):
    best = next(choice for choice in CHOICES if choice.suits)
    shifts = shifts_needed(math.ceil(best.expected_cycles_at_design), 30)
    assert found.sentence.startswith(
        "To run alone for 8 h at 90 % chance of no stop, the cell may fail in at most 0.010 % of "
        "its cycles (1 in 9,110 cycles)."
    )
    assert f"The {best.kind} plan suits: {plan_words(best.plan)}." in found.sentence
    assert f"{shifts} shifts of 8 h, on average" in found.sentence


def test_the_columns_are_the_three_plans_in_cycles_and_shifts(found):
    for column, choice in zip(found.columns, CHOICES, strict=True):
        assert column.choice == choice
        mean = math.ceil(choice.expected_cycles_at_limit)
        assert column.mean_at_limit == (mean, shifts_needed(mean, 30))
        assert column.most == (choice.plan.max_cycles, shifts_needed(choice.plan.max_cycles, 30))
    assert [column.choice.suits for column in found.columns].count(True) == 1


def test_each_curve_is_the_plans_chance_of_passing(found):
    drawn = figure(found.charts[1])
    for line, choice in zip(drawn["data"], CHOICES, strict=True):
        assert line["name"] == choice.kind
        rates = np.array(line["x"])
        assert np.array_equal(np.array(line["y"]), 100 * choice.plan.pass_chance(rates))
        assert {STATED.limit(), STATED.design()} <= set(line["x"])
    assert drawn["layout"]["xaxis"]["type"] == "log"
    marked = [shape["x0"] for shape in drawn["layout"]["shapes"]]
    assert marked == [STATED.design(), STATED.limit()]


def test_the_curves_differ_by_more_than_their_colour(found):
    lines = [line["line"]["dash"] for line in figure(found.charts[1])["data"]]
    assert lines == [style["dash"] for style in STYLES.values()]
    assert len(set(lines)) == 3


def test_the_table_of_chances_names_limit_and_design_rate(found):
    rows = {(row[0], row[2]): row[3:] for row in found.charts[1].tables[0].in_words()}
    assert rows["1 in 9,110 cycles", "limit"] == tuple(
        in_hundred(choice.pass_chance_at_limit) for choice in CHOICES
    )
    assert rows["1 in 100,000 cycles", "design rate"] == tuple(
        in_hundred(choice.pass_chance_at_design) for choice in CHOICES
    )


@pytest.mark.parametrize(
    ("chance", "words"),
    [(0.0, "0 %"), (0.0004, "under 0.1 %"), (0.0005, "0.1 %"), (0.5, "50.0 %"),
     (0.9994, "99.9 %"), (0.9999, "over 99.9 %"), (1.0, "100 %")],
)  # fmt: skip
def test_an_almost_certain_chance_is_not_said_to_be_certain(chance, words):
    assert in_hundred(chance) == words


def test_each_line_of_the_lengths_is_the_plans_quantiles(found):
    lines = figure(found.charts[2])["data"]
    spans = spans_of(CHOICES)
    assert len(lines) == len(spans) == 6
    for line, span in zip(lines, spans, strict=True):
        plan = next(choice.plan for choice in CHOICES if choice.kind == span.kind)
        assert line["x"] == [plan.cycles_quantile(span.rate, q) for q in (0.1, 0.5, 0.9)]
    assert [span.rate for span in spans[:2]] == [STATED.design(), STATED.limit()]


def test_the_title_and_table_of_lengths_give_cycles_and_shifts(found):
    best = next(span for span in spans_of(CHOICES) if span.kind == "sequential")
    shifts = shifts_needed(best.half, 30)
    assert f"within {best.half:,} cycles ({shifts} shifts)" in found.charts[2].title
    row = next(row for row in found.charts[2].tables[0].rows if row[0] == "sequential, design rate")
    assert row[3:5] == (best.half, shifts)


def test_the_staircase_is_that_of_the_plan_that_suits_or_of_the_one_asked_for(found):
    assert found.shown.choice.suits
    other = compare_plans(Asked(STATED, 1.0, 0.9, 8.0, shown="zero-failure"))
    assert other.shown.choice.kind == "zero-failure"
    assert "27,296 clean cycles" in other.charts[0].title


def test_a_device_has_its_share():
    found = compare_plans(Asked(STATED, 0.25, 0.9, 8.0))
    assert found.columns[0].choice.plan.limit == STATED.limit(0.25)
    assert "its share of the 90 % chance of no stop, the device may fail" in found.sentence
    assert found.at_hand is None


def test_what_no_machine_runs_is_refused():
    endless = Requirement(8760, 0.1, chance=0.999, confidence=0.95, design_rate=1e-14)
    with pytest.raises(InvalidValueError, match=r"at most 1,000,000,000 cycles"):
        compare_plans(Asked(endless, 1.0, 0.9, 8.0))


def test_a_design_rate_too_near_to_the_limit_is_refused_with_what_it_would_take():
    near = Requirement(8, 30, chance=0.9, confidence=0.95, design_rate=1e-4)
    with pytest.raises(InvalidValueError, match=r"takes about 9,470,000 cycles \(9,865 shifts\)"):
        compare_plans(Asked(near, 1.0, 0.9, 8.0))


def test_a_plan_longer_than_a_trial_holds_is_marked():
    long = Requirement(48, 1, chance=0.999, confidence=0.95, design_rate=5.79e-10)
    found = compare_plans(Asked(long, 1.0, 0.9, 8.0))
    assert [column.too_long for column in found.columns] == [False, False, True]
