"""A report as a workbook: a sheet that sums up, one that draws, and one for each table.

Cells hold whole values of their type; how many decimals are seen is a matter of their format. Text
is written as text, whatever it begins with, so no cell is ever a formula.
"""

from __future__ import annotations

import io
import math
import re
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

import xlsxwriter
from xlsxwriter.format import Format
from xlsxwriter.worksheet import Worksheet

from trialog.errors import cut
from trialog.languages import t, tn
from trialog.records.formulas import guard
from trialog.reports.document import Document
from trialog.reports.sheet_charts import add_chart, can_be_drawn
from trialog.reports.sheet_formats import format_of, rates_among, sheet_name, unit_of
from trialog.reports.tables import NOTHING, Column, Table, Value

LONGEST_TEXT = 32_767
"""Characters that a cell holds; a program refuses a file with more."""

LONGEST_NAME = 31
"""Characters of a sheet's name."""

NARROWEST, WIDEST = 9, 60
"""Width of columns, in characters; what is wider is broken into lines."""

HEADINGS, BOTH = 34, 96
"""Width of the summary's headings, and of these and what stands beside them."""

LINE, HIGHEST = 15, 400
"""Height of a line, and of a row at most, in points."""

HEAD = 1
"""The row of the headings, below the caption."""

TEXT = {"align": "left", "indent": 1, "text_wrap": True, "num_format": "General"}

MOST_ROWS = 1_048_000
"""Rows that a sheet has room for, with a few to spare."""

ROWS_OF_CHART = 24
"""Rows that a picture covers."""

DAY = 24 * 3600


def as_xlsx(document: Document) -> bytes:
    """Write a document as a workbook, in the language spoken."""
    content = io.BytesIO()
    options = {
        "in_memory": True,
        "strings_to_formulas": False,
        "strings_to_urls": False,
        "strings_to_numbers": False,
    }
    with xlsxwriter.Workbook(content, options) as book:
        _Book(book, document).write()
    return content.getvalue()


