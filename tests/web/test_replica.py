"""Reports, as files and for programs, are read from a replica that keeps up."""

from __future__ import annotations

import itertools

import pytest
from sqlalchemy import event, text
from sqlalchemy.exc import DBAPIError
from sqlalchemy.exc import TimeoutError as PoolTimeoutError
from support.cells import log_shift
from support.clients import Program
from support.visiting import Visitor

from trialog.errors import InvalidValueError
from trialog.records import replica, schema
from trialog.records.database import Limits, make_engine
from trialog.records.models import Shift
from trialog.web import create_app
from trialog.web.database import state
from trialog.web.settings import load_settings

_numbers = itertools.count(1)


@pytest.fixture
def name(cluster):
    """Return the name of a fresh, migrated database on the primary; the replica follows."""
    name = f"shop_{next(_numbers)}"
    cluster.primary.ask(f"CREATE DATABASE {name}")
    engine = make_engine(cluster.primary.url(name))
    schema.upgrade(engine)
    engine.dispose()
    cluster.catch_up()
    return name


@pytest.fixture
def database(cluster, name):
    return cluster.primary.url(name)


@pytest.fixture
def replica_url(cluster, name):
    return cluster.replica.url(name)


@pytest.fixture
def app(database, replica_url):
    app = create_app(
        {"DATABASE_URL": database, "REPLICA_URL": replica_url, "SECRET_KEY": "k", "TESTING": True}
    )
    yield app
    state(app).dispose()


@pytest.fixture
def visitor(app, people):
    return Visitor(app).sign_in(people.engineer)


@pytest.fixture
def asked(app):
    """Return what the replica is asked beyond how far it is."""
    found = []

    def note(_connection, _cursor, statement, *_rest):
        if "FROM cell" in statement or "FROM shift" in statement:
            found.append(statement)

    event.listen(state(app).replica.engine, "before_cursor_execute", note)
    return found


@pytest.fixture
def logged(session, cell, people, now):
    log_shift(session, cell, "A", now=now, good=7, counters=(3, 10), actor=people.operator)
    shift_id = session.query(Shift.id).scalar()
    session.rollback()
    return shift_id


def test_a_report_is_read_from_the_replica(cluster, visitor, logged, asked):
    cluster.catch_up()
    answer = visitor.get(f"/shifts/{logged}/report.json")
    assert answer.status_code == 200
    assert asked
    assert visitor.get("/fleet.json").status_code == 200


def test_a_page_is_not(cluster, visitor, logged, asked):
    cluster.catch_up()
    assert visitor.get(f"/shifts/{logged}").status_code == 200
    assert asked == []


def test_a_replica_that_is_behind_is_left_out(cluster, app, visitor, logged, asked):
    cluster.catch_up()
    cluster.replica.ask("SELECT pg_wal_replay_pause()")
    state(app).replica._most_behind = 0
    try:
        cluster.primary.ask("CREATE TABLE IF NOT EXISTS ahead (number integer)")
        assert visitor.get(f"/shifts/{logged}/report.json").status_code == 200
        assert asked == []
    finally:
        cluster.replica.ask("SELECT pg_wal_replay_resume()")
        cluster.primary.ask("DROP TABLE ahead")


def test_what_the_replica_has_not_yet_is_read_from_the_primary(
    cluster, visitor, session, cell, now
):
    cluster.catch_up()
    cluster.replica.ask("SELECT pg_wal_replay_pause()")
    try:
        log_shift(session, cell, "B", now=now, good=7)
        shift_id = session.query(Shift.id).scalar()
        session.rollback()
        assert visitor.get(f"/shifts/{shift_id}/report.json").status_code == 200
    finally:
        cluster.replica.ask("SELECT pg_wal_replay_resume()")


@pytest.fixture
def write_shift(session, cell, now):
    """Return a function that logs a shift, and returns its number."""

    def log(label, good):
        log_shift(session, cell, label, now=now, good=good)
        shift_id = session.query(Shift.id).filter(Shift.label == label).scalar()
        session.rollback()
        return shift_id

    return log


@pytest.fixture
def program(app, session, people):
    return Program(app, session, people.engineer)


