"""Recompute revisions, shifts and rollups from the logbook, and say where the records differ."""

from __future__ import annotations

from collections.abc import Iterator
from operator import itemgetter
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from trialog.records.counting import machine_was_heard, shift_facts
from trialog.records.models import Cell, Entry, Revision, Shift
from trialog.records.rollups import CellLayout, Row, roll_up, stored_rows
from trialog.records.shiftlog import read_log
from trialog.records.verify.difference import Difference
from trialog.records.words import EntryKind


def verify_revisions(session: Session, cell: Cell) -> Iterator[Difference]:
    undone = set(
        session.scalars(
            select(Entry.target).where(Entry.cell_id == cell.id, Entry.kind == EntryKind.UNDO)
        )
    )
    entries = session.scalars(
        select(Entry).where(Entry.cell_id == cell.id, Entry.kind == EntryKind.REVISION)
    )
    expected = {
        entry.id: (
            entry.device_id, entry.occurred_at, entry.text, entry.resets_evidence,
            entry.reason, entry.client_id in undone,
        )
        for entry in entries
    }  # fmt: skip
    stored = {
        revision.entry_id: (
            revision.device_id, revision.effective_at, revision.what, revision.resets_evidence,
            revision.reason, revision.withdrawn,
        )
        for revision in session.scalars(
            select(Revision).where(Revision.cell_id == cell.id, Revision.entry_id.is_not(None))
        )
    }  # fmt: skip
    for entry_id in sorted(
        (key for key in expected.keys() | stored.keys() if key is not None), key=int
    ):
        if expected.get(entry_id) != stored.get(entry_id):
            yield Difference(
                f"cell {cell.name!r}, revisions",
                f"revision of entry {entry_id} is {stored.get(entry_id)}, "
                f"the logbook says {expected.get(entry_id)}",
            )


def verify_shifts(session: Session, cell: Cell) -> Iterator[Difference]:
    layout = CellLayout.of(session, cell)
    opened, heard = _openings(session), machine_was_heard(session, cell)
    for shift in session.scalars(select(Shift).where(Shift.cell_id == cell.id).order_by(Shift.id)):
        where = f"cell {cell.name!r}, shift {shift.label!r}"
        log = read_log(session, shift, cell)
        if not log.lines:
            yield Difference(where, "has no lines in the logbook")
            continue
        facts = shift_facts(session, cell, log, heard=heard) | opened.get(shift.id, {})
        for name, said in facts.items():
            if getattr(shift, name) != said:
                yield Difference(
                    where, f"{name} is {getattr(shift, name)}, the logbook says {said}"
                )
        stored = stored_rows(session, shift.id)
        for table, rows in roll_up(shift.id, log, layout).rows().items():
            for what in _row_differences(stored[table], rows):
                yield Difference(f"{where}, {table.__tablename__}", what)


def _openings(session: Session) -> dict[int, Row]:
    """Return what the lines that opened shifts say of cell, label and stage, by shift."""
    statement = select(
        Entry.shift_id, Entry.cell_id, Entry.opened_as.label("label"), Entry.stage
    ).where(Entry.kind == EntryKind.SHIFT_OPENED)
    rows = [dict(row) for row in session.execute(statement).mappings()]
    return {row.pop("shift_id"): row for row in rows}


def _row_differences(stored: list[Row], expected: list[Row]) -> Iterator[str]:
    def key(row: Row) -> tuple[Any, ...]:
        return tuple(sorted((name, repr(value)) for name, value in row.items()))

    stored_keys, expected_keys = {key(row) for row in stored}, {key(row) for row in expected}
    for row in sorted(stored_keys - expected_keys, key=itemgetter(0)):
        yield f"holds {dict(row)}, which the logbook does not say"
    for row in sorted(expected_keys - stored_keys, key=itemgetter(0)):
        yield f"lacks {dict(row)}, which the logbook says"
