"""The demo's pictures: every number in them is one of the engine's."""

from __future__ import annotations

import html

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session
from support.demo import DEMO_NOW, DEMO_ZONE

from trialog.evidence import count
from trialog.evidence.interruptions import trial_interruptions
from trialog.records.models import Shift, Trial
from trialog.reliability import control_limits, failure_rate_bounds, stop_free_chance
from trialog.reports.kinds import KINDS, document

pytestmark = pytest.mark.database("sqlite")  # the demo is loaded once, and into one of them


@pytest.fixture(scope="module")
def made(demo_engine):
    """Return the report of each trial with the stops in its evidence, made once."""
    with Session(demo_engine) as session:
        return [
            (report, trial_interruptions(session, report.verdict.evidence, confidence=0.95))
            for report in (
                KINDS["trial"].build(session, trial, now=DEMO_NOW, zone=DEMO_ZONE)
                for trial in session.scalars(select(Trial))
            )
        ]


@pytest.fixture(params=range(4))
def trial(made, request):
    """Return a trial's report, its pictures by name, and its stops."""
    report, stops = made[request.param]
    return report, {chart.name: chart for chart in report.charts}, stops


def rows(charts, name):
    return charts[name].tables[0].rows


def test_the_demo_has_all_the_pictures(made):
    drawn = {chart.name for report, _ in made for chart in report.charts if not chart.is_empty}
    assert drawn == {
        "failures-over-cycles", "proven-stretch", "stop-free-chance", "decisions-over-cycles",
        "failures-by-shift", "cycles-between-failures", "failure-modes", "rates-by-revision",
        "conditions", "clear-times",
    }  # fmt: skip


def test_what_was_proven_ends_with_the_verdict_and_the_required_chance_with_its_bound(trial):
    report, charts, _ = trial
    verdict, evidence = report.verdict, report.verdict.evidence
    last = rows(charts, "proven-stretch")[-1]
    assert last[2:] == (
        evidence.cycles, evidence.failures, verdict.upper, verdict.proven_stretch_seconds,
    )  # fmt: skip
    asked = verdict.required_stretch_seconds
    row = next(row for row in rows(charts, "stop-free-chance") if row[0] == asked)
    assert row[2] == stop_free_chance(verdict.upper, row[1])
    assert row[1] == report.requirement.stretch_cycles


def test_shifts_have_the_counts_of_the_reports_own_table(trial):
    report, charts, _ = trial
    counted = [(row.shift, row.cycles, row.failures) for row in report.shifts if row.cycles]
    shown = rows(charts, "failures-by-shift")
    assert [row[:3] for row in shown] == counted
    cycles, failures = report.verdict.evidence.cycles, report.verdict.evidence.failures
    limits = control_limits(failures / cycles, [row[1] for row in shown])
    assert [row[6:8] for row in shown] == list(
        zip(limits.lower.tolist(), limits.upper.tolist(), strict=True)
    )
    for row in shown:
        bounds = failure_rate_bounds(row[2], row[1], sides="both")
        # 1e-12: many bounds at once and a single one stop at another last digit
        assert row[4:6] == pytest.approx((bounds.lower, bounds.upper), rel=1e-12)


def test_failures_and_their_modes_are_those_of_the_evidence(trial):
    report, charts, _ = trial
    evidence = report.verdict.evidence
    between = rows(charts, "cycles-between-failures")
    assert [row[1] for row in between] == list(evidence.latest)
    assert sum(row[2] for row in between) == (evidence.latest or [0])[-1]
    modes = {row.name: row.failures for row in report.rates if row.level == "failure mode"}
    assert {row[0]: row[3] for row in rows(charts, "failure-modes")} == {
        name: failures for name, failures in modes.items() if failures
    }


def test_clear_times_are_all_the_stops_that_were_timed(trial):
    _, charts, stops = trial
    last = rows(charts, "clear-times")[-1]
    assert last == (max(stops.clear_seconds), len(stops.clear_seconds), 1.0)


def test_the_text_alternative_stands_in_the_document_with_its_numbers(made):
    report, _ = made[2]
    written = html.unescape(document(report).html)
    for chart in report.charts:
        if not chart.is_empty:
            assert f'role="img" aria-label="{chart.title}. {chart.summary}"' in written
            assert sum(letter.isdigit() for letter in chart.summary) > 1


def test_a_shifts_pictures_are_of_the_whole_cell_in_that_shift(demo_session):
    shift = demo_session.scalars(select(Shift).order_by(Shift.opened_at.desc())).all()[3]
    report = KINDS["shift"].build(demo_session, shift, now=DEMO_NOW, zone=DEMO_ZONE)
    charts = {chart.name: chart for chart in report.charts}
    cell = count(demo_session, shift.cell, [shift.id]).cell
    assert rows(charts, "failures-by-shift")[-1][:3] == (
        shift.label, int(cell["cycles"]), int(cell["failures"]),
    )  # fmt: skip
    assert rows(charts, "clear-times")[-1][1] == len(report.stops.each)
    assert sum(row[3] for row in rows(charts, "failure-modes")) == sum(
        row.failures for row in report.rates if row.level == "failure mode"
    )
