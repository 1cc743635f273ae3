"""Lines that the logbook did not take: an engineer writes each in, mended, or leaves it out."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from flask import flash, redirect, url_for
from sqlalchemy import select
from sqlalchemy.orm import Session, selectinload
from werkzeug.wrappers import Response

from trialog.records.models import Cell, ParkedLine, Person, Shift
from trialog.records.parking import leave_out, parked_lines, write_in
from trialog.records.people import Action
from trialog.web.clock import now
from trialog.web.database import get_or_404, get_session
from trialog.web.identity import current_person
from trialog.web.noting import note_change
from trialog.web.saving import form_page, save
from trialog.web.security import allowed
from trialog.web.tablets import bp
from trialog.web.tablets.mending import (
    PLACES,
    LeaveOutForm,
    MendForm,
    mend_form,
    mended,
    readable_time,
)
from trialog.web.tablets.saying import facts, title

SHIFTS_OFFERED = 30
SETTLED_SHOWN = 20


@dataclass(frozen=True)
class Waiting:
    """A parked line as its page shows it; `mend` is None where nothing can mend it."""

    line: ParkedLine
    title: str
    facts: list[tuple[str, str]]
    tapped: datetime | None
    mend: MendForm | None
    leave: LeaveOutForm


@dataclass(frozen=True)
class Settled:
    """A parked line that somebody has seen to."""

    line: ParkedLine
    title: str
    by: str


@bp.get("/cells/<int:cell_id>/parked")
@allowed(Action.CORRECT)
def parked(cell_id: int) -> Response:
    """List a cell's lines that wait for an engineer."""
    return _page(get_or_404(Cell, cell_id))


@bp.post("/parked/<int:line_id>/write-in")
@allowed(Action.CORRECT)
def write(line_id: int) -> Response:
    """Write a line in, as it was mended."""
    line = get_or_404(ParkedLine, line_id)
    session, cell, actor = get_session(), get_or_404(Cell, line.cell_id), current_person()
    form = mend_form(session, cell, line, sent=True)
    if form is None:
        flash("This line cannot be written in; leave it out, and log by hand what it meant.", "bad")
        return _back(cell)

    def work(session: Session) -> bool:
        _lock(session, cell, line)
        write_in(session, line, mended(line, form), actor=actor, now=now())
        return True

    if form.validate() and save(form, PLACES, work):
        note_change(cell, actor=actor)
        flash("The line is in the logbook.", "good")
        return _back(cell)
    return _page(cell, line, mend=form)


@bp.post("/parked/<int:line_id>/leave-out")
@allowed(Action.CORRECT)
def leave(line_id: int) -> Response:
    """Leave a line out of the logbook for good."""
    line = get_or_404(ParkedLine, line_id)
    cell, actor = get_or_404(Cell, line.cell_id), current_person()
    form = LeaveOutForm(prefix=f"leave-{line.id}-")

    def work(session: Session) -> bool:
        _lock(session, cell, line)
        leave_out(session, line, form.reason.data, actor=actor, now=now())
        return True

    if form.validate() and save(form, {"reason": "reason"}, work):
        note_change(cell, actor=actor)
        flash("The line is left out. It stays in the records, with your reason.", "good")
        return _back(cell)
    return _page(cell, line, leave=form)


def _lock(session: Session, cell: Cell, line: ParkedLine) -> None:
    """Hold off a tablet or another engineer that is at the same line; the cell's row comes first,
    as wherever lines are written."""
    session.refresh(cell, with_for_update=True)
    session.refresh(line, with_for_update=True)


def _back(cell: Cell) -> Response:
    return redirect(url_for("tablets.parked", cell_id=cell.id))


def _page(cell: Cell, at: ParkedLine | None = None, **sent: Any) -> Response:
    """Show the lines that wait; of the line `at` hand the forms that were sent back."""
    session = get_session()
    lines = [
        _waiting(session, cell, line, sent if line is at else {})
        for line in parked_lines(session, cell)
    ]
    refused = next(iter(sent.values()), None) or LeaveOutForm(formdata=None)
    return form_page(
        "tablets/parked.html", refused,
        cell=cell, lines=lines, settled=_settled(session, cell), labels=_labels(session, cell),
    )  # fmt: skip


def _waiting(session: Session, cell: Cell, line: ParkedLine, sent: dict[str, Any]) -> Waiting:
    return Waiting(
        line=line,
        title=title(line),
        facts=facts(line, cell),
        tapped=readable_time(line.line.get("tablet_time")),
        mend=sent.get("mend") or mend_form(session, cell, line, sent=False),
        leave=sent.get("leave") or LeaveOutForm(formdata=None, prefix=f"leave-{line.id}-"),
    )


def _settled(session: Session, cell: Cell) -> list[Settled]:
    statement = (
        select(ParkedLine, Person.name)
        .outerjoin(Person, Person.id == ParkedLine.settled_by_id)
        .where(ParkedLine.cell_id == cell.id, ParkedLine.outcome.is_not(None))
        .order_by(ParkedLine.settled_at.desc(), ParkedLine.id.desc())
        .options(selectinload(ParkedLine.tablet))
    )
    found = session.execute(statement.limit(SETTLED_SHOWN))
    return [Settled(line, title(line), name or "–") for line, name in found]


def _labels(session: Session, cell: Cell) -> list[str]:
    recent = select(Shift.label).where(Shift.cell_id == cell.id)
    return list(session.scalars(recent.order_by(Shift.id.desc()).limit(SHIFTS_OFFERED)))
