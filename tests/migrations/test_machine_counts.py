"""The change that brings a machine's own counts, on records whose readings people typed."""

from __future__ import annotations

import pytest
from sqlalchemy import event, inspect, select, text
from sqlalchemy.exc import IntegrityError
from support.cells import closing, count, good, opening, reading, undo, write
from support.migrating import migrate

from trialog.records import schema
from trialog.records.models import Entry, Shift
from trialog.records.verify import verify
from trialog.records.words import Reading

BEFORE = "0007"


@pytest.fixture
def typed(session, cell, now):
    """Return the cell with a shift of each sort: by the counter, settled, neither."""
    by = {"now": now}
    write(session, cell, opening("A", counter=5), good("A", None, counter=9), closing("A"), **by)
    write(session, cell, opening("B", counter=9), good("B", 2), closing("B", 12), **by)
    write(session, cell, reading("B", Reading.CLOSING, 11), **by)
    slip, wrong = good("C", None, counter=20), opening("C", counter=11)
    write(session, cell, wrong, slip, undo(slip.client_id), closing("C", 11), **by)
    mended = reading("C", Reading.CLOSING, 12)
    write(session, cell, mended, undo(mended.client_id), **by)
    session.rollback()
    return cell


SAID = [(True, False, None), (False, True, None), (False, False, None)]


def said(session):
    """Return what the readings of each shift are known to say."""
    found = select(Shift.good_by_counter, Shift.settled, Shift.machine_counted)
    return session.execute(found.order_by(Shift.label)).all()


def test_what_was_typed_is_known_of_each_shift_after_the_change(engine, session, typed):
    migrate(engine, "downgrade", BEFORE)
    assert "settled" not in {column["name"] for column in inspect(engine).get_columns("shift")}
    migrate(engine, "upgrade", "head")
    assert schema.differences(engine) == []
    assert verify(session) == []
    assert said(session) == SAID
    write(session, typed, count(30), now=typed.cell.created_at)
    assert verify(session) == []


HELD = "SELECT count(*) FROM pg_locks WHERE mode = 'AccessExclusiveLock' AND relation IS NOT NULL"


def test_an_interrupted_change_goes_on_and_holds_nobody_up(engine, session, typed):
    migrate(engine, "downgrade", BEFORE)
    held = []

    def break_off(_connection, _cursor, statement, *_):
        if "SET settled" in statement:
            if engine.dialect.name == "postgresql":
                with engine.connect() as beside:
                    held.append(beside.scalar(text(HELD)))
            raise RuntimeError("broken off")

    event.listen(engine, "before_cursor_execute", break_off)
    with pytest.raises(RuntimeError, match="broken off"):
        migrate(engine, "upgrade", "head")
    event.remove(engine, "before_cursor_execute", break_off)
    assert not any(held)
    migrate(engine, "upgrade", "head")
    assert schema.differences(engine) == []
    assert said(session) == SAID


def test_what_a_machine_said_is_not_lost_by_going_back(engine, session, typed, now):
    write(session, typed, count(30), now=now)
    session.rollback()
    with pytest.raises(RuntimeError, match="the records hold a machine's counts"):
        migrate(engine, "downgrade", BEFORE)
    assert schema.current_version(engine) == schema.newest_version()
    assert len(session.scalars(select(Entry.id).where(Entry.kind == "count")).all()) == 1


def test_other_kinds_are_still_refused_by_the_database(engine, session, typed, now):
    write(session, typed, count(30), now=now)
    statement = "UPDATE entry SET kind = 'nonsense' WHERE kind = 'count'"
    with pytest.raises(IntegrityError), engine.begin() as connection:
        connection.exec_driver_sql(statement)
