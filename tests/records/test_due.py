"""A shift's report is due as soon as it is closed, by whatever path; nothing else makes one due."""

from __future__ import annotations

from datetime import timedelta

import pytest
from sqlalchemy import event, select
from support.cells import closing, failed, good, opening, reading, ruling, undo

from trialog.records.due import SETTLES
from trialog.records.models import DueReport, Shift
from trialog.records.words import EntryKind, Reading


@pytest.fixture
def due(session):
    """Return the function that tells what is due: each shift's label, line and when."""

    def read():
        session.rollback()
        statement = (
            select(Shift.label, DueReport.line, DueReport.next_try_at)
            .join(Shift, Shift.id == DueReport.shift_id)
            .order_by(Shift.label)
        )
        return [tuple(row) for row in session.execute(statement)]

    return read


def test_a_closing_makes_the_report_due_at_once(logbook, due, now):
    logbook.write(opening("A", counter=0), good("A", 5))
    assert due() == []
    logbook.write(closing("A", counter=5))
    assert due() == [("A", 3, now)]


def test_a_tablets_closing_does_too_and_a_line_that_comes_late_holds_nothing_up(
    tablets, due, now, cell
):
    here, away = tablets(), tablets()
    late = away.failed(cell.chips, order_known=False, seen=0)
    here.send(here.open(), here.good(5), here.line(EntryKind.SHIFT_CLOSED))
    assert due() == [("A", 3, now)]
    away.send(late, after=60)
    assert due() == [("A", 4, now)]


def test_lines_that_bear_on_a_closed_shift_make_it_due_a_bit_later(
    logbook, session, due, *, now, cell
):
    slip = failed("A", cell.chips)
    logbook.write(opening("A", counter=0), slip, closing("A", counter=1))
    for line in (ruling(slip.client_id, relevant=False), reading("A", Reading.CLOSING, 2)):
        session.execute(DueReport.__table__.delete())
        session.commit()
        logbook.write(line)
        ((label, _, when),) = due()
        assert (label, when) == ("A", now + SETTLES)


def test_each_shift_has_one_report_due_whatever_happens_to_it(logbook, due, now):
    close = closing("A", counter=1)
    logbook.write(opening("A", counter=0), good("A"), close)
    logbook.write(undo(close.client_id), now=now + timedelta(seconds=5))
    logbook.write(closing("A", counter=1), now=now + timedelta(seconds=9))
    assert due() == [("A", 5, now)]


@pytest.mark.database("sqlite")  # the statements are counted, which are the same
def test_a_tap_on_an_open_shift_asks_nothing_about_reports(logbook, engine):
    logbook.write(opening("A"))
    said = []
    event.listen(engine, "before_cursor_execute", lambda *arguments: said.append(arguments[2]))
    logbook.write(good("A"))
    assert said
    assert [statement for statement in said if "due_report" in statement] == []
