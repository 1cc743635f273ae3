"""Insert many rows by the database's own bulk path, in the transaction that is under way."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import islice
from typing import Any

import psycopg
from sqlalchemy import Connection, Table
from sqlalchemy.exc import DBAPIError

CHUNK = 5000
"""How many rows SQLite's driver is handed at a time, so that a large file's are not all held."""


def insert_rows(
    connection: Connection, table: Table, columns: Sequence[str], rows: Iterable[Sequence[Any]]
) -> None:
    """Insert rows of values as the database's driver takes them, in the order of `columns`.

    Raises
    ------
    DBAPIError
        Whatever the database has against them.
    """
    quote = connection.dialect.identifier_preparer.quote
    name, names = quote(table.name), ", ".join(map(quote, columns))
    if connection.dialect.name == "postgresql":
        _copy_in(connection, f"COPY {name} ({names}) FROM STDIN", rows)
        return
    places = ", ".join("?" * len(columns))
    statement = f"INSERT INTO {name} ({names}) VALUES ({places})"  # noqa: S608 - of our own tables
    ahead = iter(rows)
    while chunk := [tuple(row) for row in islice(ahead, CHUNK)]:
        connection.exec_driver_sql(statement, chunk)


def _copy_in(connection: Connection, statement: str, rows: Iterable[Sequence[Any]]) -> None:
    driver: Any = connection.connection.driver_connection
    try:
        with driver.cursor() as cursor, cursor.copy(statement) as copy:
            for row in rows:
                copy.write_row(row)
    except psycopg.Error as error:
        raise DBAPIError.instance(
            statement, None, error, psycopg.Error, dialect=connection.dialect
        ) from error
