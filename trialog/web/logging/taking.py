"""Take a tablet's lines into the logbook and say what became of each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session, selectinload

from trialog.records.database import unit_of_work
from trialog.records.entries import NewEntry
from trialog.records.logbook import RejectedEntriesError, write_entries
from trialog.records.models import Cell, Entry, Person, Shift
from trialog.web.clock import now
from trialog.web.identity import current_person
from trialog.web.logging.refusing import RefusedLineError
from trialog.web.logging.rights import require_rights
from trialog.web.logging.words import undo_words
from trialog.web.noting import note_after

ADDED = "added"


@dataclass(frozen=True)
class Taken:
    """What became of a line; `sequence` is its place in the cell's logbook."""

    client_id: str
    status: str
    sequence: int
    cycle_number: int | None
    undo: str


def take(
    session: Session, cell: Cell, entries: Sequence[NewEntry], *, actor: Person, now: datetime
) -> list[Taken]:
    """Write a tablet's lines, all or none. A line without a person was seen by the actor.

    Raises
    ------
    RefusedLineError
        If a line breaks a rule, or the actor's role does not allow it.
    ConflictError
        If more than one shift of the cell would be left open.
    """
    session.refresh(cell, with_for_update=True)
    lines = [entry._replace(person_id=entry.person_id or actor.id) for entry in entries]
    require_rights(session, cell, lines, actor)
    try:
        written = write_entries(session, cell, lines, actor=actor, now=now)
    except RejectedEntriesError as error:
        first = error.rejected[0]
        raise RefusedLineError(first.error, lines[first.index].client_id) from error
    return _taken(session, [line.client_id for line in lines], set(written.added))


def write_line(session: Session, cell: Cell, line: NewEntry) -> None:
    """Write a form's line for who is signed in, by the same rules as the tablet's lines.

    Then note what that made of the verdicts of the cell's trials.
    """
    person, moment = current_person(), now()
    with unit_of_work(session):
        taken = take(session, cell, [line], actor=person, now=moment)
    if any(one.status == ADDED for one in taken):
        note_after(cell, [line.kind], actor=person)


def _taken(session: Session, client_ids: Sequence[str], added: set[str]) -> list[Taken]:
    statement = (
        select(Entry)
        .where(Entry.client_id.in_(client_ids))
        .options(selectinload(Entry.modes), selectinload(Entry.shift))
    )
    stored = {entry.client_id: entry for entry in session.scalars(statement)}
    return [
        Taken(
            client_id=client_id,
            status=ADDED if client_id in added else "repeated",
            sequence=stored[client_id].sequence,
            cycle_number=stored[client_id].cycle_number,
            undo=undo_words(stored[client_id]),
        )
        for client_id in client_ids
    ]


def shift_named(session: Session, cell: Cell, entries: Sequence[NewEntry]) -> Shift | None:
    """Return the shift that a batch was about, to answer with how it stands."""
    labels = [entry.shift for entry in entries if entry.shift is not None]
    if not labels:
        return None
    statement = select(Shift).where(Shift.cell_id == cell.id, Shift.label == labels[-1])
    return session.scalar(statement)
