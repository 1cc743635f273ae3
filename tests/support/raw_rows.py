"""The same rows by nothing but the database's driver: what trialog's speed is held against."""

from __future__ import annotations

import time
from contextlib import closing

from sqlalchemy import text

from trialog.records.database import make_engine
from trialog.records.models import Entry

COLUMNS = [column.name for column in Entry.__table__.columns if column.name != "id"]
NAMES = ", ".join(COLUMNS)


class RawTable:
    """The empty table of lines in another database of the same kind, with all of its indexes.

    Rows that they point at are not there, so pointing is not checked: that makes this side quicker.
    """

    def __init__(self, url):
        self._engine = make_engine(url)
        self.kind = self._engine.dialect.name
        self._connection = self._engine.raw_connection()
        off = (
            "PRAGMA foreign_keys = OFF" if self.kind == "sqlite"
            else "SET session_replication_role = replica"
        )  # fmt: skip
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
        """Insert all rows the quickest way that the database knows; return how long that took."""
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


def rows_of(url, most=None):
    """Return the rows of a database's logbook as its driver gives them."""
    engine = make_engine(url)
    limit = "" if most is None else f" LIMIT {most}"
    with closing(engine.raw_connection()) as connection:
        cursor = connection.cursor()
        cursor.execute(str(text(f"SELECT {NAMES} FROM entry ORDER BY id{limit}")))  # noqa: S608
        rows = cursor.fetchall()
    engine.dispose()
    return rows
