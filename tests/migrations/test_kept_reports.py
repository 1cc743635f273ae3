"""The change that brings kept reports, on records with shifts that were closed before."""

from __future__ import annotations

import pytest
from sqlalchemy import inspect, select
from support.cells import closing, failed, good, opening, ruling, write
from support.migrating import migrate

from trialog.records import schema
from trialog.records.due import SETTLES
from trialog.records.models import DueReport, KeptReport
from trialog.records.verify import verify
from trialog.reports.keeping import Keeper, keep_due

BEFORE = "0004"
SLIP = "the-failed-cycle"


@pytest.fixture
def closed(session, cell, now):
    """Return the cell with a closed shift and an open one."""
    slip = failed("A", cell.dropped, client_id=SLIP)
    write(session, cell, opening("A", counter=5), good("A", 40), slip, closing("A"), now=now)
    write(session, cell, opening("B"), good("B", 3), now=now)
    session.rollback()
    return cell


@pytest.fixture
def keeper(sessions, now):
    return Keeper(sessions=sessions, zone=now.tzinfo, clock=lambda: now + SETTLES)


def test_shifts_closed_before_get_a_report_when_something_about_them_changes(
    engine, session, closed, keeper, *, people, now
):
    migrate(engine, "downgrade", BEFORE)
    assert not {"due_report", "kept_report"} & set(inspect(engine).get_table_names())
    migrate(engine, "upgrade", "head")
    assert schema.differences(engine) == []
    assert session.scalars(select(DueReport)).all() == []
    assert verify(session) == []
    line = ruling(SLIP, relevant=False)
    write(session, closed, line, actor=people.engineer, now=now)
    assert keep_due(keeper) == 1
    assert session.scalars(select(KeptReport.title)).all() == ["Shift A, Lathe 4"]
    assert verify(session) == []


def test_kept_reports_are_not_lost_by_going_back(engine, session, closed, keeper):
    assert keep_due(keeper) == 1
    with pytest.raises(RuntimeError, match="the records hold kept reports"):
        migrate(engine, "downgrade", BEFORE)
    assert len(session.scalars(select(KeptReport.id)).all()) == 1
    assert schema.current_version(engine) == schema.newest_version()
