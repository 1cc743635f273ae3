"""Where the database is, engines for it, and transactions on it."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
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


@dataclass(frozen=True, kw_only=True)
class Limits:
    """How many connections a process has to PostgreSQL, and how long a thing may take there.

    A client that hangs, or a network that swallows answers, must never hold a cell's lock for long.
    """

    pool_size: int = 10
    """Eight threads, the worker, and one for the health checks."""

    pool_overflow: int = 5
    pool_seconds: int = 15
    statement_seconds: int = 300
    lock_seconds: int = 15
    idle_seconds: int = 120
    """In the middle of a transaction; printing a long report to a PDF takes a part of it."""


ALIVE = {
    "connect_timeout": 10, "keepalives_idle": 30, "keepalives_interval": 10, "keepalives_count": 3,
}  # fmt: skip
"""A server that went away without a word is noticed within a minute; common practice, no source."""


def make_engine(url: str, limits: Limits | None = None) -> Engine:
    """Make an engine for SQLite or PostgreSQL; commands work without limits, a server with them.

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
        return _make_server_engine(parsed.set(drivername="postgresql+psycopg"), limits)
    if kind == "sqlite":
        return _make_sqlite_engine(parsed.set(drivername="sqlite"))
    raise InvalidValueError(
        "TRIALOG_DATABASE_URL", "start with sqlite:// or postgresql://", parsed.drivername
    )


def _make_server_engine(url: URL, limits: Limits | None) -> Engine:
    given = {name: value for name, value in ALIVE.items() if name not in url.query}
    if limits is None:
        return create_engine(url, pool_pre_ping=True, connect_args=given)
    engine = create_engine(
        url,
        pool_pre_ping=True,
        connect_args=given,
        pool_size=limits.pool_size,
        max_overflow=limits.pool_overflow,
        pool_timeout=limits.pool_seconds,
    )
    timeouts = {
        "statement_timeout": limits.statement_seconds,
        "lock_timeout": limits.lock_seconds,
        "idle_in_transaction_session_timeout": limits.idle_seconds,
    }

    def limit(connection: Any, _record: Any) -> None:
        with connection.cursor() as cursor:
            for name, seconds in timeouts.items():
                cursor.execute("SELECT set_config(%s, %s, false)", (name, f"{seconds}s"))
        connection.commit()

    event.listen(engine, "connect", limit)
    return engine


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
