"""Change a table of PostgreSQL while the shop goes on logging: no lock is held or awaited long.

For migrations, inside `op.get_context().autocommit_block()`. Each step looks at what is there, so
that a migration which was interrupted goes on when it is run again.
"""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence

from sqlalchemy import Connection, Row, text
from sqlalchemy.exc import DBAPIError

from trialog.errors import ConflictError

WAIT_MILLISECONDS = 400
"""How long a step waits for a lock: whoever comes after it waits as long behind it."""

TRIES = 120
PAUSE_SECONDS = 0.5
"""Between two tries, for those who waited to get through. Together a minute or two, in which a
long report may end; common practice, no source."""

_TAKEN = frozenset({"55P03", "57014", "40P01"})
"""SQLSTATEs: a lock was not had in time, the statement took too long, two waited for each other."""


def lock_was_taken(error: DBAPIError) -> bool:
    """Say whether a statement failed only because others held what it needed."""
    return getattr(error.orig, "sqlstate", None) in _TAKEN


def briefly(connection: Connection, *statements: str, locks: Sequence[str] = ()) -> None:
    """Run statements that change the catalogue only, in one short transaction.

    `locks`: what to lock first, such as "entry IN ACCESS EXCLUSIVE MODE", all of it in time or
    none. Where others hold a lock it is given up, and tried again later.

    Raises
    ------
    ConflictError
        If the locks are held by others all the time.
    """
    for attempt in range(TRIES):
        try:
            _run_at_once(connection, statements, locks)
        except DBAPIError as error:
            connection.exec_driver_sql("ROLLBACK")
            if not lock_was_taken(error):
                raise
            if attempt + 1 == TRIES:
                raise ConflictError(
                    "the table is in use all the time, so that it could not be changed; end what "
                    "reads or writes for minutes, then run this again: it goes on from here"
                ) from error
            time.sleep(PAUSE_SECONDS)
        else:
            return


def _run_at_once(connection: Connection, statements: Sequence[str], locks: Sequence[str]) -> None:
    connection.exec_driver_sql("BEGIN")
    connection.exec_driver_sql(f"SET LOCAL lock_timeout = {WAIT_MILLISECONDS}")
    for place, lock in enumerate(locks):
        # Together they may take as long as one.
        left = max(WAIT_MILLISECONDS // (place + 1), 50)
        connection.exec_driver_sql(f"SET LOCAL lock_timeout = {left}")
        connection.exec_driver_sql(f"LOCK TABLE {lock}")
    for statement in statements:
        connection.exec_driver_sql(statement)
    connection.exec_driver_sql("COMMIT")


def make_index(
    connection: Connection,
    name: str,
    table: str,
    columns: Sequence[str],
    *,
    unique: bool = False,
    where: str = "",
) -> None:
    """Make an index while others write; on a partitioned table, partition by partition.

    `where`: of which rows alone, such as "tablet_id IS NOT NULL".
    """
    indexed = f"({', '.join(columns)})" + (f" WHERE {where}" if where else "")
    if not is_partitioned(connection, table):
        _make_plain_index(connection, name, table, indexed, unique=unique)
        return
    briefly(connection, f"CREATE INDEX IF NOT EXISTS {name} ON ONLY {table} {indexed}")
    for partition in partitions_of(connection, table):
        if connection.scalar(_HAS_ITS_OWN, {"index": name, "partition": partition}):
            continue  # it came to the table after a try that broke off
        own = name.replace(table, partition, 1)
        _make_plain_index(connection, own, partition, indexed, unique=False)
        briefly(connection, f"ALTER INDEX {name} ATTACH PARTITION {own}")


_HAS_ITS_OWN = text(
    "SELECT 1 FROM pg_inherits JOIN pg_index ON indexrelid = inhrelid "
    "WHERE inhparent = to_regclass(:index) AND indrelid = to_regclass(:partition)"
)


def _make_plain_index(
    connection: Connection, name: str, table: str, indexed: str, *, unique: bool
) -> None:
    broken = "SELECT 1 FROM pg_index WHERE indexrelid = to_regclass(:name) AND NOT indisvalid"
    if connection.scalar(text(broken), {"name": name}):
        connection.exec_driver_sql(f"DROP INDEX CONCURRENTLY {name}")  # of a try that broke off
    kind = "UNIQUE INDEX" if unique else "INDEX"
    connection.exec_driver_sql(
        f"CREATE {kind} CONCURRENTLY IF NOT EXISTS {name} ON {table} {indexed}"
    )


def change_check(connection: Connection, table: str, name: str, condition: str) -> None:
    """Give a table another check under the same name: it holds for new rows at once."""
    briefly(
        connection,
        f"ALTER TABLE {table} DROP CONSTRAINT IF EXISTS {name}",
        f"ALTER TABLE {table} ADD CONSTRAINT {name} CHECK ({condition}) NOT VALID",
    )
    validate(connection, table, name)


def validate(connection: Connection, table: str, name: str) -> None:
    """Let the database look through all rows for a rule; nobody waits for that."""
    connection.exec_driver_sql(f"ALTER TABLE {table} VALIDATE CONSTRAINT {name}")


def add_foreign_key(
    connection: Connection, name: str, table: str, column: str, target: str
) -> None:
    """Let a column point at rows of another table; `target` is such as "entry (id)"."""
    if not has_constraint(connection, table, name):
        briefly(
            connection,
            f"ALTER TABLE {table} ADD CONSTRAINT {name} "
            f"FOREIGN KEY ({column}) REFERENCES {target} NOT VALID",
        )
    validate(connection, table, name)


def has_constraint(connection: Connection, table: str, name: str) -> bool:
    """Say whether a table has a constraint of this name."""
    asked = "SELECT 1 FROM pg_constraint WHERE conrelid = to_regclass(:table) AND conname = :name"
    return connection.scalar(text(asked), {"table": table, "name": name}) is not None


def is_partitioned(connection: Connection, table: str) -> bool:
    """Say whether a table is divided into partitions."""
    asked = "SELECT relkind = 'p' FROM pg_class WHERE oid = to_regclass(:table)"
    return bool(connection.scalar(text(asked), {"table": table}))


def partitions_of(connection: Connection, table: str) -> list[str]:
    """Return the names of a table's partitions, in the order in which they were made."""
    return [row.name for row in _partitions(connection, table)]


def _partitions(connection: Connection, table: str) -> Iterator[Row[str]]:
    asked = (
        "SELECT child.relname AS name FROM pg_inherits JOIN pg_class child ON child.oid = inhrelid "
        "WHERE inhparent = to_regclass(:table) ORDER BY child.oid"
    )
    yield from connection.execute(text(asked), {"table": table})
