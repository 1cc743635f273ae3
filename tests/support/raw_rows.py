"""The same rows by nothing but the database's driver: what trialog's speed is held against."""

from __future__ import annotations

import time
from contextlib import closing

from sqlalchemy import delete, insert, select

from trialog.records.base import Base
from trialog.records.bulk import insert_rows
from trialog.records.database import make_engine
from trialog.records.models import Entry

COLUMNS = [column.name for column in Entry.__table__.columns if column.name != "id"]
NAMES = ", ".join(COLUMNS)


class RawTable:
    """The empty table of lines in another database of the same kind, with all of its indexes.

    `like`: the database that the lines come from. All that they point at is copied from there, so
    that pointing is checked on this side too; without it, it is not, which makes this side quicker.
    """

    def __init__(self, url, like=None):
        self._engine = make_engine(url)
        if like is not None:
            copy_all_but_lines(like, self._engine)
        self.kind = self._engine.dialect.name
        self._connection = self._engine.raw_connection()
        off = like is None and (
            "PRAGMA foreign_keys = OFF" if self.kind == "sqlite"
            else "SET session_replication_role = replica"
        )  # fmt: skip
        if off:
            self._connection.cursor().execute(off)
            self._connection.commit()

    def close(self):
        self._connection.close()
        self._engine.dispose()

    @property
    def _insert(self):
        places = ", ".join(["?" if self.kind == "sqlite" else "%s"] * len(COLUMNS))
        return f"INSERT INTO entry ({NAMES}) VALUES ({places})"  # noqa: S608 - our own columns

    def one_by_one(self, rows):
        """Insert each row in a transaction of its own; return how long each took."""
        times = []
        with closing(self._connection.cursor()) as cursor:
            for row in rows:
                begun = time.perf_counter()
                if self.kind == "sqlite":
                    cursor.execute("BEGIN IMMEDIATE")
                cursor.execute(self._insert, row)
                self._connection.commit()
                times.append(time.perf_counter() - begun)
        return times

    def in_bulk(self, rows):
        """Insert all rows by the bulk path of the database's driver; return how long that took."""
        begun = time.perf_counter()
        with closing(self._connection.cursor()) as cursor:
            if self.kind == "sqlite":
                cursor.execute("BEGIN IMMEDIATE")
                cursor.executemany(self._insert, rows)
            else:
                with cursor.copy(f"COPY entry ({NAMES}) FROM STDIN") as copy:
                    for row in rows:
                        copy.write_row(row)
        self._connection.commit()
        return time.perf_counter() - begun

    def at_once(self, rows):
        """Insert all rows as trialog inserts many, whole as they are; return how long that took."""
        begun = time.perf_counter()
        with self._engine.begin() as connection:
            insert_rows(connection, Entry.__table__, COLUMNS, rows)
        return time.perf_counter() - begun


def copy_all_but_lines(url, target):
    """Copy what lines point at: setup, people and shifts."""
    pointing = {"entry"}
    source = make_engine(url)
    with source.connect() as there, target.begin() as here:
        for table in Base.metadata.sorted_tables:
            if pointing & {pointer.column.table.name for pointer in table.foreign_keys}:
                pointing.add(table.name)
            if table.name not in pointing and (
                rows := there.execute(select(table)).mappings().all()
            ):
                here.execute(delete(table))
                here.execute(insert(table), [dict(row) for row in rows])
    source.dispose()


def newest_rows(url, number):
    """Return the last so many rows of a database's logbook, in order, as its driver gives them."""
    engine = make_engine(url)
    with closing(engine.raw_connection()) as connection:
        cursor = connection.cursor()
        cursor.execute(f"SELECT {NAMES} FROM entry ORDER BY id DESC LIMIT {number}")  # noqa: S608
        rows = cursor.fetchall()
    engine.dispose()
    return rows[::-1]
