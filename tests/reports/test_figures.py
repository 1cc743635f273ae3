"""The chart of failures over cycles, its words and its table."""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import accumulate, chain, pairwise
from types import SimpleNamespace

import pandas as pd
import pytest
from support.cells import closing, failed, good, opening

from trialog.evidence import judge, plan_of
from trialog.evidence.numbering import placed
from trialog.records.words import PlanKind
from trialog.reliability import FixedPlan
from trialog.reports.figures import (
    MOST_STEPS,
    Said,
    decisions_over_cycles,
    failure_steps,
    failures_over_cycles,
)

PLAN = FixedPlan(2000, 3, 0.005, 0.0005, 0.9, 0.9)


def verdict(shifts, positions=(), plan=PLAN):
    """Make as much of a verdict as a chart needs: shifts as (cycles, failures) pairs."""
    ends = list(accumulate((cycles for cycles, _ in shifts), initial=0))
    places = [
        placed(
            range(before + 1, end + 1),
            failures,
            [at for at in positions if before < at <= end],
            late=True,
        )
        for (before, end), (_, failures) in zip(pairwise(ends), shifts, strict=True)
    ]
    evidence = SimpleNamespace(
        shifts=pd.DataFrame(shifts, columns=["cycles", "failures"]),
        positions=tuple(positions),
        latest=tuple(chain.from_iterable(places)),
        cycles=sum(cycles for cycles, _ in shifts),
        failures=sum(failures for _, failures in shifts),
    )
    standing = SimpleNamespace(decision=plan.decide(evidence.failures, evidence.cycles))
    return SimpleNamespace(evidence=evidence, plan=plan, subject="arm", standing=standing)


def trace(chart, name):
    """Return one trace of a chart by its name."""
    return next(each for each in json.loads(chart.json)["data"] if each.get("name") == name)


def points(chart, name="path"):
    """Return the points of a trace."""
    found = trace(chart, name)
    return list(zip(found["x"], found["y"], strict=True))


def drawn(chart):
    """Return the path's points, the exact marks and the hollow ones."""
    marks = trace(chart, "failure"), trace(chart, "failure without a cycle number")
    return points(chart), *marks


def test_without_cycles_the_chart_shows_the_plan_only():
    chart = failures_over_cycles(verdict([]))
    path, exact, hollow = drawn(chart)
    assert path == [(0, 0), (0, 0)]
    assert exact["x"] == hollow["x"] == []
    assert chart.title == "No cycle counted yet"
    assert chart.tables[0].rows == ((0, 0, "now"),)


def test_a_failure_is_a_step_at_its_cycle_and_the_line_goes_on_to_the_last_cycle():
    chart = failures_over_cycles(verdict([(500, 1), (300, 0)], positions=[17]))
    path, exact, hollow = drawn(chart)
    assert path == [(0, 0), (17, 1), (800, 1)]
    assert (exact["x"], exact["y"]) == ([17], [1])
    assert hollow["x"] == []
    assert chart.tables[0].rows == ((17, 1, "exact"), (800, 1, "now"))
    assert trace(chart, "path")["line"]["shape"] == "hv"


def test_failures_without_a_cycle_number_step_at_their_shifts_end_and_are_marked():
    steps = failure_steps(verdict([(500, 2), (300, 2)], positions=[17, 510]).evidence)
    assert [(step.cycle, step.failures, step.exact) for step in steps] == [
        (17, 1, True), (500, 2, False), (510, 3, True), (800, 4, False),
    ]  # fmt: skip
    chart = failures_over_cycles(verdict([(500, 2), (300, 2)], positions=[17, 510]))
    _, exact, hollow = drawn(chart)
    assert (hollow["x"], hollow["y"]) == ([500, 800], [2, 4])
    assert (exact["marker"]["symbol"], hollow["marker"]["symbol"]) == ("circle", "circle-open")
    assert "2 failures without a cycle number" in chart.summary


def test_a_failure_on_a_shifts_last_cycle_belongs_to_that_shift():
    steps = failure_steps(verdict([(500, 1), (300, 0)], positions=[500]).evidence)
    assert [(step.cycle, step.exact) for step in steps] == [(500, True)]


def test_failures_without_a_cycle_number_take_cycles_that_no_other_failure_has():
    steps = failure_steps(verdict([(500, 4), (300, 0)], positions=[499, 500]).evidence)
    assert [(step.cycle, step.exact) for step in steps] == [
        (497, False), (498, False), (499, True), (500, True),
    ]  # fmt: skip


def test_a_hundred_thousand_failures_are_thinned_to_what_a_screen_can_show():
    many = 100_000
    chart = failures_over_cycles(verdict([(many, many)], positions=range(1, many + 1)))
    path, exact, _ = drawn(chart)
    assert path == [(0, 0), (1, 1), (4, 4)]
    after = points(chart, "path after the decision")
    assert len(after) == MOST_STEPS + 1
    assert (after[0], after[-1]) == ((4, 4), (many, many))
    assert len(exact["x"]) == MOST_STEPS
    assert len(chart.json) < 200_000


