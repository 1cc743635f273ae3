"""The pictures of a workbook, drawn by the program that opens it from the cells of a table."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import xlsxwriter
from xlsxwriter.worksheet import Worksheet

from trialog.languages import mark, t
from trialog.reports.sheet_formats import format_of
from trialog.reports.tables import Table

SIZE = {"width": 900, "height": 440}

MARKS = ("circle", "diamond", "square")
"""A shape for each line, so that grey tells them apart too."""


@dataclass(frozen=True)
class Drawn:
    """What of a table is drawn: a column across, and one or more upwards.

    `axis` says what is measured upwards. `scatter`: across are numbers, and a line joins
    the points.
    """

    across: str
    upwards: tuple[str, ...]
    axis: str
    scatter: bool = False


CHARTS = {
    "path": Drawn("cycle", ("failures",), mark("relevant failures so far"), scatter=True),
    "rates": Drawn("subject", ("estimate", "upper"), mark("failures per cycle")),
    "failures-by-shift": Drawn("shift", ("rate", "upper"), mark("failures per cycle")),
    "failure-modes": Drawn("mode", ("failures",), mark("relevant failures")),
    "revisions": Drawn("what", ("estimate", "upper"), mark("failures per cycle")),
    "proven-stretch": Drawn("shift", ("proven_seconds",), mark("proven stretch")),
    "cells": Drawn("cell", ("proven", "required"), mark("stretch")),
}
"""Which tables are drawn, by their names."""


def can_be_drawn(table: Table) -> bool:
    """Say whether a table has rows, and the columns that a picture of its name needs."""
    drawn, keys = CHARTS.get(table.name), {column.key for column in table.columns}
    return drawn is not None and bool(table.rows) and keys >= {drawn.across, *drawn.upwards}


Place = tuple[str, int, int]
"""Where a table stands: its sheet, the row of its headings, and how many rows follow."""


def add_chart(
    book: xlsxwriter.Workbook, sheet: Worksheet, table: Table, place: Place, row: int
) -> None:
    """Draw a table, from a row of a sheet downwards."""
    drawn = CHARTS[table.name]
    kind = {"type": "scatter", "subtype": "straight_with_markers"} if drawn.scatter else {
        "type": "column"
    }  # fmt: skip
    chart = book.add_chart(kind)
    for number, key in enumerate(drawn.upwards):
        chart.add_series(_series(table, drawn, key, place, number))
    across = table.columns[_at(table, drawn.across)]
    upwards = _at(table, drawn.upwards[0])
    form = format_of(table.columns[upwards], [row[upwards] for row in table.rows])
    chart.set_title({"name": _no_reference(table.caption), "name_font": {"size": 12}})
    chart.set_x_axis({"name": across.heading, "min": 0} if drawn.scatter else {"name": ""})
    chart.set_y_axis({"name": t(drawn.axis), "min": 0, "num_format": form})
    chart.set_legend({"none": True} if len(drawn.upwards) == 1 else {"position": "bottom"})
    chart.set_size(SIZE)
    sheet.insert_chart(row, 0, chart, {"description": table.caption})


def _series(table: Table, drawn: Drawn, key: str, place: Place, number: int) -> dict[str, Any]:
    name, head, rows = place
    across, upwards = _at(table, drawn.across), _at(table, key)
    series: dict[str, Any] = {
        "name": [name, head, upwards],
        "categories": [name, head + 1, across, head + rows, across],
        "categories_data": _names(table, across),
        "values": [name, head + 1, upwards, head + rows, upwards],
    }
    if drawn.scatter:
        return series | {"marker": {"type": MARKS[number % len(MARKS)], "size": 5}}
    pattern = {"pattern": "wide_upward_diagonal", "fg_color": "#1D4F8F", "bg_color": "#FFFFFF"}
    look = {"pattern": pattern} if number else {"fill": {"color": "#1D4F8F"}}
    return series | look | {"border": {"color": "#1D4F8F"}}


def _no_reference(words: str) -> str:
    """Return words that are not taken for a reference to a cell, as "Line!A1" would be.

    The library looks for a letter after the exclamation mark; a word joiner, which nobody sees,
    stands there instead.
    """
    return words.replace("!", "!\u2060")


def _names(table: Table, column: int) -> list[str] | None:
    """Return what is written across as text, so that shifts named "1" and "nan" are no numbers.

    The library decides by the words, and takes those with a blank in them for words.
    """
    values = [row[column] for row in table.rows]
    return [f"{value} " for value in values] if isinstance(values[0], str) else None


def _at(table: Table, key: str) -> int:
    return next(place for place, column in enumerate(table.columns) if column.key == key)
