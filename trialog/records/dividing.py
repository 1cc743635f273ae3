"""Divide a logbook that is one table, without writing a row of it anew, while others write.

The table becomes the first partition of a new one that takes its name. What takes long (looking
through all rows) holds nobody up; what others have to wait for changes the catalogue only. Every
step looks at what is there: interrupted, it goes on when it is run again.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from sqlalchemy import Connection, Row, text

from trialog.records.online import (
    add_foreign_key,
    briefly,
    has_constraint,
    is_partitioned,
    validate,
)
from trialog.records.partitions import (
    DEFAULT,
    KEY_OF_TARGETS,
    POINTED_LOCK,
    SPAN,
    TABLE,
    UNIQUE,
    unique_indexes,
)

WHOLE = f"{TABLE}_all"
"""What the new table is called until it takes the old one's name."""

FIRST = f"{TABLE}_p0"
BOUND = f"ck_{TABLE}_first_partition"
ROOM = 1_000_000
"""How many lines may come at least before the first partition is full."""


def divide(connection: Connection) -> None:
    """Make the logbook's table the first partition; the connection commits by itself."""
    if not is_partitioned(connection, TABLE):
        upper = _bind(connection)
        _drop_key_of_targets(connection)
        _make_whole(connection)
        _swap(connection, upper)
    for pointer in _pointers_at(connection, FIRST):
        _point_anew(connection, pointer)
    connection.exec_driver_sql(f"ANALYZE {TABLE}")