def logged_by_api(program, shift_id):
    answer = program.get(f"/shifts/{shift_id}/report")
    assert answer.status_code == 200, answer.text
    return answer.json["logged"]


def test_a_program_reads_what_was_written_just_before_from_the_replica(
    program, write_shift, asked, monkeypatch
):
    """Nobody waits for the replica here but the server itself."""
    monkeypatch.setattr(replica, "CATCH_UP_SECONDS", 60.0)
    for number in range(1, 4):
        assert logged_by_api(program, write_shift(f"shift {number}", number)) == number
        assert asked
        asked.clear()


def test_a_program_is_told_nothing_old(cluster, program, write_shift, asked):
    shift_id = write_shift("A", 7)
    cluster.catch_up()
    cluster.replica.ask("SELECT pg_wal_replay_pause()")
    try:
        write_shift("B", 1)
        assert logged_by_api(program, shift_id) == 7
        assert asked == []
    finally:
        cluster.replica.ask("SELECT pg_wal_replay_resume()")


class TestWithoutReplica:
    @pytest.fixture
    def replica_url(self, cluster, name):
        """Return an address at which nothing answers."""
        return cluster.replica.url(name).replace(str(cluster.replica.port), "5599")

    def test_a_replica_that_does_not_answer_is_left_alone_for_a_while(
        self, visitor, logged, caplog
    ):
        for _ in range(2):
            assert visitor.get(f"/shifts/{logged}/report.json").status_code == 200
        assert caplog.text.count("the replica cannot be read") == 1


class TestWithThePrimary:
    @pytest.fixture
    def replica_url(self, database):
        return database

    def test_what_is_no_replica_is_not_read_as_one(self, app):
        assert state(app).replica.session() is None


def test_only_postgresql_has_a_replica(tmp_path):
    given = {"DATA_FOLDER": str(tmp_path), "SECRET_KEY": "k"}
    with pytest.raises(InvalidValueError, match="TRIALOG_REPLICA_URL must start with") as caught:
        load_settings(given | {"REPLICA_URL": "mysql://u:hush@h/d"})
    assert "hush" not in str(caught.value)


def test_what_hangs_on_the_server_is_ended(database):
    limits = Limits(statement_seconds=1, lock_seconds=2, idle_seconds=3)
    engine = make_engine(database, limits)
    with engine.connect() as connection:
        names = ("statement_timeout", "lock_timeout", "idle_in_transaction_session_timeout")
        found = [connection.scalar(text(f"SHOW {name}")) for name in names]
        assert found == ["1s", "2s", "3s"]
    engine.dispose()


def test_a_client_that_hangs_gives_a_cell_back(database, session, cell):
    """Its transaction is ended, and who waits for the cell's row gets it."""
    engine = make_engine(database, Limits(idle_seconds=1))
    lock = text("SELECT id FROM cell FOR UPDATE")
    with engine.connect() as hanging:
        hanging.execute(lock)
        session.execute(lock)  # comes through once the other is ended
        with pytest.raises(DBAPIError):
            hanging.execute(lock)
        hanging.invalidate()
    engine.dispose()


def test_a_pool_that_is_taken_says_so_in_time(database):
    engine = make_engine(database, Limits(pool_size=1, pool_overflow=0, pool_seconds=1))
    with engine.connect(), pytest.raises(PoolTimeoutError):
        engine.connect()
    engine.dispose()


@pytest.mark.parametrize(
    ("setting", "value"),
    [("POOL_SIZE", "0"), ("LOCK_SECONDS", "a"), ("IDLE_SECONDS", "-1"), ("POOL_SECONDS", "10001")],
)
def test_a_limit_that_breaks_its_rule_is_named(tmp_path, setting, value):
    given = {"DATA_FOLDER": str(tmp_path), "SECRET_KEY": "k", setting: value}
    with pytest.raises(InvalidValueError, match=f"TRIALOG_{setting} must be a whole number"):
        load_settings(given)


def test_limits_are_taken_from_the_settings(tmp_path):
    given = {"DATA_FOLDER": str(tmp_path), "SECRET_KEY": "k"}
    assert load_settings(given).limits == Limits()
    given |= {"POOL_SIZE": "3", "STATEMENT_SECONDS": "0"}
    assert load_settings(given).limits == Limits(pool_size=3, statement_seconds=0)
