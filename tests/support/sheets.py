"""A workbook read back: its cells by the keys of the report's tables."""

from __future__ import annotations

import io
from datetime import datetime, timedelta

import openpyxl

from trialog.reports.sheet_formats import sheet_name


class Workbook:
    """The workbook of a document."""

    def __init__(self, content, document):
        self.content = content
        self.book = openpyxl.load_workbook(io.BytesIO(content))
        self.tables = document.tables
        self._document = document

    def table(self, name):
        """Return the table of a name."""
        return self._document.table(name)

    def sheet(self, name):
        """Return the sheet of a table."""
        return self.book[sheet_name(self.table(name))[:31]]

    def rows(self, name):
        """Return a table's rows as dicts; times in seconds, moments without their zone."""
        table = self.table(name)
        cells = self.sheet(name).iter_rows(min_row=3, max_col=len(table.columns), values_only=True)
        keys = [column.key for column in table.columns]
        rows = cells if table.rows else ()
        return [{key: plain(value) for key, value in zip(keys, row, strict=True)} for row in rows]

    def facts(self, name="facts"):
        """Return an upright table's values, by key; they stand below its caption."""
        table = self.table(name)
        first = self.book.worksheets[0]
        (caption,) = (cell.row for cell in first["A"] if cell.value == table.caption)
        rows = first.iter_rows(
            min_row=caption + 1, max_row=caption + len(table.columns), max_col=2, values_only=True
        )
        found = {}
        for column, (heading, value) in zip(table.columns, rows, strict=True):
            assert heading.startswith(column.heading)
            found[column.key] = plain(value)
        return found


def plain(value):
    """Return a cell's value; a length of time in seconds, an empty cell as None."""
    if isinstance(value, timedelta):
        return value.total_seconds()
    return value


def local(moment, zone):
    """Return a moment as a cell holds it: to the second, in the shop's zone, without its name."""
    if moment is None:
        return None
    shown = moment.astimezone(zone).replace(tzinfo=None)
    return datetime.fromisoformat(shown.isoformat(timespec="milliseconds"))
