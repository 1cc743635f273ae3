"""From a file's bytes to its rows: character sets, delimiters, quotes and line numbers."""

from __future__ import annotations

import csv
import io
import re
from codecs import BOM_UTF8, BOM_UTF16_BE, BOM_UTF16_LE
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from trialog.errors import InvalidValueError, cut
from trialog.records.formulas import unguard

LARGEST_FILE = 64 * 1024 * 1024
MOST_LINES = 500_000
DELIMITERS = (",", ";", "\t")
LONGEST_SHOWN = 120


class Row(NamedTuple):
    """A row of the file. `line` is the file's line on which it starts, from 1."""

    line: int
    cells: Sequence[str]

    @property
    def text(self) -> str:
        """The row as a person would recognise it, shortened."""
        return shortened(" | ".join(self.cells))


@dataclass(frozen=True)
class RejectedLine:
    """A line of a file that cannot be imported: its number, why, and its text shortened."""

    line: int
    reason: str
    text: str


@dataclass(frozen=True)
class Table:
    """A file's header, with names made comparable, its rows, and rows that cannot be told apart."""

    header: Sequence[str]
    titles: Sequence[str]
    rows: Sequence[Row]
    broken: Sequence[RejectedLine]
    delimiter: str


def column_key(name: str) -> str:
    """Return a column's name as it is compared: small letters, blanks and hyphens as _."""
    return re.sub(r"[\s_-]+", "_", name.strip().casefold())


def shortened(text: str) -> str:
    """Return a text on one line, cut where it gets long."""
    line = text if text.isprintable() else "".join(c if c.isprintable() else "·" for c in text)
    return cut(line, LONGEST_SHOWN)


def read_table(content: bytes) -> Table:
    """Read a CSV file: UTF-8, UTF-16 with a byte order mark, or Windows-1252.

    Raises
    ------
    InvalidValueError
        If the file as a whole cannot be read: too large, no text, no header.
    """
    text = _decode(content)
    delimiter = _find_delimiter(text)
    rows: list[Row] = []
    broken: list[RejectedLine] = []
    for row in _rows(text, delimiter):
        if isinstance(row, RejectedLine):
            broken.append(row)
        elif any(cell.strip() for cell in row.cells):
            rows.append(row)
        if len(rows) > MOST_LINES:
            raise InvalidValueError("file", f"have at most {MOST_LINES} lines", f"line {row.line}")
    if not rows:
        raise InvalidValueError("file", "start with a line that names its columns", text[:40])
    titles = _titles(rows[0])
    return Table([column_key(title) for title in titles], titles, rows[1:], broken, delimiter)


def _titles(first: Row) -> list[str]:
    titles = [unguard(cell).strip() for cell in first.cells]
    while titles and not titles[-1]:
        titles.pop()
    keys = [column_key(title) for title in titles]
    for place, key in enumerate(keys):
        if not key:
            raise InvalidValueError("file", "name each of its columns", f"column {place + 1}")
        if key in keys[:place]:
            raise InvalidValueError("file", "name each column once", titles[place])
    return titles


def _decode(content: bytes) -> str:
    if len(content) > LARGEST_FILE:
        raise InvalidValueError(
            "file", f"be at most {LARGEST_FILE // 2**20} MiB", f"{len(content) / 2**20:.1f} MiB"
        )
    text = _text_of(content)
    if "\x00" in text:
        line = text.count("\n", 0, text.index("\x00")) + 1
        raise InvalidValueError("file", "be text without NUL characters", f"one on line {line}")
    if not text.strip():
        raise InvalidValueError("file", "not be empty", f"{len(content)} bytes")
    return text


def _text_of(content: bytes) -> str:
    marks = ((BOM_UTF8, "utf-8-sig"), (BOM_UTF16_LE, "utf-16"), (BOM_UTF16_BE, "utf-16"))
    marked = [encoding for mark, encoding in marks if content.startswith(mark)]
    for encoding in marked or ("utf-8", "cp1252"):
        try:
            return content.decode(encoding)
        except UnicodeDecodeError:
            continue
    raise InvalidValueError(
        "file", "be text in UTF-8, UTF-16 with a byte order mark or Windows-1252", content[:20]
    )


def _find_delimiter(text: str) -> str:
    """Return the delimiter that parts the header into the most columns."""

    def columns(delimiter: str) -> int:
        return max((len(row.cells) for row in _first_rows(text, delimiter)), default=0)

    return max(DELIMITERS, key=columns)


def _first_rows(text: str, delimiter: str) -> Iterator[Row]:
    for row in _rows(text, delimiter):
        if isinstance(row, Row) and any(cell.strip() for cell in row.cells):
            yield row
            return


class _Lines:
    """The file's lines, and which of them the reader has taken for its current row."""

    def __init__(self, text: str) -> None:
        self._lines = io.StringIO(text, newline="")
        self.number = 0
        self.taken: list[str] = []

    def __iter__(self) -> _Lines:
        return self

    def __next__(self) -> str:
        line = next(self._lines)
        self.number += 1
        self.taken.append(line)
        return line


def _rows(text: str, delimiter: str) -> Iterator[Row | RejectedLine]:
    lines = _Lines(text)
    reader = csv.reader(lines, delimiter=delimiter, strict=True)
    while True:
        first = lines.number + 1
        lines.taken.clear()
        try:
            yield Row(first, tuple(next(reader)))
        except StopIteration:
            return
        except csv.Error as error:
            yield _broken(first, lines, error)


def _broken(first: int, lines: _Lines, error: csv.Error) -> RejectedLine:
    reach = "" if lines.number == first else f" (read as one row up to line {lines.number})"
    fault = InvalidValueError("quotes", f"open and close around a whole cell{reach}", str(error))
    return RejectedLine(first, str(fault), shortened("".join(lines.taken[:2])))
