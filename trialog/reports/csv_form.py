"""A report's table as a file of values, for programs and spreadsheets.

Keys of the columns stand at the top and stay as they are in every language; numbers are whole,
times ISO 8601 in the shop's zone.
"""

from __future__ import annotations

import base64
import csv
import io
from datetime import datetime, tzinfo

from trialog.records.formulas import guard
from trialog.reports.tables import Column, Table, Value


def as_csv(table: Table, clock: tzinfo) -> bytes:
    """Write a table as CSV, a heading and a line for each row."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow([key(column) for column in table.columns])
    writer.writerows([_cell(value, clock) for value in row] for row in table.rows)
    return text.getvalue().encode()


def csv_uri(table: Table, clock: tzinfo) -> str:
    """Return a table as CSV that is its own address, for a link that needs nobody to answer."""
    return f"data:text/csv;base64,{base64.b64encode(as_csv(table, clock)).decode()}"


def key(column: Column) -> str:
    """Return a column's key, with its unit where that is not a matter of course."""
    plain = column.in_seconds and not column.key.endswith("seconds")
    return f"{column.key}_seconds" if plain else column.key


def _cell(value: Value, clock: tzinfo) -> str:
    if value is None:
        return ""
    if isinstance(value, datetime):
        return value.astimezone(clock).isoformat(timespec="seconds")
    return guard(value) if isinstance(value, str) else str(value)
