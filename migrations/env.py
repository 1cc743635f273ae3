"""Run the migrations on the engine that the caller hands over, or on the configured database."""

from __future__ import annotations

from typing import Any, Literal

from alembic import context
from sqlalchemy import Connection, Engine, text

from trialog.records.base import UtcDateTime
from trialog.records.database import WRITE, database_url, make_engine
from trialog.records.models import Person

MIGRATION_LOCK = 7_461_202  # any fixed number: keeps two upgrades from running at once


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
    with connection.begin():
        connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": MIGRATION_LOCK})
        _run(connection)


def _render(kind: str, item: Any, _context: Any) -> str | Literal[False]:
    """Write our time type as the plain one: a migration must not change with the models."""
    if kind == "type" and isinstance(item, UtcDateTime):
        return "sa.DateTime(timezone=True)"
    return False


def _run(connection: Connection) -> None:
    context.configure(
        connection=connection,
        target_metadata=Person.metadata,
        render_as_batch=True,
        compare_type=True,
        render_item=_render,
        transactional_ddl=False,  # the transaction around this is ours
    )
    context.run_migrations()


migrate(context.config.attributes.get("engine") or make_engine(database_url()))
