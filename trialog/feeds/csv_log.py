"""CSV files as lines for a cell's logbook, in either of their two forms, a portion at a time."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import islice

from sqlalchemy.orm import Session

from trialog.feeds.columns import Form, recognise
from trialog.feeds.cycle_log import CycleLogReader
from trialog.feeds.identity import Identities
from trialog.feeds.names import Names
from trialog.feeds.outline import Outline
from trialog.feeds.shifts import Line, StoredShift, arrange, stored_shifts
from trialog.feeds.tables import RejectedLine, Row, Table, read_table
from trialog.feeds.tallies import read_tallies
from trialog.records.entries import NewEntry
from trialog.records.models import Cell

PORTION = 12000
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
    unseen: bool = False
    """Whether none of the lines can be in the logbook: their ids are made of shifts new to it."""

    @classmethod
    def of(
        cls, lines: Sequence[Line], rejected: Sequence[RejectedLine], *, unseen: bool = False
    ) -> Portion:
        """Make a portion of lines and of rows that have a fault."""
        return cls(
            entries=[line.entry for line in lines],
            lines=[line.row.line for line in lines],
            rows={line.row.line: line.row for line in lines},
            rejected=sorted(rejected, key=lambda line: line.line),
            unseen=unseen,
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

    def portions(self) -> Portions:
        """Read the file in portions, from its start: a large one is never held as a whole.

        No shift lies in two of them, so that each can be looked at as a whole. All that the records
        have to say is asked for at once: going on uses them no more.
        """
        identities = Identities(self._cell.id)
        if self.form is Form.TALLIES:
            return Portions(self._tallies(identities))
        return Portions(self._cycles(identities, stored_shifts(self._session, self._cell)))

    def _tallies(self, identities: Identities) -> Iterator[Portion]:
        yield Portion.of(*read_tallies(self._table, self.names, identities, now=self._now))

    def _cycles(
        self, identities: Identities, stored: Mapping[str, StoredShift]
    ) -> Iterator[Portion]:
        makes_ids, modulus = "id" not in self._table.header, self._cell.counter_modulus
        reader = CycleLogReader(self._table, self.names, identities, now=self._now)
        for rows in Outline(self._table).parted(PORTION):
            broken = [row for row in rows if isinstance(row, RejectedLine)]
            drafts, unread = reader.drafts(row for row in rows if isinstance(row, Row))
            lines, unfit, new = arrange(drafts, identities, stored=stored, modulus=modulus)
            identities.leave_shifts()
            yield Portion.of(lines, [*broken, *unread, *unfit], unseen=new and makes_ids)


class Portions(Iterator[Portion]):
    """A file's portions, one after another."""

    def __init__(self, portions: Iterator[Portion]) -> None:
        self._portions = portions
        self._ahead: list[Portion] = []

    def read_ahead(self) -> None:
        """Read the next portion already, where there is time to."""
        if not self._ahead:
            self._ahead += islice(self._portions, 1)

    def __next__(self) -> Portion:
        self.read_ahead()
        if not self._ahead:
            raise StopIteration
        return self._ahead.pop()


def read_csv(content: bytes, session: Session, cell: Cell, *, now: datetime) -> CsvFile:
    """Read what kind of file it is, without writing anything.

    Raises
    ------
    InvalidValueError
        If the file as a whole cannot be read: its size, characters, header or columns.
    """
    table = read_table(content)
    return CsvFile(recognise(table), Names.of(session, cell), table, session, cell, now)
