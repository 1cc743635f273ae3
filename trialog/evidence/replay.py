"""Replay: a cell's logbook up to one of its lines, derived anew in a database of its own."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from typing import Any, cast

from sqlalchemy import ColumnElement, Table, insert, inspect, or_, select
from sqlalchemy.orm import Session

from trialog.records.base import Base, UtcDateTime
from trialog.records.counting import set_shift_facts
from trialog.records.database import make_engine, make_sessions
from trialog.records.models import (
    Acknowledgement,
    AuditEvent,
    Cell,
    Device,
    Entry,
    EntryMode,
    FailureMode,
    ParkedLine,
    Person,
    Requirement,
    Revision,
    Shift,
    Tablet,
    Trial,
)
from trialog.records.queries import undone_ids
from trialog.records.shiftlog import read_log
from trialog.records.storing import rebuild_rollups, revision_of
from trialog.records.words import EntryKind

CHUNK = 5000
"""How many rows are copied at a time."""

SET_UP = {
    "cell": Cell,
    "device": Device,
    "failure mode": FailureMode,
    "requirement": Requirement,
    "trial": Trial,
}
"""What may be changed after the start, by the subject that the audit calls it."""


@dataclass(frozen=True)
class AsOf:
    """A point of a cell's records: the logbook's length, what was noted, the moment.

    `acknowledged`: ids of the acknowledgements; None: those made at no greater length.
    `event_id`: the audit event after which changes of the set-up are taken back; None: it is not
    known, and none is.
    """

    cell_id: int
    lines: int
    moment: datetime
    acknowledged: tuple[int, ...] | None
    event_id: int | None


@contextmanager
def replayed(session: Session, as_of: AsOf) -> Iterator[Session]:
    """Derive everything anew from the first lines of a cell's logbook, in an empty database.

    Copied are the set-up as it stood then, the lines, the acknowledgements and the parked lines;
    shifts, revisions and rollups are worked out from the lines, by the records' own functions.
    Nothing is committed, and the database is gone afterwards.
    """
    engine = make_engine("sqlite://")
    try:
        Base.metadata.create_all(engine)
        with make_sessions(engine)() as fresh:
            _Replay(session, fresh, as_of).run()
            yield fresh
    finally:
        engine.dispose()


class _Replay:
    """A replay under way: rows go from the records into the fresh database."""

    def __init__(self, records: Session, fresh: Session, as_of: AsOf) -> None:
        self.records, self.fresh, self.as_of = records, fresh, as_of
        self.before = _set_up_before(records, as_of.event_id)

    def run(self) -> None:
        cell_id = self.as_of.cell_id
        self._copy(Person, pin_hash="")
        self._copy(Cell, Cell.id == cell_id, chain_length=0, chain_head="")
        for table in (Device, FailureMode, Requirement):
            self._copy(table, table.cell_id == cell_id)
        self._copy(Trial, Trial.cell_id == cell_id, follows_id=None)
        self._copy_tablets()
        self._open_shifts()
        self._copy_lines()
        self._copy(Acknowledgement, *self._acknowledged())
        self._copy_parked()
        self._copy(AuditEvent, *self._changes_of_rules())
        self._derive()

    def _copy(self, table: type[Base], *which: ColumnElement[bool], **instead: object) -> None:
        """Copy rows; a column named in `instead` gets that value: secrets stay where they are."""
        self._insert(table, (row | instead for row in self._rows(table, *which)))

    def _rows(self, table: type[Base], *which: ColumnElement[bool]) -> Iterator[dict[str, Any]]:
        columns = _table(table)
        found = self.records.execute(select(columns).where(*which).order_by(*columns.primary_key))
        for row in found.mappings():
            yield dict(row) | self.before.get((table, row.get("id")), {})

    def _insert(self, table: type[Base], rows: Iterator[dict[str, Any]]) -> None:
        waiting: list[dict[str, Any]] = []
        for row in rows:
            waiting.append(row)
            if len(waiting) == CHUNK:
                self.fresh.execute(insert(_table(table)), waiting)
                waiting = []
        if waiting:
            self.fresh.execute(insert(_table(table)), waiting)

    def _copy_tablets(self) -> None:
        rows = (
            row | {"cell_id": None, "key_hash": f"tablet {row['id']}"} for row in self._rows(Tablet)
        )
        self._insert(Tablet, rows)

    def _within(self) -> tuple[ColumnElement[bool], ...]:
        return Entry.cell_id == self.as_of.cell_id, Entry.sequence <= self.as_of.lines

    def _open_shifts(self) -> None:
        """Make each shift from the line that opened it; the other lines tell the rest later."""
        opened = select(
            Entry.shift_id.label("id"),
            Entry.cell_id,
            Entry.opened_as.label("label"),
            Entry.stage,
            Entry.occurred_at.label("opened_at"),
        ).where(*self._within(), Entry.kind == EntryKind.SHIFT_OPENED)
        rows = self.records.execute(opened.order_by(Entry.sequence)).mappings()
        self._insert(Shift, (dict(row) for row in rows))

    def _copy_lines(self) -> None:
        self._copy(Entry, *self._within())
        ids = select(Entry.id).where(*self._within())
        self._copy(EntryMode, EntryMode.entry_id.in_(ids))
        last = select(Entry.sequence, Entry.hash).where(*self._within())
        end = self.records.execute(last.order_by(Entry.sequence.desc()).limit(1)).first()
        if end is not None:
            cell = self.fresh.get_one(Cell, self.as_of.cell_id)
            cell.chain_length, cell.chain_head = end

    def _acknowledged(self) -> tuple[ColumnElement[bool], ...]:
        """Choose the acknowledgements of the cell's trials that were there then."""
        trials = select(Trial.id).where(Trial.cell_id == self.as_of.cell_id)
        of_cell = Acknowledgement.trial_id.in_(trials)
        if self.as_of.acknowledged is None:
            return of_cell, Acknowledgement.chain_length <= self.as_of.lines
        return of_cell, Acknowledgement.id.in_(self.as_of.acknowledged)

    def _changes_of_rules(self) -> tuple[ColumnElement[bool], ...]:
        """Choose what the audit says of changed rules: they tell when those were fixed."""
        known = self.as_of.event_id
        until = AuditEvent.at <= self.as_of.moment if known is None else AuditEvent.id < known
        changed = AuditEvent.action == "changed"
        return until, changed, AuditEvent.subject.in_(("trial", "requirement"))

    def _copy_parked(self) -> None:
        """Copy what waited then; what was settled later waited still."""
        moment = self.as_of.moment
        which = (ParkedLine.cell_id == self.as_of.cell_id, ParkedLine.parked_at <= moment)
        later = or_(ParkedLine.settled_at.is_(None), ParkedLine.settled_at > moment)
        waiting: dict[str, object] = {
            "outcome": None, "outcome_reason": "", "settled_at": None, "settled_by_id": None,
        }  # fmt: skip
        self._copy(ParkedLine, *which, later, **waiting)
        self._copy(ParkedLine, *which, ParkedLine.settled_at <= moment)

    def _derive(self) -> None:
        """Work out revisions, shifts and rollups, as the write path does."""
        fresh, cell = self.fresh, self.fresh.get_one(Cell, self.as_of.cell_id)
        self._copy(Revision, Revision.cell_id == cell.id, Revision.entry_id.is_(None))
        undone = undone_ids(fresh, cell.id)
        changes = select(Entry).where(Entry.kind == EntryKind.REVISION).order_by(Entry.sequence)
        for entry in fresh.scalars(changes):
            revision = revision_of(entry)
            revision.withdrawn = entry.client_id in undone
            fresh.add(revision)
        shifts = fresh.scalars(select(Shift).order_by(Shift.id)).all()
        logs = ((shift, read_log(fresh, shift, cell)) for shift in shifts)
        set_shift_facts(fresh, cell, logs)
        fresh.flush()
        rebuild_rollups(fresh, cell, [shift.id for shift in shifts])


