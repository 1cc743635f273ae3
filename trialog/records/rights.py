"""Which role may write which line."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import select
from sqlalchemy.orm import Session

from trialog.records.entries import NewEntry
from trialog.records.lateness import tapped_before
from trialog.records.models import Cell, Entry
from trialog.records.people import Action
from trialog.records.words import EntryKind

ENGINEERS_LINES = {
    EntryKind.RULING: Action.RULE,
    EntryKind.READING: Action.CORRECT,
    EntryKind.REVISION: Action.REVISE,
}


def actions_needed(session: Session, cell: Cell, lines: Sequence[NewEntry]) -> dict[str, Action]:
    """Return what somebody must be allowed to do to write each of these lines, by client id.

    Lines that are in the records already are left out: a tablet that repeats a line whose
    answer got lost must hear "repeated", also when the shift was closed in between.
    """
    statement = select(Entry.client_id).where(
        Entry.cell_id == cell.id, Entry.client_id.in_([line.client_id for line in lines])
    )
    known = set(session.scalars(statement))
    targets = _stored(session, cell, [line.target for line in lines if line.target])
    kinds = {line.client_id: line.kind for line in lines}
    return {
        line.client_id: _action(session, line, targets.get(line.target or ""), kinds)
        for line in lines
        if line.client_id not in known
    }


def _action(
    session: Session, line: NewEntry, target: Entry | None, kinds: dict[str, EntryKind]
) -> Action:
    if line.kind is not EntryKind.UNDO:
        return ENGINEERS_LINES.get(line.kind, Action.LOG)
    kind = target.kind if target is not None else kinds.get(line.target or "")
    if kind is EntryKind.SHIFT_CLOSED:
        return Action.CORRECT
    if kind in ENGINEERS_LINES:
        return ENGINEERS_LINES[kind]
    if target is None or target.shift is None or target.shift.closed_at is None:
        return Action.LOG
    # What was taken back before anybody there heard of the closing belongs to the shift's work.
    return Action.LOG if tapped_before(session, line, _closing(session, target)) else Action.CORRECT


def _closing(session: Session, target: Entry) -> Entry:
    """Return the line that closed a line's shift; the last one stands."""
    closings = select(Entry).where(
        Entry.shift_id == target.shift_id, Entry.kind == EntryKind.SHIFT_CLOSED
    )
    return session.scalars(closings.order_by(Entry.sequence.desc()).limit(1)).one()


def _stored(session: Session, cell: Cell, client_ids: list[str]) -> dict[str, Entry]:
    if not client_ids:
        return {}
    statement = select(Entry).where(Entry.cell_id == cell.id, Entry.client_id.in_(client_ids))
    return {entry.client_id: entry for entry in session.scalars(statement)}
