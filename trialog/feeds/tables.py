"""From a file's bytes to its rows: character sets, delimiters, quotes and line numbers."""

from __future__ import annotations

import csv
import io
import re
from codecs import BOM_UTF8, BOM_UTF16_BE, BOM_UTF16_LE, getincrementaldecoder
from collections.abc import Iterable, Iterator, Sequence
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
    """A file's header, with names made comparable, and a way to its rows.

    Rows are read off the file each time: half a million of them are never held at once.
    """

    header: Sequence[str]
    titles: Sequence[str]
    delimiter: str
    source: Source

    def rows(self) -> Iterator[Row | RejectedLine]:
        """Go through the rows below the header, and lines that cannot be told apart.

        Raises
        ------
        InvalidValueError
            If there are too many.
        """
        header = True
        for count, row in enumerate(self.source.rows(self.delimiter)):
            if count >= MOST_LINES:
                rule = f"have at most {MOST_LINES} lines"
                raise InvalidValueError("file", rule, f"line {row.line}")
            if header and isinstance(row, Row):
                header = False
            else:
                yield row


def column_key(name: str) -> str:
    """Return a column's name as it is compared: small letters, blanks and hyphens as _."""
    return re.sub(r"[\s_-]+", "_", name.strip().casefold())


def shortened(text: str) -> str:
    """Return a text on one line, cut where it gets long."""
    line = text if text.isprintable() else "".join(c if c.isprintable() else "·" for c in text)
    return cut(line, LONGEST_SHOWN)


def read_table(content: bytes) -> Table:
    """Read a CSV file's header: UTF-8, UTF-16 with a byte order mark, or Windows-1252.

    Raises
    ------
    InvalidValueError
        If the file as a whole cannot be read: too large, no text, no header.
    """
    source = Source(content, _encoding_of(content))
    delimiter = _find_delimiter(source)
    header = source.first(delimiter)
    if header is None:
        begin = content[:80].decode(source.encoding, errors="replace")[:40]
        raise InvalidValueError("file", "start with a line that names its columns", begin)
    titles = _titles(header)
    return Table([column_key(title) for title in titles], titles, delimiter, source)


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


def _encoding_of(content: bytes) -> str:
    """Return the character set of a file, all of which can be read by it."""
    if len(content) > LARGEST_FILE:
        raise InvalidValueError(
            "file", f"be at most {LARGEST_FILE // 2**20} MiB", f"{len(content) / 2**20:.1f} MiB"
        )
    marks = ((BOM_UTF8, "utf-8-sig"), (BOM_UTF16_LE, "utf-16"), (BOM_UTF16_BE, "utf-16"))
    marked = [encoding for mark, encoding in marks if content.startswith(mark)]
    for encoding in marked or ("utf-8", "cp1252"):
        try:
            _require_text(content, encoding)
        except UnicodeDecodeError:
            continue
        return encoding
    raise InvalidValueError(
        "file", "be text in UTF-8, UTF-16 with a byte order mark or Windows-1252", content[:20]
    )


def _require_text(content: bytes, encoding: str) -> None:
    """Go through a file's text a piece at a time, so that a large one is not held twice."""
    lines, blank = 1, True
    decoder = getincrementaldecoder(encoding)()
    for start in range(0, len(content) + 1, _PIECE):
        piece = content[start : start + _PIECE]
        text = decoder.decode(piece, final=len(piece) < _PIECE)
        if "\x00" in text:
            line = lines + text.count("\n", 0, text.index("\x00"))
            raise InvalidValueError("file", "be text without NUL characters", f"one on line {line}")
        lines += text.count("\n")
        blank = blank and not text.strip()
    if blank:
        raise InvalidValueError("file", "not be empty", f"{len(content)} bytes")


_PIECE = 2**20


def _find_delimiter(source: Source) -> str:
    """Return the delimiter that parts the header into the most columns."""

    def columns(delimiter: str) -> int:
        first = source.first(delimiter)
        return 0 if first is None else len(first.cells)

    return max(DELIMITERS, key=columns)


@dataclass(frozen=True)
class Source:
    """A file's bytes, and how they are read as text."""

    content: bytes
    encoding: str

    def rows(self, delimiter: str) -> Iterator[Row | RejectedLine]:
        """Go through the rows that are not blank, and lines that cannot be told apart."""
        text = io.TextIOWrapper(io.BytesIO(self.content), self.encoding, newline="")
        taken: list[str] = []
        reader = csv.reader(_noting(text, taken), delimiter=delimiter, strict=True)
        first = 1
        while True:
            try:
                for cells in reader:
                    if any(map(str.strip, cells)):
                        yield Row(first, tuple(cells))
                    first = reader.line_num + 1
                    taken.clear()
            except csv.Error as error:
                yield _broken(first, reader.line_num, taken, error)
                first = reader.line_num + 1
                taken.clear()
            else:
                return

    def first(self, delimiter: str) -> Row | None:
        """Return the first row that is not blank; None if there is none."""
        return next((row for row in self.rows(delimiter) if isinstance(row, Row)), None)


def _noting(lines: Iterable[str], taken: list[str]) -> Iterator[str]:
    """Go through a file's lines, and note which of them are taken."""
    for line in lines:
        taken.append(line)
        yield line


def _broken(first: int, last: int, taken: Sequence[str], error: csv.Error) -> RejectedLine:
    reach = "" if last == first else f" (read as one row up to line {last})"
    fault = InvalidValueError("quotes", f"open and close around a whole cell{reach}", str(error))
    return RejectedLine(first, str(fault), shortened("".join(taken[:2])))
