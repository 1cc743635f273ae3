"""All records move to another database: every row as it stood, whatever happens on the way."""

from __future__ import annotations

import pytest
from sqlalchemy import func, select, text, update
from support.cells import good, write
from support.copies import Watcher, kill_at_step, log_more, rows_of, small_chunks

from trialog.errors import ConflictError, SchemaBehindError
from trialog.records import schema
from trialog.records.copying import move
from trialog.records.copying.tables import copied_tables
from trialog.records.database import make_engine, make_sessions
from trialog.records.models import Cell, Entry, Shift
from trialog.records.verify import verify

BOTH = pytest.mark.parametrize("other_kind", ["sqlite", "postgresql"])


@pytest.fixture
def other_kind(database_kind):
    """Return the kind of database that records are moved to: the one that they are not in."""
    return "sqlite" if database_kind == "postgresql" else "postgresql"


@pytest.fixture(autouse=True)
def fresh_chunks():
    copied_tables.cache_clear()
    yield
    copied_tables.cache_clear()


@pytest.fixture
def moments(sessions, now):
    return sessions, now


class InterruptionError(Exception):
    """Ends a copy, as a closed terminal would."""


def interrupt():
    raise InterruptionError


@BOTH
def test_every_row_arrives_as_it_stood(signed, other_database):
    watcher = Watcher()
    moved = move(signed, other_database, **watcher.told)
    assert rows_of(other_database) == rows_of(signed)
    assert moved.differences == ()
    assert watcher.done == watcher.total == sum(moved.moment.counts.values())


def test_work_goes_on_in_the_copy(filled, other_database, now):
    move(filled, other_database, **Watcher().told)
    with make_sessions(other_database)() as session:
        cell = session.scalars(select(Cell).order_by(Cell.id)).first()
        last = session.scalar(select(func.max(Entry.id)))
        write(session, cell, good("A"), good("A"), now=now)
        assert session.scalar(select(func.max(Entry.id))) == last + 2
        assert verify(session) == []


@pytest.mark.parametrize("step", [1, 14, 31])
def test_an_interrupted_move_goes_on_where_it_was(
    filled, other_database, monkeypatch, step, moments
):
    sessions, now = moments
    small_chunks(monkeypatch)
    with pytest.raises(InterruptionError):
        move(filled, other_database, **Watcher(step, interrupt).told)
    log_more(sessions, now, "meanwhile")  # between the two, somebody works on
    move(filled, other_database, **Watcher().told)
    assert rows_of(other_database) == rows_of(filled)


def test_a_database_without_tables_gets_them(filled, tmp_path):
    engine = make_engine(f"sqlite:///{tmp_path / 'bare.db'}")
    move(filled, engine, **Watcher().told)
    assert rows_of(engine) == rows_of(filled)
    assert schema.differences(engine) == []
    engine.dispose()


def test_what_had_arrived_is_not_carried_again(filled, other_database, monkeypatch):
    small_chunks(monkeypatch)
    whole = Watcher()
    with pytest.raises(InterruptionError):
        move(filled, other_database, **Watcher(30, interrupt).told)
    move(filled, other_database, **whole.told)
    assert whole.done < whole.total - 15


def test_a_row_that_came_to_stand_between_the_others_is_not_missed(
    filled, other_database, monkeypatch
):
    """On PostgreSQL the transaction with the lower number may end last."""
    small_chunks(monkeypatch)
    with pytest.raises(InterruptionError):
        move(filled, other_database, **Watcher(31, interrupt).told)
    with other_database.begin() as connection:
        there = connection.scalar(text("SELECT count(*) FROM entry_mode"))
        connection.execute(text("DELETE FROM entry_mode WHERE entry_id = "
                                "(SELECT min(entry_id) FROM entry_mode)"))  # fmt: skip
        assert there > 1
    move(filled, other_database, **Watcher().told)
    assert rows_of(other_database) == rows_of(filled)