def _table(table: type[Base]) -> Table:
    """Return a table's columns as the database has them: rows are copied, not objects."""
    return cast(Table, inspect(table).local_table)


def _set_up_before(
    session: Session, event_id: int | None
) -> Mapping[tuple[type[Base], int | None], dict[str, Any]]:
    """Return what changed in the set-up since an audit event, as it was: columns by row.

    An event of a change keeps what it replaced: some columns, or the name alone.
    """
    before: dict[tuple[type[Base], int | None], dict[str, Any]] = {}
    if event_id is None:
        return before
    statement = (
        select(AuditEvent)
        .where(
            AuditEvent.id > event_id,
            AuditEvent.action == "changed",
            AuditEvent.subject.in_(SET_UP),
        )
        .order_by(AuditEvent.id.desc())
    )
    for event in session.scalars(statement):
        table = SET_UP[event.subject]
        replaced = event.details["before"]
        columns = replaced if isinstance(replaced, dict) else {"name": replaced}
        before.setdefault((table, event.subject_id), {}).update(_stored(table, columns))
    return before


def _stored(table: type[Base], columns: Mapping[str, Any]) -> dict[str, Any]:
    """Return columns as the table takes them: the audit keeps a time as text."""
    types = {column.name: column.type for column in _table(table).columns}
    return {
        name: datetime.fromisoformat(value)
        if isinstance(types[name], UtcDateTime) and isinstance(value, str)
        else value
        for name, value in columns.items()
        if name in types
    }


def acknowledged_in(document: Mapping[str, Any]) -> tuple[int, ...] | None:
    """Return the acknowledgements that a document rests on; None: it is too old to say."""
    noted: Sequence[Mapping[str, Any]] | None = document.get("acknowledgements")
    return None if noted is None else tuple(int(one["id"]) for one in noted)