class _Book:
    """Writes a document into a workbook; sheets know where each table's columns stand."""

    def __init__(self, book: xlsxwriter.Workbook, document: Document) -> None:
        self._book, self._document = book, document
        self._formats: dict[tuple[tuple[str, Any], ...], Format] = {}
        self._names = {"history"}  # one program keeps that name for itself

    def write(self) -> None:
        """Write all sheets."""
        document = self._document
        self._book.set_properties(
            {
                "title": document.title,
                "subject": document.about,
                "author": "trialog",
                "comments": document.sentence,
                "created": document.produced_at.astimezone(UTC).replace(tzinfo=None),
            }
        )
        self._summary()
        picture = self._sheet(t("picture")) if self._drawn() else None
        places = {table.name: self._table(table) for table in document.tables if not table.upright}
        if picture is not None:
            self._pictures(picture, places)

    def _format(self, **style: Any) -> Format:
        """Return the format of a style; each is made once."""
        known = tuple(sorted(style.items()))
        if known not in self._formats:
            self._formats[known] = self._book.add_format({"valign": "top"} | style)
        return self._formats[known]

    def _sheet(self, name: str) -> Worksheet:
        sheet = self._book.add_worksheet(self._free(name))
        sheet.set_paper(9)
        sheet.set_landscape()
        sheet.fit_to_pages(1, 0)
        sheet.set_header(f"&L{_in_header(self._document.title)}")
        sheet.set_footer(f"&L{_in_header(self._document.about)}&R&P / &N")
        return sheet

    def _free(self, name: str) -> str:
        """Return a sheet's name that programs take and no sheet has yet."""
        clean = re.sub(r"[\[\]:*?/\\]", " ", name).strip("' ")[:LONGEST_NAME] or "-"
        free, number = clean, 1
        while free.lower() in self._names:
            number += 1
            free = f"{clean[: LONGEST_NAME - 4]} {number}"
        self._names.add(free.lower())
        return free

    def _summary(self) -> None:
        """Write the sentence and the facts, and what the report rests on."""
        document, sheet = self._document, self._sheet(t("summary"))
        wrapped = self._format(text_wrap=True)
        sheet.set_column(0, 0, HEADINGS)
        sheet.set_column(1, 1, BOTH - HEADINGS)
        self._text(sheet, 0, 0, document.title, bold=True, font_size=14)
        sheet.set_row(0, 21)
        self._text(sheet, 1, 0, document.about)
        sheet.merge_range(2, 0, 2, 1, "", self._format(text_wrap=True, bold=True))
        self._text(sheet, 2, 0, document.sentence, text_wrap=True, bold=True)
        _set_heights(sheet, [1, 1, _lines(document.sentence, BOTH)])
        made = Column("produced_at", t("made on"), "moment")
        row = self._facts(sheet, 4, [(made, document.produced_at)])
        for table in document.tables:
            if table.upright:
                self._text(sheet, row + 1, 0, table.caption, bold=True)
                facts = list(zip(table.columns, table.rows[0], strict=True))
                row = self._facts(sheet, row + 2, facts)
        lists = ((t("Method and sources"), document.methods), (t("Cautions"), document.cautions))
        for caption, texts in lists:
            self._text(sheet, row + 1, 0, caption, bold=True)
            row += 2
            for text in texts:
                sheet.merge_range(row, 0, row, 1, "", wrapped)
                self._text(sheet, row, 0, text, text_wrap=True)
                sheet.set_row(row, LINE * _lines(text, BOTH))
                row += 1

    def _facts(self, sheet: Worksheet, row: int, facts: Sequence[tuple[Column, Value]]) -> int:
        """Write facts below each other and return the row after them."""
        rates = rates_among(facts)
        for column, value in facts:
            self._text(sheet, row, 0, self._heading(column))
            form = format_of(column, [value], rates)
            style = {"num_format": form, "align": "left", "indent": 1}
            self._value(sheet, (row, 1), column, value, style)
            row += 1
        return row

    def _table(self, table: Table) -> tuple[str, int]:
        """Write a table and return its sheet's name and the number of its rows."""
        sheet = self._sheet(sheet_name(table))
        rows = table.rows[:MOST_ROWS]
        more = len(table.rows) - len(rows)
        left_out = tn("; {number} more row is in the CSV file",
                      "; {number} more rows are in the CSV file", more) if more else ""  # fmt: skip
        self._text(sheet, 0, 0, table.caption + left_out, bold=True)
        rates = rates_among(pair for row in rows for pair in zip(table.columns, row, strict=True))
        head = {"bold": True, "text_wrap": True, "bottom": 1, "bg_color": "#E7EBF0"}
        heights = [1] * (HEAD + 1 + len(rows))
        for place, column in enumerate(table.columns):
            values = [row[place] for row in rows]
            heading = self._heading(column)
            self._text(sheet, HEAD, place, heading, **head | _side(column))
            width = _width(column, heading, values)
            sheet.set_column(place, place, width)
            heights[HEAD] = max(heights[HEAD], _lines(heading, width))
            style = {"num_format": format_of(column, values, rates)} | _side(column)
            for row, value in enumerate(values, start=HEAD + 1):
                self._value(sheet, (row, place), column, value, style)
                if isinstance(value, str):
                    heights[row] = max(heights[row], _lines(value, width))
        _set_heights(sheet, heights)
        sheet.freeze_panes(HEAD + 1, 1)
        sheet.repeat_rows(HEAD)
        if rows:
            sheet.autofilter(HEAD, 0, HEAD + len(rows), len(table.columns) - 1)
        else:
            self._text(sheet, HEAD + 1, 0, table.empty)
        return sheet.get_name(), len(rows)

    def _heading(self, column: Column) -> str:
        unit = unit_of(column, self._document.zone)
        return f"{column.heading} ({unit})" if unit else column.heading

    def _value(
        self, sheet: Worksheet, where: tuple[int, int], column: Column, value: Value,
        style: dict[str, Any],
    ) -> None:  # fmt: skip
        """Write a value in its type; one that is missing leaves the cell empty or in words."""
        row, place = where
        if value is None or value == "":
            if column.missing not in ("", NOTHING):
                self._text(sheet, row, place, column.missing, **style | TEXT)
        elif isinstance(value, str):
            self._text(sheet, row, place, value, **style | TEXT)
        elif isinstance(value, datetime):
            local = value.astimezone(self._document.clock).replace(tzinfo=None)
            sheet.write_datetime(row, place, local, self._format(**style))
        else:
            number = value / DAY if column.in_seconds else value
            sheet.write_number(row, place, number, self._format(**style))

    def _text(self, sheet: Worksheet, row: int, place: int, text: str, **style: Any) -> None:
        """Write a text as text, also once somebody edits the cell."""
        if guard(text) != text:
            style |= {"quote_prefix": True}
        sheet.write_string(row, place, cut(text, LONGEST_TEXT), self._format(**style))

    def _drawn(self) -> list[Table]:
        return [table for table in self._document.tables if can_be_drawn(table)]

    def _pictures(self, sheet: Worksheet, places: dict[str, tuple[str, int]]) -> None:
        drawn = self._drawn()
        sheet.set_print_scale(75)  # a sheet that is made to fit one page has no breaks of its own
        sheet.set_h_pagebreaks([ROWS_OF_CHART * number for number in range(1, len(drawn))])
        for number, table in enumerate(drawn):
            name, rows = places[table.name]
            add_chart(self._book, sheet, table, (name, HEAD, rows), ROWS_OF_CHART * number)


def _in_header(text: str) -> str:
    """Return text as headers want it: an ampersand in them begins a command."""
    return text[:100].replace("&", "&&")


def _lines(text: str, width: int) -> int:
    """Return how many lines a text takes; the letters are not measured, so rather one too many."""
    return sum(math.ceil((len(line) + 1) / (width - 1)) for line in text.split("\n"))


def _set_heights(sheet: Worksheet, heights: Sequence[int]) -> None:
    """Make rows as high as their texts are long: not every program does so by itself."""
    for row, lines in enumerate(heights):
        if lines > 1:
            sheet.set_row(row, min(LINE * lines, HIGHEST))


def _side(column: Column) -> dict[str, Any]:
    """Return where a column's values stand: numbers right, words left, a little apart."""
    return {"align": "right"} if column.numeric else {"align": "left", "indent": 1}


def _width(column: Column, heading: str, values: list[Value]) -> int:
    """Return how wide a column is: as its longest text, its number or a word of its heading."""
    texts = [str(value) for value in values if isinstance(value, str)]
    longest = max((len(line) for text in texts for line in text.split("\n")), default=0)
    word = max(len(word) for word in heading.split() or [""])
    usual = 17 if column.kind == "moment" else NARROWEST
    return min(max(usual, word + 3, longest + 2), WIDEST)