def _bind(connection: Connection) -> int:
    """Let all ids of the table be below the first partition's end, and return that.

    The check spares the partition its own look through all rows, which would lock it.
    """
    definition = connection.scalar(
        text("SELECT pg_get_constraintdef(oid) FROM pg_constraint WHERE conname = :name"),
        {"name": BOUND},
    )
    if definition is None:
        highest = connection.exec_driver_sql(f"SELECT max(id) FROM {TABLE}").scalar() or 0  # noqa: S608
        upper = ((highest + ROOM) // SPAN + 1) * SPAN
        check = f"ADD CONSTRAINT {BOUND} CHECK (id < {upper}) NOT VALID"
        briefly(connection, f"ALTER TABLE {TABLE} {check}")
    else:
        upper = int(re.findall(r"\d+", definition)[0])
    validate(connection, TABLE, BOUND)
    return upper


def _drop_key_of_targets(connection: Connection) -> None:
    """Let go of the key from line to line: over several partitions no client id can be unique."""
    briefly(connection, f"ALTER TABLE {TABLE} DROP CONSTRAINT IF EXISTS {KEY_OF_TARGETS}")


def _make_whole(connection: Connection) -> None:
    """Make the new table, empty, with all that the old one has, and its default partition."""
    if not connection.scalar(text("SELECT to_regclass(:name)"), {"name": WHOLE}):
        briefly(
            connection,
            f"CREATE TABLE {WHOLE} (LIKE {TABLE} INCLUDING DEFAULTS INCLUDING CONSTRAINTS "
            "INCLUDING COMMENTS) PARTITION BY RANGE (id)",
            f"ALTER TABLE {WHOLE} DROP CONSTRAINT IF EXISTS {BOUND}",
            f"ALTER TABLE {WHOLE} ADD CONSTRAINT pk_{WHOLE} PRIMARY KEY (id)",
            *_same_indexes(connection),
        )
    for row in _constraints(connection, TABLE, "f"):
        if not has_constraint(connection, WHOLE, row.conname):
            briefly(connection, f"ALTER TABLE {WHOLE} ADD CONSTRAINT {row.conname} {row.said}")
    if not connection.scalar(text("SELECT to_regclass(:name)"), {"name": DEFAULT}):
        briefly(
            connection,
            f"CREATE TABLE {DEFAULT} PARTITION OF {WHOLE} DEFAULT",
            *unique_indexes(DEFAULT),
            locks=(POINTED_LOCK,),
        )


def _same_indexes(connection: Connection) -> Iterator[str]:
    for row in _indexes(connection, TABLE):
        columns = (
            row.said.partition(f"ON public.{TABLE} ")[2] or row.said.partition(f" {TABLE} ")[2]
        )
        yield f"CREATE INDEX {row.relname.replace(TABLE, WHOLE, 1)} ON {WHOLE} {columns}"


def _swap(connection: Connection, upper: int) -> None:
    """Let the new table take the old one's name, and the old one its place in it."""
    statements = [f"ALTER TABLE {TABLE} RENAME TO {FIRST}"]
    renamed = [
        (row.relname, row.relname.replace(TABLE, FIRST, 1)) for row in _indexes(connection, TABLE)
    ]
    statements += [f"ALTER INDEX {before} RENAME TO {after}" for before, after in renamed]
    for key in ("pk", *(f"uq_{'_'.join(columns)}" for columns in UNIQUE)):
        prefix, _, rest = key.partition("_")
        end = f"_{rest}" if rest else ""
        statements.append(
            f"ALTER TABLE {FIRST} RENAME CONSTRAINT {prefix}_{TABLE}{end} TO {prefix}_{FIRST}{end}"
        )
    statements.append(f"ALTER TABLE {WHOLE} RENAME TO {TABLE}")
    statements.append(f"ALTER TABLE {TABLE} RENAME CONSTRAINT pk_{WHOLE} TO pk_{TABLE}")
    statements += [
        f"ALTER INDEX {before.replace(TABLE, WHOLE, 1)} RENAME TO {before}" for before, _ in renamed
    ]
    statements += [
        f"ALTER TABLE {TABLE} ATTACH PARTITION {FIRST} FOR VALUES FROM (MINVALUE) TO ({upper})",
        f"ALTER SEQUENCE {TABLE}_id_seq OWNED BY {TABLE}.id",
        f"ALTER TABLE {FIRST} DROP CONSTRAINT {BOUND}",
    ]
    briefly(connection, *statements, locks=(POINTED_LOCK, f"{TABLE} IN ACCESS EXCLUSIVE MODE"))


def _point_anew(connection: Connection, pointer: Row[str, str, str]) -> None:
    """Let what points at the first partition point at the whole logbook."""
    name = f"{pointer.conname}_anew"
    target = f"{TABLE} (id)"
    add_foreign_key(connection, name, pointer.tablename, pointer.columnname, target)
    briefly(
        connection,
        f"ALTER TABLE {pointer.tablename} DROP CONSTRAINT {pointer.conname}",
        f"ALTER TABLE {pointer.tablename} RENAME CONSTRAINT {name} TO {pointer.conname}",
    )


def _pointers_at(connection: Connection, table: str) -> list[Row[str, str, str]]:
    """Return the foreign keys of other tables that name rows of this one itself."""
    asked = (
        "SELECT conname, CAST(conrelid AS regclass)::text AS tablename, attname AS columnname "
        "FROM pg_constraint JOIN pg_attribute ON attrelid = conrelid AND attnum = conkey[1] "
        "WHERE contype = 'f' AND confrelid = to_regclass(:table) AND conparentid = 0 "
        "ORDER BY conname"
    )
    return list(connection.execute(text(asked), {"table": table}))


def _indexes(connection: Connection, table: str) -> list[Row[str, str]]:
    """Return the indexes of a table that only serve to find rows."""
    asked = (
        "SELECT relname, pg_get_indexdef(indexrelid) AS said FROM pg_index "
        "JOIN pg_class ON pg_class.oid = indexrelid "
        "WHERE indrelid = to_regclass(:table) AND NOT indisunique ORDER BY relname"
    )
    return list(connection.execute(text(asked), {"table": table}))


def _constraints(connection: Connection, table: str, kind: str) -> list[Row[str, str]]:
    asked = (
        "SELECT conname, pg_get_constraintdef(oid) AS said FROM pg_constraint "
        "WHERE conrelid = to_regclass(:table) AND contype = :kind ORDER BY conname"
    )
    return list(connection.execute(text(asked), {"table": table, "kind": kind}))


def make_one(connection: Connection) -> None:
    """Make one table of the logbook again, as it was: every row is written anew, in one go."""
    run = connection.exec_driver_sql
    pointers = _pointers_at(connection, TABLE)
    indexes, keys = _indexes(connection, TABLE), _constraints(connection, TABLE, "f")
    for pointer in pointers:
        run(f"ALTER TABLE {pointer.tablename} DROP CONSTRAINT {pointer.conname}")
    like = "INCLUDING DEFAULTS INCLUDING CONSTRAINTS INCLUDING COMMENTS"
    run(f"CREATE TABLE {WHOLE} (LIKE {TABLE} {like})")
    run(f"INSERT INTO {WHOLE} SELECT * FROM {TABLE}")  # noqa: S608
    run(f"ALTER SEQUENCE {TABLE}_id_seq OWNED BY {WHOLE}.id")
    run(f"DROP TABLE {TABLE}")
    run(f"ALTER TABLE {WHOLE} RENAME TO {TABLE}")
    run(f"ALTER TABLE {TABLE} ADD CONSTRAINT pk_{TABLE} PRIMARY KEY (id)")
    for columns in UNIQUE:
        listed, joined = ", ".join(columns), "_".join(columns)
        run(f"ALTER TABLE {TABLE} ADD CONSTRAINT uq_{TABLE}_{joined} UNIQUE ({listed})")
    for row in indexes:
        run(row.said.replace(" ON ONLY ", " ON "))
    for row in keys:
        run(f"ALTER TABLE {TABLE} ADD CONSTRAINT {row.conname} {row.said}")
    key = f"{KEY_OF_TARGETS} FOREIGN KEY (target) REFERENCES {TABLE} (client_id)"
    run(f"ALTER TABLE {TABLE} ADD CONSTRAINT {key}")
    for pointer in pointers:
        run(
            f"ALTER TABLE {pointer.tablename} ADD CONSTRAINT {pointer.conname} "
            f"FOREIGN KEY ({pointer.columnname}) REFERENCES {TABLE} (id)"
        )
