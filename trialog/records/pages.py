"""Long lists a page at a time, found by the key of the last row: page 10,000 takes no longer."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from sqlalchemy import Row, select
from sqlalchemy.orm import Session, selectinload

from trialog.records.models import Cell, Device, Entry, Person, Requirement, Shift, Trial
from trialog.records.words import EntryKind


def cells_after(
    session: Session, after: int, most: int, *, only: int | None = None, name: str | None = None
) -> Sequence[Cell]:
    """Return cells in the order of their numbers, with devices and modes."""
    statement = select(Cell).where(Cell.id > after).order_by(Cell.id).limit(most)
    if only is not None:
        statement = statement.where(Cell.id == only)
    if name is not None:
        statement = statement.where(Cell.name == name)
    whole = selectinload(Cell.devices).selectinload(Device.modes)
    return session.scalars(statement.options(whole)).all()


def requirements_of(session: Session, cell_id: int) -> Sequence[Requirement]:
    """Return a cell's requirements, oldest first."""
    statement = select(Requirement).where(Requirement.cell_id == cell_id)
    return session.scalars(statement.order_by(Requirement.id)).all()


def people_after(session: Session, after: int, most: int) -> Sequence[Person]:
    """Return people in the order of their numbers."""
    statement = select(Person).where(Person.id > after).order_by(Person.id).limit(most)
    return session.scalars(statement).all()


def shifts_after(session: Session, cell_id: int, after: int, most: int) -> Sequence[Shift]:
    """Return a cell's shifts in the order in which the records came to know them."""
    statement = select(Shift).where(Shift.cell_id == cell_id, Shift.id > after)
    return session.scalars(statement.order_by(Shift.id).limit(most)).all()


def trials_after(
    session: Session,
    after: int,
    most: int,
    *,
    cell_id: int | None = None,
    name: str | None = None,
) -> Sequence[Trial]:
    """Return trials in the order of their numbers, of one cell or of all."""
    statement = select(Trial).where(Trial.id > after)
    if cell_id is not None:
        statement = statement.where(Trial.cell_id == cell_id)
    if name is not None:
        statement = statement.where(Trial.name == name)
    return session.scalars(statement.order_by(Trial.id).limit(most)).all()


def entries_beyond(
    session: Session,
    cell_id: int,
    place: int | None,
    most: int,
    *,
    newest_first: bool = False,
    shift_id: int | None = None,
    kind: EntryKind | None = None,
) -> Sequence[Entry]:
    """Return lines of a cell's logbook by their place in it, from beyond a place on.

    `place` empty: from the beginning, or the end where the newest come first.
    """
    column = Entry.sequence
    statement = select(Entry).where(Entry.cell_id == cell_id)
    if shift_id is not None:
        statement = statement.where(Entry.shift_id == shift_id)
    if kind is not None:
        statement = statement.where(Entry.kind == kind)
    if place is not None:
        statement = statement.where(column < place if newest_first else column > place)
    order = column.desc() if newest_first else column
    about = (selectinload(Entry.modes), selectinload(Entry.shift))
    return session.scalars(statement.order_by(order).limit(most).options(*about)).all()


def undone_among(session: Session, client_ids: Sequence[str]) -> set[str]:
    """Return which of some lines somebody has undone."""
    statement = select(Entry.target).where(
        Entry.target.in_(client_ids), Entry.kind == EntryKind.UNDO
    )
    return {target for target in session.scalars(statement) if target is not None}


def places_of(
    session: Session, cell_id: int, client_ids: Sequence[str]
) -> dict[str, Row[tuple[str, int, int | None]]]:
    """Return where lines stand in a cell's logbook, and their cycle numbers, by client id."""
    columns = (Entry.client_id, Entry.sequence, Entry.cycle_number)
    statement: Any = select(*columns).where(
        Entry.cell_id == cell_id, Entry.client_id.in_(client_ids)
    )
    return {row.client_id: row for row in session.execute(statement)}
