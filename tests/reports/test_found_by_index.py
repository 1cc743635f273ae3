"""On PostgreSQL, what a verdict and a trial's report ask of the logbook is found by an index."""

from __future__ import annotations

from datetime import UTC

import pytest
from sqlalchemy import event, select, text
from support.hall import Hall

from trialog.evidence import judge
from trialog.records.models import Shift
from trialog.records.words import ReportKind
from trialog.reports import kinds

pytestmark = pytest.mark.database("postgresql")


MANY = (
    "INSERT INTO entry (client_id, cell_id, sequence, shift_id, kind, occurred_at, recorded_at, "
    "cycles, text, reason, previous_hash, hash) SELECT 'line-' || n, :cell, 1000 + n, :shift, "
    "'good', now(), now(), 1, '', '', '', '' FROM generate_series(1, :lines) AS n"
)
"""Another cell's lines, so many that the database would not read all of them for a few."""


@pytest.fixture
def asked(engine):
    """Return the statements about lines that the database is asked, each with its values."""
    found = []

    def note(_connection, _cursor, statement, values, *_rest):
        if "FROM entry" in statement or "JOIN entry" in statement:
            found.append((statement, values))

    event.listen(engine, "before_cursor_execute", note)
    yield found
    event.remove(engine, "before_cursor_execute", note)


@pytest.fixture
def trial(session, people, now):
    hall = Hall(session, people, now)
    _, trial = hall.ready("Lathe 1")
    cell, _ = hall.no_go("Lathe 2")
    shift = session.scalar(select(Shift.id).where(Shift.cell_id == cell.id))
    session.execute(text(MANY), {"cell": cell.id, "shift": shift, "lines": 40_000})
    session.execute(text("ANALYZE"))
    session.commit()
    return trial


def through_all(plan):
    """Yield each part of a plan that goes through all lines of the one partition with lines."""
    led = "Index Cond" in plan or "Recheck Cond" in plan
    if plan.get("Relation Name") == "entry_p0" and not led:
        yield plan
    for part in plan.get("Plans", ()):
        yield from through_all(part)


def plans_of(session, asked):
    for statement, values in list(asked):
        explained = session.connection().exec_driver_sql(
            f"EXPLAIN (FORMAT JSON) {statement}", values
        )
        yield statement, explained.scalar()[0]["Plan"]


def test_a_verdict_goes_through_no_logbook(session, trial, asked, now):
    judge(session, trial)
    assert asked
    for statement, plan in plans_of(session, asked):
        assert list(through_all(plan)) == [], statement


def test_a_report_of_a_trial_goes_through_no_logbook(session, trial, asked, now):
    kinds.make(session, ReportKind.TRIAL, trial, now=now, zone=UTC, language="en")
    assert len(asked) > 5
    for statement, plan in plans_of(session, asked):
        assert list(through_all(plan)) == [], statement
