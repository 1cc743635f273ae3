"""Transactions, and what the database promises about them."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress

import pytest
from sqlalchemy import func, select, text
from sqlalchemy.exc import IntegrityError
from support.cells import good, opening, write

from trialog.errors import InvalidValueError
from trialog.records.audit import record_event
from trialog.records.base import UtcDateTime
from trialog.records.database import (
    data_folder,
    database_url,
    embedded_url,
    make_engine,
    unit_of_work,
)
from trialog.records.logbook import write_entries
from trialog.records.models import AuditEvent, Cell, CellRollup, Entry, Shift
from trialog.records.schema import upgrade


def test_a_unit_of_work_commits_all_of_it(sessions, now):
    with sessions() as session, unit_of_work(session):
        record_event(session, "did", "thing", None, actor=None, now=now)
    with sessions() as session:
        assert session.scalars(select(AuditEvent.action)).all() == ["did"]


def do_and_raise(session, now, error):
    """Do something in a unit of work that an error then ends."""
    with unit_of_work(session):
        record_event(session, "did", "thing", None, actor=None, now=now)
        session.flush()
        raise error


@pytest.mark.parametrize("error", [RuntimeError, KeyboardInterrupt])
def test_an_error_or_interrupt_rolls_all_of_it_back(sessions, now, error):
    with sessions() as session:
        with pytest.raises(error):
            do_and_raise(session, now, error)
        assert session.scalars(select(AuditEvent)).all() == []


def test_a_session_works_again_after_an_error(sessions, now):
    with sessions() as session:
        with pytest.raises(RuntimeError):
            do_and_raise(session, now, RuntimeError)
        with unit_of_work(session):
            record_event(session, "did", "thing", None, actor=None, now=now)
        assert len(session.scalars(select(AuditEvent)).all()) == 1


def test_a_service_alone_commits_nothing(session, sessions, cell, now):
    write_entries(session, cell.cell, [opening("A")], actor=None, now=now)
    session.rollback()
    with sessions() as other:
        assert other.scalars(select(Entry)).all() == []


def test_the_audit_event_and_the_rollups_come_and_go_with_the_entries(session, sessions, cell, now):
    entries = [opening("A"), good("A")]
    with unit_of_work(session):
        assert write_entries(session, cell.cell, entries, actor=None, now=now).added
        session.flush()
        session.rollback()  # as unit_of_work does where an error ends it
    with sessions() as other:
        for table in (Entry, Shift, CellRollup):
            assert other.scalars(select(table)).all() == []
        assert "wrote" not in other.scalars(select(AuditEvent.action)).all()
        assert other.scalars(select(Cell.chain_length)).one() == 0


def test_what_was_read_before_is_read_afresh(session, sessions, cell, now):
    """A decision to write must rest on what the write lock protects."""
    own = session.get_one(Cell, cell.id)
    assert own.chain_length == 0
    with sessions() as other:
        write(other, other.get_one(Cell, cell.id), opening("A"), now=now)
    with unit_of_work(session):
        assert own.chain_length == 1


def test_foreign_keys_hold(session, cell):
    with pytest.raises(IntegrityError):
        session.execute(text("DELETE FROM cell"))


def test_the_database_itself_refuses_words_that_are_not_in_use(session, cell):
    with pytest.raises(IntegrityError):
        session.execute(text("UPDATE failure_mode SET effect = 'shrugs'"))


def test_a_reader_is_not_kept_waiting_by_a_writer(session, sessions, cell, now):
    with unit_of_work(session):
        write_entries(session, cell.cell, [opening("A")], actor=None, now=now)
        with sessions() as other:
            assert other.scalars(select(Entry)).all() == []


@pytest.mark.database("sqlite")
@pytest.mark.parametrize(
    ("pragma", "value"), [("journal_mode", "wal"), ("synchronous", 2), ("foreign_keys", 1)]
)
def test_the_embedded_database_survives_a_power_cut(session, pragma, value):
    """2 is FULL: a commit returns when the disk has it."""
    assert session.execute(text(f"PRAGMA {pragma}")).scalar_one() == value


@pytest.mark.database("postgresql")
def test_the_server_database_survives_a_power_cut(session):
    assert session.execute(text("SHOW synchronous_commit")).scalar_one() == "on"


@pytest.mark.database("sqlite")
def test_a_migration_leaves_foreign_keys_on(database):
    engine = make_engine(database)
    upgrade(engine)
    with engine.connect() as connection:
        assert connection.execute(text("PRAGMA foreign_keys")).scalar_one() == 1
    engine.dispose()


@pytest.mark.parametrize(
    "url", ["postgres://u@h/d", "postgresql://u@h/d", "postgresql+psycopg2://u@h/d"]
)
def test_any_way_of_writing_postgresql_is_understood(url):
    engine = make_engine(url)
    assert engine.url.drivername == "postgresql+psycopg"
    engine.dispose()


@pytest.mark.parametrize("url", ["mysql://u@h/d", "sqlit:///x", "nonsense", ""])
def test_any_other_database_is_refused_by_the_settings_name(url):
    with pytest.raises(InvalidValueError, match="TRIALOG_DATABASE_URL must"):
        make_engine(url)


@pytest.mark.parametrize("url", ["mysql://u:hush@h/d", "//u:hush@h"])
def test_a_refused_url_keeps_its_password_to_itself(url):
    with pytest.raises(InvalidValueError) as caught:
        make_engine(url)
    assert "hush" not in str(caught.value)


def test_the_embedded_databases_folder_is_made_for_its_owner_alone(tmp_path):
    engine = make_engine(embedded_url(tmp_path / "new" / "folder"))
    engine.dispose()
    assert (tmp_path / "new" / "folder").stat().st_mode & 0o777 == 0o700


def test_the_database_is_embedded_unless_told_otherwise(monkeypatch, tmp_path):
    monkeypatch.setenv("TRIALOG_DATA_FOLDER", str(tmp_path))
    assert data_folder() == tmp_path
    assert database_url() == f"sqlite:///{tmp_path / 'trialog.db'}"
    monkeypatch.setenv("TRIALOG_DATABASE_URL", "postgresql://h/d")
    assert database_url() == "postgresql://h/d"


def test_without_a_setting_the_users_own_data_folder_is_taken(monkeypatch):
    monkeypatch.delenv("TRIALOG_DATA_FOLDER")
    assert data_folder().name == "trialog"


def test_a_time_without_a_zone_is_never_stored(now):
    with pytest.raises(ValueError, match="time must carry a zone"):
        UtcDateTime().process_bind_param(now.replace(tzinfo=None), None)


@pytest.mark.database("sqlite")  # PostgreSQL has no such lock
def test_many_who_write_at_once_take_turns(sessions, now):
    def write(number):
        with sessions() as session:
            for step in range(5):
                with unit_of_work(session):
                    record_event(session, "wrote", "test", number, actor=None, now=now, step=step)
                with suppress(ZeroDivisionError), unit_of_work(session):
                    raise ZeroDivisionError
        return number

    with ThreadPoolExecutor(8) as pool:
        assert list(pool.map(write, range(8))) == list(range(8))
    with sessions() as session:
        assert session.scalar(select(func.count(AuditEvent.id))) == 40
