"""CSV files as lines for a cell's logbook, in either of their two forms, a portion at a time."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from trialog.feeds.columns import Form, recognise
from trialog.feeds.cycle_log import CycleLogReader
from trialog.feeds.identity import Identities
from trialog.feeds.names import Names
from trialog.feeds.outline import Outline
from trialog.feeds.shifts import Line, arrange
from trialog.feeds.tables import RejectedLine, Row, Table, read_table
from trialog.feeds.tallies import read_tallies
from trialog.records.entries import NewEntry
from trialog.records.models import Cell

PORTION = 5000
"""Of how many rows a portion is at least; it ends where no shift goes on."""


@dataclass(frozen=True)
class Portion:
    """Some of a file's lines as they would be written, before the logbook has had its say.

    `entries` and `lines` run side by side: each new line and the file's line it comes from.
    """

    entries: Sequence[NewEntry]
    lines: Sequence[int]
    rows: Mapping[int, Row]
    rejected: Sequence[RejectedLine]

    @classmethod
    def of(cls, lines: Sequence[Line], rejected: Sequence[RejectedLine]) -> Portion:
        """Make a portion of lines and of rows that have a fault."""
        return cls(
            entries=[line.entry for line in lines],
            lines=[line.row.line for line in lines],
            rows={line.row.line: line.row for line in lines},
            rejected=sorted(rejected, key=lambda line: line.line),
        )


@dataclass(frozen=True)
class CsvFile:
    """A file whose header has been read.

    `names` are those that it may use; tablets that the records do not know are among them once a
    portion has named them.
    """

    form: Form
    names: Names
    _table: Table
    _session: Session
    _cell: Cell
    _now: datetime

    def portions(self) -> Iterator[Portion]:
        """Read the file in portions: a large one is never held as a whole.

        No shift lies in two of them, so that each can be looked at as a whole.
        """
        identities = Identities(self._cell.id)
        if self.form is Form.TALLIES:
            yield Portion.of(*read_tallies(self._table, self.names, identities, now=self._now))
            return
        reader = CycleLogReader(self._table, self.names, identities, now=self._now)
        for rows in Outline(self._table).parted(PORTION):
            broken = [row for row in rows if isinstance(row, RejectedLine)]
            drafts, unread = reader.drafts(row for row in rows if isinstance(row, Row))
            lines, unfit = arrange(self._session, self._cell, drafts, identities)
            yield Portion.of(lines, [*broken, *unread, *unfit])
            identities.leave_shifts()


def read_csv(content: bytes, session: Session, cell: Cell, *, now: datetime) -> CsvFile:
    """Read what kind of file it is, without writing anything.

    Raises
    ------
    InvalidValueError
        If the file as a whole cannot be read: its size, characters, header or columns.
    """
    table = read_table(content)
    return CsvFile(recognise(table), Names.of(session, cell), table, session, cell, now)
