"""Where the database is, engines for it, and transactions on it."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from platformdirs import user_data_path
from sqlalchemy import URL, Connection, Engine, create_engine, event, make_url
from sqlalchemy.exc import ArgumentError
from sqlalchemy.orm import Session, sessionmaker

from trialog.errors import InvalidValueError
from trialog.records.sealing import watch_sessions

BUSY_SECONDS = 15
WRITE = "trialog_write"
TURN = "trialog_turn"

watch_sessions()


def data_folder() -> Path:
    """Return where trialog keeps its files: TRIALOG_DATA_FOLDER, or the user's data folder."""
    configured = os.environ.get("TRIALOG_DATA_FOLDER")
    return Path(configured) if configured else user_data_path("trialog", appauthor=False)


def database_url() -> str:
    """Return TRIALOG_DATABASE_URL, or the embedded database in the data folder."""
    return os.environ.get("TRIALOG_DATABASE_URL") or embedded_url(data_folder())


def embedded_url(folder: Path) -> str:
    """Return the URL of the embedded database in a folder."""
    return f"sqlite:///{folder / 'trialog.db'}"


def make_engine(url: str) -> Engine:
    """Make an engine for SQLite or PostgreSQL.

    Raises
    ------
    InvalidValueError
        If the URL is not one of a database that trialog supports.
    """
    try:
        parsed = make_url(url)
    except ArgumentError as error:
        # What follows the first colon may hold a password, and errors are logged and shown.
        shown = url.partition(":")[0]
        raise InvalidValueError("TRIALOG_DATABASE_URL", "be a database URL", shown) from error
    kind = parsed.drivername.partition("+")[0]
    if kind in {"postgres", "postgresql"}:
        return create_engine(parsed.set(drivername="postgresql+psycopg"), pool_pre_ping=True)
    if kind == "sqlite":
        return _make_sqlite_engine(parsed.set(drivername="sqlite"))
    raise InvalidValueError(
        "TRIALOG_DATABASE_URL", "start with sqlite:// or postgresql://", parsed.drivername
    )


def _make_sqlite_engine(url: URL) -> Engine:
    if url.database:
        Path(url.database).parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    engine = create_engine(url, connect_args={"timeout": BUSY_SECONDS})
    event.listen(engine, "connect", _configure_sqlite)
    turns = _Turns()
    event.listen(engine, "begin", turns.begin)
    for given_back in ("checkin", "detach"):
        event.listen(engine, given_back, turns.end)
    return engine


def _configure_sqlite(connection: Any, _record: Any) -> None:
    """Make an acknowledged entry survive a power cut, and hold foreign keys.

    The driver's own BEGIN is switched off, since it starts too late for DDL and
    savepoints to roll back; `_Turns.begin` replaces it.
    """
    connection.isolation_level = None
    for pragma in ("journal_mode = WAL", "synchronous = FULL", "foreign_keys = ON"):
        connection.execute(f"PRAGMA {pragma}")


class _Turns:
    """Lets those who write through one engine do so one after the other.

    The database itself would let each try again at longer and longer intervals, so that with many
    at once whoever has waited long waits longest. Other processes it still keeps apart.
    """

    def __init__(self) -> None:
        self._turn = threading.Lock()

    def begin(self, connection: Connection) -> None:
        """Begin a transaction, and take the write lock at once where a write is coming.

        A transaction that reads first and writes later fails at once, without waiting,
        when another one wrote in between.
        """
        writes = connection.get_execution_options().get(WRITE, False)
        if writes and not connection.info.get(TURN):
            # Should it never come, the database says what is in the way.
            connection.info[TURN] = self._turn.acquire(timeout=BUSY_SECONDS)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    def end(self, _connection: Any, record: Any) -> None:
        """Let the next one write, once the transaction's connection is given back."""
        if record.info.pop(TURN, False):
            self._turn.release()


def make_sessions(
    engine: Engine, info: Mapping[str, object] | None = None
) -> sessionmaker[Session]:
    """Make the factory of sessions on an engine; `info` is what each of them carries."""
    return sessionmaker(engine, info=dict(info or {}))


@contextmanager
def unit_of_work(session: Session) -> Iterator[Session]:
    """Run one write transaction: all of it is committed, or none.

    What the session read before is read afresh, so that a decision to write rests
    on what the write lock protects.
    """
    session.rollback()
    session.connection(execution_options={WRITE: True})
    try:
        yield session
        session.commit()
    except BaseException:
        session.rollback()
        raise


def read_one_moment(session: Session) -> None:
    """Let a session read the records as they stand now, whatever others write meanwhile.

    Must come before the session reads anything. SQLite's transactions are like that already.
    """
    if session.get_bind().dialect.name == "postgresql":
        session.connection(execution_options={"isolation_level": "REPEATABLE READ"})
