"""The name that the next shift of a cell is offered."""

from __future__ import annotations

from datetime import datetime, tzinfo
from itertools import chain, count
from string import ascii_uppercase

from sqlalchemy import select
from sqlalchemy.orm import Session

from trialog.records.models import Cell, Shift


def next_label(session: Session, cell: Cell, *, now: datetime, zone: tzinfo) -> str:
    """Return the shop's date with the next free letter, after Z the next free number."""
    date = f"{now.astimezone(zone):%Y-%m-%d}"
    statement = select(Shift.label).where(Shift.cell_id == cell.id, Shift.label.like(f"{date} %"))
    taken = set(session.scalars(statement))
    marks = chain(ascii_uppercase, (str(number) for number in count(27)))
    return next(label for mark in marks if (label := f"{date} {mark}") not in taken)
