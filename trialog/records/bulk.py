"""Insert many rows by the quickest path that the database has, in the transaction under way."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from itertools import islice
from typing import Any

import psycopg
from sqlalchemy import Connection, Table
from sqlalchemy.exc import DBAPIError

CHUNK = 2000
"""How many rows SQLite's driver is handed at a time, so that a large file's are not all held."""

EMPTY = r"\N"
"""What stands for an empty value in COPY's text format."""

FEW = 50
"""Fewer rows than that are inserted one by one: setting a table up for them would take longer."""


def insert_rows(
    connection: Connection, table: Table, columns: Sequence[str], rows: Iterable[Sequence[Any]]
) -> None:
    """Insert rows of values as the database's driver takes them, in the order of `columns`.

    Raises
    ------
    DBAPIError
        Whatever the database has against them.
    """
    if connection.dialect.name == "postgresql":
        with _copying_in(connection, table, columns) as copy:
            for row in rows:
                copy.write_row(row)
        return
    ahead = iter(rows)
    while chunk := list(map(tuple, islice(ahead, CHUNK))):
        if len(chunk) < FEW:
            _insert(connection, table.name, columns, chunk)
        else:
            _insert_at_once(connection, table, columns, chunk)


def _insert(
    connection: Connection, table: str, columns: Sequence[str], rows: Sequence[tuple[Any, ...]]
) -> None:
    name, names = _quoted(connection, table, columns)
    places = ", ".join("?" * len(columns))
    statement = f"INSERT INTO {name} ({names}) VALUES ({places})"  # noqa: S608 - our own tables
    connection.exec_driver_sql(statement, rows)


def _insert_at_once(
    connection: Connection, table: Table, columns: Sequence[str], rows: Sequence[tuple[Any, ...]]
) -> None:
    """Insert rows into SQLite by one statement, out of a table that this connection alone sees.

    A statement a row takes twice as long (measured): each opens the table and all its indexes anew.
    """
    run, waiting = connection.exec_driver_sql, f"{table.name} to insert"
    name, names = _quoted(connection, table.name, columns)
    stage, all_names = _quoted(connection, waiting, table.columns.keys())
    run(f"CREATE TEMP TABLE IF NOT EXISTS {stage} ({all_names})")
    run(f"DELETE FROM {stage}")  # noqa: S608 - what a try that failed may have left
    _insert(connection, waiting, columns, rows)
    run(f"INSERT INTO {name} ({names}) SELECT {names} FROM {stage} ORDER BY rowid")  # noqa: S608 - our own tables
    run(f"DELETE FROM {stage}")  # noqa: S608 - our own tables


def copy_texts(
    connection: Connection,
    table: Table,
    columns: Sequence[str],
    texts: Iterable[str],
    meanwhile: Callable[[], None] | None = None,
) -> None:
    """Insert rows into PostgreSQL that are written as `copy_text` writes them, a line each.

    `meanwhile`, which must not use the connection, is called while the database is still at work
    on the last of them.

    Raises
    ------
    DBAPIError
        Whatever the database has against them.
    """
    with ExitStack() as stack:
        copy, ahead = stack.enter_context(_copying_in(connection, table, columns)), iter(texts)
        while block := "".join(islice(ahead, CHUNK)):
            copy.write(block)
        if meanwhile is not None:
            with ThreadPoolExecutor(1) as aside:
                end = aside.submit(stack.pop_all().close)
                meanwhile()
                end.result()


def copy_text(values: Iterable[Any]) -> str:
    """Write values of a row as COPY takes them: PostgreSQL's manual, COPY, text format."""
    return "\t".join(map(_copy_value, values))


def _copy_value(value: Any) -> str:
    return EMPTY if value is None else str(value).translate(_ESCAPES)


_ESCAPES = str.maketrans({"\\": r"\\", "\n": r"\n", "\r": r"\r", "\t": r"\t"})


@contextmanager
def _copying_in(
    connection: Connection, table: Table, columns: Sequence[str]
) -> Iterator[psycopg.Copy]:
    name, names = _quoted(connection, table.name, columns)
    statement = f"COPY {name} ({names}) FROM STDIN"
    driver: Any = connection.connection.driver_connection
    try:
        with driver.cursor() as cursor, cursor.copy(statement) as copy:
            yield copy
    except psycopg.Error as error:
        raise DBAPIError.instance(
            statement, None, error, psycopg.Error, dialect=connection.dialect
        ) from error


def _quoted(connection: Connection, table: str, columns: Iterable[str]) -> tuple[str, str]:
    quote = connection.dialect.identifier_preparer.quote
    return quote(table), ", ".join(map(quote, columns))
