"""Open a shift: its label, its counter reading, the conditions at its start."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, tzinfo
from itertools import chain, count
from string import ascii_uppercase

from sqlalchemy import select
from sqlalchemy.orm import Session

from trialog.records.entries import NewEntry
from trialog.records.logbook import RejectedEntriesError, write_entries
from trialog.records.models import Cell, Entry, Person, Shift
from trialog.records.words import Condition, EntryKind, Stage


@dataclass(frozen=True)
class Opening:
    """What is said when a shift opens; `material_lot` None means no new lot."""

    client_id: str
    label: str
    stage: Stage
    counter: int | None
    cold_start: bool
    material_lot: str | None


def next_label(session: Session, cell: Cell, *, now: datetime, zone: tzinfo) -> str:
    """Return the shop's date with the next free letter, after Z the next free number."""
    date = f"{now.astimezone(zone):%Y-%m-%d}"
    statement = select(Shift.label).where(Shift.cell_id == cell.id, Shift.label.like(f"{date} %"))
    taken = set(session.scalars(statement))
    marks = chain(ascii_uppercase, (str(number) for number in count(27)))
    return next(label for mark in marks if (label := f"{date} {mark}") not in taken)


def open_new_shift(
    session: Session, cell: Cell, opening: Opening, *, actor: Person, now: datetime
) -> Shift:
    """Open a shift with its first conditions; the same opening sent again changes nothing.

    Raises
    ------
    TrialogError
        Whatever rule it breaks; a ConflictError where another shift is open.
    """
    try:
        write_entries(session, cell, _lines(opening, actor), actor=actor, now=now)
    except RejectedEntriesError as error:
        raise error.rejected[0].error from error
    entry = session.scalars(select(Entry).where(Entry.client_id == opening.client_id)).one()
    return session.get_one(Shift, entry.shift_id)


def _lines(opening: Opening, actor: Person) -> list[NewEntry]:
    def line(suffix: str, kind: EntryKind, **fields: object) -> NewEntry:
        return NewEntry(
            client_id=f"{opening.client_id}{suffix}",
            kind=kind,
            person_id=actor.id,
            shift=opening.label,
            **fields,  # type: ignore[arg-type]  # fields of NewEntry, given below
        )

    lines = [
        line("", EntryKind.SHIFT_OPENED, stage=opening.stage, counter=opening.counter),
    ]
    if opening.cold_start:
        lines.append(line("-cold", EntryKind.CONDITION, condition=Condition.COLD_START))
    if opening.material_lot is not None:
        lot = {"condition": Condition.MATERIAL_LOT, "text": opening.material_lot}
        lines.append(line("-lot", EntryKind.CONDITION, **lot))
    return lines
