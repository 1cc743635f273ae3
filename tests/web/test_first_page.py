"""The first page and the page of a cell: how the trials stand and what comes next."""

from __future__ import annotations

import pytest
from support.cells import log_shift, make_cell

from trialog.evidence import define_requirement, start_trial
from trialog.records.database import unit_of_work
from trialog.records.setup import NewRequirement, add_device
from trialog.records.words import PlanKind, Stage


@pytest.fixture
def trial(session, cell, now):
    new = NewRequirement(
        name="ten cycles", stretch_hours=0.125, chance=0.5, confidence=0.9, design_rate=0.001
    )
    by = {"actor": None, "now": now}
    with unit_of_work(session):
        stated = define_requirement(session, cell.cell, new, **by)
        return start_trial(
            session, stated, name="all by hand", stage=Stage.BY_HAND,
            plan_kind=PlanKind.ZERO_FAILURE, **by,
        )  # fmt: skip


def test_an_empty_shop_leads_an_engineer_through_setting_up(engineer):
    page = engineer.get("/").text
    assert 'href="/cells/new"' in page
    assert 'href="/help/setting-up"' in page


def test_an_empty_shop_tells_an_operator_who_sets_up(operator):
    page = operator.get("/").text
    assert "An engineer has to set one up first." in page
    assert "/cells/new" not in page


def test_each_trial_shows_its_verdict_and_sentence(operator, session, cell, trial, now):
    log_shift(session, cell, "A", now=now, good=5, counters=(0, 5))
    page = operator.get("/").text
    assert "KEEP RUNNING" in page
    assert "all by hand" in page
    assert "Proven so far:" in page
    assert "more clean cycles" in page


def test_a_failure_beyond_the_plan_shows_as_no_go(operator, session, cell, trial, now):
    log_shift(session, cell, "A", now=now, failed=[cell.dropped])
    assert "NO-GO" in operator.get("/").text


def test_who_logs_gets_the_log_button_and_who_signs_does_not(operator, approver, cell):
    log = f'href="/cells/{cell.id}/log"'
    assert log in operator.get("/").text
    assert log not in approver.get("/").text


def test_an_open_shift_is_named_on_the_button(operator, session, cell, now):
    log_shift(session, cell, "Monday late", now=now, good=2, closed=False)
    assert "shift Monday late is open" in operator.get("/").text
    assert "Go on logging" in operator.get(f"/cells/{cell.id}").text


def test_the_last_shift_leads_to_its_report(operator, session, cell, now):
    log_shift(session, cell, "Monday", now=now, good=2)
    assert 'href="/shifts/1"' in operator.get("/").text


def test_a_cell_without_failure_modes_has_no_log_button_and_asks_for_one(
    engineer, session, people, now
):
    by = {"actor": None, "now": now}
    with unit_of_work(session):
        made = make_cell(session, now)
        bare = add_device(session, made.cell, "bare", **by)
    page = engineer.get(f"/cells/{made.id}").text
    assert "without a failure mode nobody can log" in page
    assert f'href="/devices/{bare.id}/modes/new"' in page


@pytest.mark.parametrize("path", ["/", "/cells/1"])
def test_who_may_not_set_up_sees_no_way_to(operator, cell, trial, path):
    page = operator.get(path).text
    assert "/edit" not in page
    assert "/new" not in page


def test_a_cell_with_many_shifts_shows_the_newest_and_on_request_all(operator, session, cell, now):
    for number in range(27):
        log_shift(session, cell, f"S{number:02}", now=now, good=1)
    page = operator.get(f"/cells/{cell.id}").text
    assert page.count('href="/shifts/') == 25
    assert "Show 2 older ones too" in page
    assert operator.get(f"/cells/{cell.id}?shifts=all").text.count('href="/shifts/') == 27
