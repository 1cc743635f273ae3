"""Carry rows from one database to another in chunks, found by their keys."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import Any

from psycopg.types.json import Json
from sqlalchemy import (
    JSON,
    ColumnElement,
    Connection,
    Engine,
    Row,
    delete,
    func,
    insert,
    select,
    text,
    tuple_,
)
from sqlalchemy.dialects import postgresql, sqlite

from trialog.records.bulk import insert_rows
from trialog.records.copying.tables import Copied
from trialog.records.database import WRITE

Rows = Sequence[Row[Any]]
Key = tuple[Any, ...]
Progress = Callable[[int], None]


def count(connection: Connection, copied: Copied) -> int:
    """Return how many rows a table holds."""
    return connection.scalar(select(func.count()).select_from(copied.table)) or 0


def clear(target: Engine, copied: Copied) -> None:
    """Take all rows out of a table that no other points at."""
    with writing(target) as connection:
        connection.execute(delete(copied.table))


def carry(source: Connection, target: Engine, copied: Copied, progress: Progress) -> None:
    """Bring a table's rows over: those that are missing, and of changing ones all.

    Each chunk is a transaction of its own, so that whoever is killed in between goes on there.
    """
    for rows in _missing(source, target, copied) if copied.appended else _all(source, copied):
        with writing(target) as connection:
            if copied.pointed_at and not copied.appended:
                _put(connection, copied, rows)
            else:
                _add(connection, copied, rows)
        progress(len(rows))


def writing(target: Engine) -> Any:
    """Begin a transaction that writes, and so takes SQLite's lock at once."""
    return target.execution_options(**{WRITE: True}).begin()


def _all(source: Connection, copied: Copied, after: Key | None = None) -> Iterator[Rows]:
    """Read a table in the order of its keys, a chunk at a time."""
    while rows := source.execute(_page(copied, after)).all():
        yield rows
        after = _key_of(copied, rows[-1])


def _page(copied: Copied, after: Key | None) -> Any:
    statement = select(copied.table).order_by(*copied.key).limit(copied.chunk)
    return statement if after is None else statement.where(_beyond(copied, after))


def _beyond(copied: Copied, after: Key) -> ColumnElement[bool]:
    beyond: ColumnElement[bool] = tuple_(*copied.key) > after
    return beyond if len(copied.key) > 1 else copied.key[0] > after[0]


def _key_of(copied: Copied, row: Row[Any]) -> Key:
    return tuple(row._mapping[column.name] for column in copied.key)


def _missing(source: Connection, target: Engine, copied: Copied) -> Iterator[Rows]:
    """Read the rows that have not arrived yet.

    Chunks arrive in the order of keys, so mostly those beyond the last one are missing. A key
    before it can be new as well: numbers are given before transactions end, and the hash that
    names a photo comes where it comes.
    """
    last = _last_key(target, copied)
    if last is None:
        yield from _all(source, copied)
        return
    if _holes_before(source, target, copied, last):
        for rows in _all(source, copied):
            arrived = _arrived(target, copied, [_key_of(copied, row) for row in rows])
            if new := [row for row in rows if _key_of(copied, row) not in arrived]:
                yield new
        return
    yield from _all(source, copied, last)


def _last_key(target: Engine, copied: Copied) -> Key | None:
    newest = select(*copied.key).order_by(*(column.desc() for column in copied.key)).limit(1)
    with target.connect() as connection:
        row = connection.execute(newest).first()
    return None if row is None else tuple(row)


def _holes_before(source: Connection, target: Engine, copied: Copied, last: Key) -> bool:
    there = select(func.count()).select_from(copied.table).where(~_beyond(copied, last))
    with target.connect() as connection:
        return source.scalar(there) != count(connection, copied)


def _arrived(target: Engine, copied: Copied, keys: Sequence[Key]) -> set[Key]:
    first, last = keys[0], keys[-1]
    between = select(*copied.key).where(
        tuple_(*copied.key) >= first, tuple_(*copied.key) <= last
    )  # fmt: skip
    with target.connect() as connection:
        return {tuple(row) for row in connection.execute(between)}


def _add(connection: Connection, copied: Copied, rows: Rows) -> None:
    """Insert rows, by the database's own bulk path where it has one."""
    if connection.dialect.name != "postgresql":
        connection.execute(insert(copied.table), [dict(row._mapping) for row in rows])
        return
    as_json = [isinstance(column.type, JSON) for column in copied.table.columns]
    names = [column.name for column in copied.table.columns]
    insert_rows(connection, copied.table, names, (_given(row, as_json) for row in rows))


def _given(row: Row[Any], as_json: Sequence[bool]) -> list[Any]:
    return [
        Json(value) if wrapped and value is not None else value
        for value, wrapped in zip(row, as_json, strict=True)
    ]


def _put(connection: Connection, copied: Copied, rows: Rows) -> None:
    """Insert rows, or set those that are there already to what they have become."""
    dialect = postgresql if connection.dialect.name == "postgresql" else sqlite
    statement: Any = dialect.insert(copied.table)
    others = {
        column.name: statement.excluded[column.name]
        for column in copied.table.columns
        if not column.primary_key
    }
    upsert = statement.on_conflict_do_update(index_elements=list(copied.key), set_=others)
    connection.execute(upsert, [dict(row._mapping) for row in rows])


def set_counters(target: Engine, copied: Copied) -> None:
    """Let PostgreSQL number new rows beyond those that came over; SQLite does so by itself."""
    if target.dialect.name != "postgresql" or not copied.counts_up:
        return
    with target.begin() as connection:
        highest = connection.scalar(select(func.max(copied.key[0])))
        connection.execute(
            text("SELECT setval(pg_get_serial_sequence(:name, 'id'), :next, false)"),
            {"name": copied.name, "next": (highest or 0) + 1},
        )
