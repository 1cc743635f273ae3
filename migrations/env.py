"""Run the migrations on the engine that the caller hands over, or on the configured database."""

from __future__ import annotations

import time
from contextlib import nullcontext
from typing import Any, Literal

from alembic import context
from sqlalchemy import Connection, Engine, text
from sqlalchemy.exc import DBAPIError

from trialog.records.base import UtcDateTime
from trialog.records.database import WRITE, database_url, make_engine
from trialog.records.models import Person
from trialog.records.online import lock_was_taken
from trialog.records.partitions import compared

MIGRATION_LOCK = 7_461_202  # any fixed number: keeps two upgrades from running at once

LOCK_MILLISECONDS = 900
"""How long a statement waits for a lock, and others behind it."""

TRIES = 60


def migrate(engine: Engine) -> None:
    connection = engine.connect().execution_options(**{WRITE: True})
    try:
        if engine.dialect.name == "sqlite":
            _migrate_sqlite(connection)
        else:
            _migrate_server(connection)
    finally:
        # The connection goes for good: it no longer holds foreign keys.
        connection.detach()
        connection.close()


def _migrate_sqlite(connection: Connection) -> None:
    """Migrate with foreign keys off.

    SQLite changes a table by making it anew and dropping the old one; with foreign
    keys on, the drop deletes the rows that point at it. The switch does nothing inside
    a transaction, so it is thrown on the driver's own connection.
    """
    driver = connection.connection.driver_connection
    if driver is None:
        raise RuntimeError("the database connection was lost before the migration began")
    driver.execute("PRAGMA foreign_keys = OFF")
    with connection.begin():
        _run(connection)
        broken = connection.exec_driver_sql("PRAGMA foreign_key_check").fetchall()
        if broken:
            raise RuntimeError(f"the migration left rows that point nowhere: {broken[:5]}")


def _migrate_server(connection: Connection) -> None:
    """Migrate without making anybody wait long: a step that gets no lock in time is tried again.

    Each step up is a transaction of its own, which one for a busy table divides further. The
    lock that keeps a second upgrade waiting is held by a connection beside, through all of them.
    """
    with connection.engine.connect().execution_options(isolation_level="AUTOCOMMIT") as guard:
        guard.detach()  # it closes for good, and lets go of the lock with that
        # Asked for again and again: a statement that waits would hold up an index that is made
        # beside everything, which waits for all statements that began before it.
        while not guard.scalar(text("SELECT pg_try_advisory_lock(:key)"), {"key": MIGRATION_LOCK}):
            time.sleep(0.2)
        for attempt in range(1, TRIES + 1):
            try:
                connection.exec_driver_sql(f"SET lock_timeout = {LOCK_MILLISECONDS}")
                connection.commit()
                with connection.begin() if _going_back(connection) else nullcontext():
                    _run(connection)
            except DBAPIError as error:
                connection.rollback()
                if attempt == TRIES or not lock_was_taken(error):
                    raise
                time.sleep(1)
            else:
                return


def _going_back(connection: Connection) -> bool:
    """Say whether this is a downgrade: in one transaction a refusal half way loses nothing."""
    context.configure(connection=connection)
    going_back: bool = context.get_context().opts["fn"].__name__ == "downgrade"
    connection.rollback()
    return going_back


def _render(kind: str, item: Any, _context: Any) -> str | Literal[False]:
    """Write our time type as the plain one: a migration must not change with the models."""
    if kind == "type" and isinstance(item, UtcDateTime):
        return "sa.DateTime(timezone=True)"
    return False


def _run(connection: Connection) -> None:
    server = connection.dialect.name == "postgresql"
    context.configure(
        connection=connection,
        target_metadata=Person.metadata,
        render_as_batch=True,
        compare_type=True,
        render_item=_render,
        include_object=compared if server else None,
        # SQLite's transaction around this is ours.
        transactional_ddl=server,
        transaction_per_migration=server,
    )
    with context.begin_transaction() if server else nullcontext():
        context.run_migrations()


migrate(context.config.attributes.get("engine") or make_engine(database_url()))