@pytest.mark.parametrize(
    ("shifts", "title"),
    [
        ([(500, 1)], "1 failure in 500 cycles: 1,500 more clean cycles to the plan's GO line"),
        ([(1999, 0)], "0 failures in 1,999 cycles: 1 more clean cycle to the plan's GO line"),
        ([(2000, 3)], "The plan says GO after 2,000 cycles with 3 failures"),
        ([(2312, 0)], "The plan says GO after 2,000 clean cycles; 312 more with 0 failures"),
        ([(500, 4)], "The plan says NO-GO at failure 4, cycle 500"),
        ([(500, 4), (100, 1)],
         "The plan says NO-GO at failure 4, cycle 500; 100 more with 1 failure"),
    ],
)  # fmt: skip
def test_the_title_says_the_finding(shifts, title):
    assert failures_over_cycles(verdict(shifts)).title == title


def test_axes_name_what_they_count_and_start_at_nought():
    layout = json.loads(failures_over_cycles(verdict([(500, 1)])).json)["layout"]
    assert layout["xaxis"]["title"]["text"] == "counted cycles"
    assert layout["yaxis"]["title"]["text"] == "relevant failures so far"
    assert layout["xaxis"]["range"][0] == 0
    assert layout["yaxis"]["range"][1] > PLAN.allowed_failures + 1


def test_every_colour_is_a_variable_of_the_style_sheet():
    text = failures_over_cycles(verdict([(500, 1)])).json
    figure = json.loads(text)
    assert "#" not in text
    assert figure["layout"]["font"]["color"] == "var(--chart-text)"
    assert trace(failures_over_cycles(verdict([(500, 1)])), "path")["line"]["color"] == (
        "var(--chart-line)"
    )


def test_the_json_cannot_end_the_script_element_that_holds_it():
    hostile = SimpleNamespace(**verdict([(500, 1)]).__dict__ | {"subject": "</script><b>"})
    chart = failures_over_cycles(hostile)
    assert "<" not in chart.json
    chart.figure.layout["xaxis"]["title"]["text"] = "</script>&"
    chart = replace(chart)  # the words of a figure are made once
    assert "<" not in chart.json
    assert json.loads(chart.json)["layout"]["xaxis"]["title"]["text"] == "</script>&"


def test_the_title_follows_the_verdict_where_one_path_does_not_tell(shop):
    trial = shop.trial(kind=PlanKind.SEQUENTIAL)
    go = plan_of(trial).go_line(0)
    shop.shift("A", days=2, good=go)
    shop.shift("B", days=1, good=1, failed=[shop.cell.dropped])
    missing = plan_of(trial).go_line(1) - go - 2
    assert failures_over_cycles(judge(shop.session, trial)).title == (
        f"1 failure in {go + 2:,} cycles: {missing:,} more clean cycles to the plan's GO line"
    )
    shop.shift("C", failed=[shop.cell.dropped] * 9)
    chart = failures_over_cycles(judge(shop.session, trial))
    assert chart.title.startswith("The plan says NO-GO at failure 10")


def test_an_order_that_nobody_wrote_down_is_said_to_decide(shop):
    trial = shop.trial(kind=PlanKind.SEQUENTIAL)
    shop.write(
        opening("A"), good("A", 5_000), failed("A", shop.cell.dropped, order_known=False),
        closing("A"),
    )  # fmt: skip
    assert failures_over_cycles(judge(shop.session, trial)).title == (
        "1 failure in 5,001 cycles: which line came first depends on an order that nobody wrote "
        "down"
    )


def test_a_trials_steps_are_where_its_failures_are_in_the_records(shop):
    trial = shop.trial(kind=PlanKind.FIXED_SIZE)
    shop.shift("A", days=1, good=50, failed=[shop.cell.dropped, shop.cell.missed])
    shop.shift("B", good=30, failed=[shop.cell.slow])
    judged = judge(shop.session, trial)
    assert [step.cycle for step in failure_steps(judged.evidence)] == [1, 2, 53]
    assert points(failures_over_cycles(judged), "path after the decision")[-1] == (83, 3)


def test_what_was_said_is_drawn_as_steps_and_breaks_where_the_evidence_began_anew():
    said = [
        Said("Mon", "KEEP RUNNING", 400, 0),
        Said("Tue", "GO", 2_000, 0),
        Said("Wed", "KEEP RUNNING", 10, 0),
        Said("now", "NO-GO", 30, 2),
    ]
    chart = decisions_over_cycles(said)
    line, marks = json.loads(chart.json)["data"]
    assert line["x"] == [400, 2_000, None, 10, 30]
    assert line["y"] == [1, 2, None, 1, 0]
    assert marks["marker"]["symbol"] == ["diamond", "circle", "diamond", "square"]
    assert chart.summary == "The word changed 3 times; it is NO-GO after 30 cycles now."
    assert chart.tables[0].rows[1] == ("Tue", "GO", 2_000, 0)


@pytest.mark.parametrize(
    ("verdicts", "summary"),
    [
        (["GO"], "Nothing was noted so far; it is GO after 1 cycles."),
        (["GO", "GO"], "The word has never changed; it is GO after 2 cycles now."),
        (["GO", "NO-GO"], "The word changed once; it is NO-GO after 2 cycles now."),
    ],
)
def test_the_words_of_what_was_said_count_the_changes(verdicts, summary):
    said = [Said("then", verdict, at, 0) for at, verdict in enumerate(verdicts, start=1)]
    assert decisions_over_cycles(said).summary == summary.replace("1 cycles", "1 cycle")
