"""Lines that the logbook did not take: kept, seen to by an engineer, never dropped."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, func, select
from sqlalchemy.orm import Session

from trialog.errors import ConflictError, InvalidValueError
from trialog.records.audit import record_event
from trialog.records.base import TEXT_LIMIT
from trialog.records.entries import NewEntry, check_length
from trialog.records.logbook import write_entry
from trialog.records.models import Cell, Entry, ParkedLine, Person, Tablet
from trialog.records.people import Action, require
from trialog.records.words import ParkedOutcome


def parked_lines(session: Session, cell: Cell | None = None) -> Sequence[ParkedLine]:
    """Return the parked lines that nobody has seen to, in the order they came."""
    statement = select(ParkedLine).where(ParkedLine.outcome.is_(None))
    if cell is not None:
        statement = statement.where(ParkedLine.cell_id == cell.id)
    return session.scalars(statement.order_by(ParkedLine.id)).all()


def count_parked(session: Session, cell_id: int) -> int:
    """Return how many of a cell's parked lines nobody has seen to."""
    return count_by_outcome(session, ParkedLine.cell_id == cell_id)[None]


def count_by_outcome(
    session: Session, *which: ColumnElement[bool]
) -> Counter[ParkedOutcome | None]:
    """Count some parked lines by what became of them; None: nobody has seen to them yet."""
    statement = select(ParkedLine.outcome, func.count()).where(*which).group_by(ParkedLine.outcome)
    return Counter({outcome: lines for outcome, lines in session.execute(statement)})


def parked_among(session: Session, client_ids: Sequence[str]) -> dict[str, ParkedLine]:
    """Return which of some lines are or were parked, by client id."""
    statement = select(ParkedLine).where(ParkedLine.client_id.in_(client_ids))
    return {line.client_id: line for line in session.scalars(statement)}


def park(
    session: Session,
    cell: Cell,
    tablet: Tablet,
    person: Person | None,
    *,
    client_id: str,
    line: dict[str, Any],
    why: str,
    now: datetime,
) -> ParkedLine:
    """Keep a line that cannot be written, with the rule that it breaks."""
    parked = ParkedLine(
        client_id=client_id,
        cell_id=cell.id,
        tablet_id=tablet.id,
        person_id=None if person is None else person.id,
        line=line,
        why=why[:TEXT_LIMIT],
        parked_at=now,
        outcome_reason="",
    )
    session.add(parked)
    session.flush()
    record_event(
        session, "parked", "line", parked.id,
        actor=person, now=now, client_id=client_id, tablet=tablet.id,
    )  # fmt: skip
    return parked


def write_in(
    session: Session, parked: ParkedLine, entry: NewEntry, *, actor: Person, now: datetime
) -> Entry:
    """Write a parked line as an engineer has mended it, under its own id.

    Its place among the cycles that were logged since is not known any more. Whatever a tablet's
    clock said, the line was tapped before it was parked.

    Raises
    ------
    TrialogError
        Whatever rule the mended line still breaks.
    """
    require(actor, Action.CORRECT)
    _require_unsettled(parked)
    mended = entry._replace(
        client_id=parked.client_id,
        tablet_id=parked.tablet_id,
        occurred_at=min(entry.occurred_at or parked.parked_at, parked.parked_at),
        order_known=False,
    )
    cell = session.get_one(Cell, parked.cell_id)
    written = write_entry(session, cell, mended, actor=actor, now=now)
    _settle(session, parked, ParkedOutcome.WRITTEN, actor=actor, now=now)
    return written


def leave_out(
    session: Session, parked: ParkedLine, reason: str, *, actor: Person, now: datetime
) -> None:
    """Leave a parked line out of the logbook for good, saying why; it stays in the records.

    Raises
    ------
    InvalidValueError
        If no reason is given, or too long a one.
    """
    require(actor, Action.CORRECT)
    _require_unsettled(parked)
    reason = reason.strip()
    if not reason:
        raise InvalidValueError("reason", "be given", reason)
    check_length("reason", reason, TEXT_LIMIT)
    parked.outcome_reason = reason
    _settle(session, parked, ParkedOutcome.LEFT_OUT, actor=actor, now=now)


def take_back(session: Session, parked: ParkedLine, *, actor: Person | None, now: datetime) -> bool:
    """Let who logged a parked line undo it; False where it was settled before."""
    if parked.outcome is not None:
        return False
    _settle(session, parked, ParkedOutcome.TAKEN_BACK, actor=actor, now=now)
    return True


def _require_unsettled(parked: ParkedLine) -> None:
    if parked.outcome is not None:
        raise ConflictError(f"line {parked.client_id!r} was {parked.outcome} before")


def _settle(
    session: Session,
    parked: ParkedLine,
    outcome: ParkedOutcome,
    *,
    actor: Person | None,
    now: datetime,
) -> None:
    parked.outcome, parked.settled_at = outcome, now
    parked.settled_by_id = None if actor is None else actor.id
    record_event(
        session, outcome.value, "line", parked.id,
        actor=actor, now=now, client_id=parked.client_id, reason=parked.outcome_reason,
    )  # fmt: skip