def test_a_half_copied_database_is_used_by_nobody(filled, other_database, monkeypatch):
    small_chunks(monkeypatch)
    with pytest.raises(InterruptionError):
        move(filled, other_database, **Watcher(20, interrupt).told)
    for use in (schema.require_current, schema.upgrade):
        with pytest.raises(SchemaBehindError, match="a copy of records that was not finished"):
            use(other_database)


def test_a_half_copied_database_takes_no_other_records(filled, other_database, monkeypatch):
    small_chunks(monkeypatch)
    with pytest.raises(InterruptionError):
        move(filled, other_database, **Watcher(20, interrupt).told)
    monkeypatch.setattr("trialog.records.copying.moving.identity_of", lambda _engine: "0" * 64)
    with pytest.raises(ConflictError, match="a part of a copy of other records"):
        move(filled, other_database, **Watcher().told)


def test_a_database_with_records_is_refused(filled, other_database, now):
    schema.upgrade(other_database)
    log_more(make_sessions(other_database), now, "theirs")
    before = rows_of(other_database)
    with pytest.raises(ConflictError, match="holds records already"):
        move(filled, other_database, **Watcher().told)
    assert rows_of(other_database) == before


def test_records_are_not_moved_onto_themselves(filled):
    with pytest.raises(ConflictError, match="in this database already"):
        move(filled, filled, **Watcher().told)


def test_what_is_written_meanwhile_is_fetched(filled, other_database, monkeypatch, sessions, now):
    small_chunks(monkeypatch)
    move(filled, other_database, **Watcher(20, lambda: log_more(sessions, now, "late")).told)
    assert rows_of(other_database) == rows_of(filled)


def test_a_source_that_is_written_to_all_the_time_is_refused_in_the_end(
    filled, other_database, sessions, now
):
    class Restless(Watcher):
        def begin(self, total):
            super().begin(total)
            log_more(sessions, now, f"cell {self.steps}")

    with pytest.raises(ConflictError, match="stop trialog serve and run this again"):
        move(filled, other_database, **Restless().told)
    move(filled, other_database, **Watcher().told)
    assert rows_of(other_database) == rows_of(filled)


def test_spoiled_records_are_copied_as_they_are_and_named(filled, other_database, session):
    session.execute(update(Entry).where(Entry.sequence == 2).values(text="nothing happened"))
    session.commit()
    moved = move(filled, other_database, **Watcher().told)
    assert any("was changed after it was written" in found.what for found in moved.differences)
    assert rows_of(other_database) == rows_of(filled)


@pytest.mark.database("sqlite")
def test_a_row_that_points_nowhere_is_named(filled, other_database):
    with filled.connect() as connection:
        connection.connection.driver_connection.execute("PRAGMA foreign_keys = OFF")
        connection.execute(update(Entry).where(Entry.sequence == 2).values(shift_id=999))
        connection.commit()
    with pytest.raises(ConflictError, match="rows of entry break a rule of the database"):
        move(filled, other_database, **Watcher().told)


def test_rows_of_shifts_that_changed_are_brought_up_to_date(
    filled, other_database, monkeypatch, session
):
    """Without a head that differs: what is derived or noted is fetched all the same."""
    small_chunks(monkeypatch)
    with pytest.raises(InterruptionError):
        move(filled, other_database, **Watcher(31, interrupt).told)
    session.execute(update(Shift).values(label=Shift.label + " again"))
    session.commit()
    move(filled, other_database, **Watcher().told)
    assert rows_of(other_database) == rows_of(filled)


MOVE = """
from trialog.records import copying
from trialog.records.copying import tables
from trialog.records.database import make_engine

tables.CHUNK = 2
copying.move(
    make_engine(sys.argv[1]), make_engine(sys.argv[2]),
    begin=lambda n: None, progress=stuck,
)
"""


@pytest.mark.database("sqlite")
@pytest.mark.parametrize("steps", [27])
def test_a_killed_move_goes_on_where_it_was(filled, database, other_database, steps):
    url = other_database.url.render_as_string(hide_password=False)
    kill_at_step(steps, MOVE, database, url)
    with pytest.raises(SchemaBehindError, match="not finished"):
        schema.require_current(other_database)
    move(filled, other_database, **Watcher().told)
    assert rows_of(other_database) == rows_of(filled)
