"""Reads from the records that more than one room needs."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from difflib import get_close_matches

from sqlalchemy import func, select
from sqlalchemy.orm import Session, selectinload
from sqlalchemy.orm.attributes import set_committed_value

from trialog.errors import UnknownNameError
from trialog.records.entries import storable
from trialog.records.models import (
    Cell,
    Entry,
    EntryMode,
    FailureMode,
    Person,
    Shift,
    Trial,
)  # fmt: skip
from trialog.records.rollups import revisions_in_order
from trialog.records.words import EntryKind

__all__ = [
    "cells", "find_cell", "find_trial", "has_people", "open_shift", "revisions_in_order",
    "shift_entries", "shifts_of", "trials_of", "undone_ids",
]  # fmt: skip


def cells(session: Session) -> Sequence[Cell]:
    """Return all cells, by name."""
    return session.scalars(select(Cell).order_by(Cell.name)).all()


def find_cell(session: Session, name: str) -> Cell:
    """Return the cell of a name, or raise UnknownNameError."""
    cell = session.scalar(select(Cell).where(Cell.name == name)) if storable(name) else None
    if cell is None:
        raise unknown_name("cell", name, session.scalars(select(Cell.name)).all())
    return cell


def find_trial(session: Session, name: str) -> Trial:
    """Return the trial of a name, or raise UnknownNameError."""
    trial = session.scalar(select(Trial).where(Trial.name == name)) if storable(name) else None
    if trial is None:
        raise unknown_name("trial", name, session.scalars(select(Trial.name)).all())
    return trial


def unknown_name(field: str, name: str, known: Sequence[str]) -> UnknownNameError:
    """Make the error for a name that is not in the records, with the nearest that is."""
    near = get_close_matches(name, known, n=1)
    hint = f" (did you mean {near[0]!r}?)" if near else ""
    return UnknownNameError(field, f"be the name of a {field} in the records{hint}", name)


def has_people(session: Session) -> bool:
    """Say whether anybody can sign in."""
    return session.scalar(select(Person.id).where(Person.active).limit(1)) is not None


def trials_of(session: Session, cell: Cell) -> Sequence[Trial]:
    """Return a cell's trials: the whole cell's first, then the devices', oldest first."""
    statement = select(Trial).where(Trial.cell_id == cell.id)
    return session.scalars(statement.order_by(Trial.device_id.is_not(None), Trial.id)).all()


def trials_beside(session: Session, shift: Shift) -> Sequence[Trial]:
    """Return the trials that a shift may bear on: those of its cell and stage."""
    return [trial for trial in trials_of(session, shift.cell) if trial.stage == shift.stage]


def shifts_of(session: Session, cell: Cell) -> Sequence[Shift]:
    """Return a cell's shifts, oldest first."""
    statement = select(Shift).where(Shift.cell_id == cell.id)
    return session.scalars(statement.order_by(Shift.opened_at, Shift.id)).all()


def open_shift(session: Session, cell: Cell) -> Shift | None:
    """Return the cell's open shift, if there is one."""
    return session.scalar(
        select(Shift).where(Shift.cell_id == cell.id, Shift.closed_at.is_(None)).limit(1)
    )


def shift_entries(session: Session, shift: Shift) -> Sequence[Entry]:
    """Return all lines of a shift in order, undone ones too, with their modes and people.

    Those of the machine are left out: there may be one to each cycle, and nobody wrote them.
    """
    statement = (
        select(Entry)
        .where(Entry.shift_id == shift.id, Entry.kind != EntryKind.COUNT)
        .order_by(Entry.sequence)
        .options(selectinload(Entry.person))
    )
    entries = session.scalars(statement).all()
    _give_modes(session, shift, entries)
    return entries


def _give_modes(session: Session, shift: Shift, entries: Sequence[Entry]) -> None:
    """Load the modes of a shift's lines with one question: few of them have any."""
    modes: dict[int, list[FailureMode]] = defaultdict(list)
    statement = (
        select(EntryMode.entry_id, FailureMode)
        .join(FailureMode, FailureMode.id == EntryMode.failure_mode_id)
        .join(Entry, Entry.id == EntryMode.entry_id)
        .where(Entry.shift_id == shift.id)
        .order_by(FailureMode.id)
    )
    for entry_id, mode in session.execute(statement):
        modes[entry_id].append(mode)
    for entry in entries:
        set_committed_value(entry, "modes", modes[entry.id])


def undone_ids(session: Session, cell_id: int) -> set[str]:
    """Return the client ids of a cell's lines that somebody has undone."""
    statement = select(Entry.target).where(
        Entry.cell_id == cell_id, Entry.kind == EntryKind.UNDO, Entry.target.is_not(None)
    )
    return {target for target in session.scalars(statement) if target is not None}


def last_shift(session: Session, cell: Cell) -> Shift | None:
    """Return the shift of a cell that was opened last, if there is any."""
    statement = select(Shift).where(Shift.cell_id == cell.id)
    return session.scalar(statement.order_by(Shift.opened_at.desc(), Shift.id.desc()).limit(1))


def count_entries(session: Session, cell_id: int) -> int:
    """Return how many lines a cell's logbook holds."""
    return session.scalar(select(func.count()).where(Entry.cell_id == cell_id)) or 0
