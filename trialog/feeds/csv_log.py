"""CSV files as lines for a cell's logbook, in either of their two forms."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from trialog.feeds.columns import Form, recognise
from trialog.feeds.cycle_log import read_drafts
from trialog.feeds.identity import Identities
from trialog.feeds.names import Names
from trialog.feeds.shifts import arrange
from trialog.feeds.tables import RejectedLine, Row, read_table
from trialog.feeds.tallies import read_tallies
from trialog.records.entries import NewEntry
from trialog.records.models import Cell


@dataclass(frozen=True)
class ParsedFile:
    """A file's lines as they would be written, before the logbook has had its say.

    `entries` and `lines` run side by side: each new line and the file's line it comes from.
    """

    form: Form
    entries: Sequence[NewEntry]
    lines: Sequence[int]
    rows: Mapping[int, Row]
    rejected: Sequence[RejectedLine]
    new_tablets: Mapping[int, str]
    """Names of tablets that the records do not know, by the `tablet_id` that stands for each."""


def read_csv(content: bytes, session: Session, cell: Cell, *, now: datetime) -> ParsedFile:
    """Read a file without writing anything.

    Raises
    ------
    InvalidValueError
        If the file as a whole cannot be read: its size, characters, header or columns.
    """
    table = read_table(content)
    form = recognise(table)
    names, identities = Names.of(session, cell), Identities(cell.id)
    if form is Form.CYCLES:
        drafts, unread = read_drafts(table, names, identities, now=now)
        lines, unfit = arrange(session, cell, drafts, identities)
        rejected = [*unread, *unfit]
    else:
        lines, rejected = read_tallies(table, names, identities, now=now)
    return ParsedFile(
        form=form,
        entries=[line.entry for line in lines],
        lines=[line.row.line for line in lines],
        rows={line.row.line: line.row for line in lines},
        rejected=sorted([*table.broken, *rejected], key=lambda line: line.line),
        new_tablets={stand_in: name for name, stand_in in names.new_tablets.items()},
    )
