"""Revisions: what was changed on a device, when, and whether the evidence starts afresh."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from flask import flash, redirect, url_for
from sqlalchemy import ColumnElement, case, func, select
from sqlalchemy.orm import Session
from werkzeug.wrappers import Response
from wtforms import SelectChoice

from trialog.errors import TrialogError
from trialog.records.entries import NewEntry
from trialog.records.models import Cell, Entry, Person, Photo, Revision
from trialog.records.people import Action
from trialog.records.words import EntryKind
from trialog.reports.rates import INTERVAL_CONFIDENCE
from trialog.reports.revisions import histories_of
from trialog.web.clock import zone
from trialog.web.database import get_or_404, get_session
from trialog.web.identity import current_person
from trialog.web.lines import new_id
from trialog.web.links import file_url
from trialog.web.logging.taking import write_line
from trialog.web.saving import form_page, place_error
from trialog.web.security import allowed
from trialog.web.shifts import bp
from trialog.web.shifts.files import UNNAMED, keep_file, kept_name
from trialog.web.shifts.forms import RevisionForm, UndoForm

PLACES = {
    "time": "at", "device": "device", "what changed": "what", "text": "what",
    "reason for not resetting the evidence": "reason", "reason": "reason", "photo": "file",
}  # fmt: skip


@dataclass(frozen=True)
class Change:
    """A recorded revision, with who entered it."""

    client_id: str
    at: datetime | None
    device: str
    what: str
    resets_evidence: bool
    reason: str
    entered_by: str
    withdrawn: bool
    file: str | None
    """SHA-256 of a photo or file that shows it."""

    filename: str | None
    """None where these records lack it, as those of an imported logbook do."""


@bp.route("/cells/<int:cell_id>/revisions/new", methods=["GET", "POST"])
@allowed(Action.REVISE)
def new_revision(cell_id: int) -> Response:
    """Record a change to a device."""
    cell, form = get_or_404(Cell, cell_id), RevisionForm()
    form.device.choices = [SelectChoice(device.id, device.name) for device in cell.devices]
    valid = form.validate_on_submit()
    if keep_file(form) and valid and _write(cell, form.line(current_person().id), form):
        flash("The revision is recorded.", "good")
        return redirect(url_for("shifts.new_revision", cell_id=cell.id))
    return _page(cell, form)


@bp.post("/cells/<int:cell_id>/revisions/undo")
@allowed(Action.REVISE)
def undo_revision(cell_id: int) -> Response:
    """Take a recorded change back; both lines stay in the logbook."""
    cell, form = get_or_404(Cell, cell_id), UndoForm()
    line = NewEntry(
        client_id=form.client_id.data or "",
        kind=EntryKind.UNDO,
        person_id=current_person().id,
        target=form.target.data,
    )
    if form.validate_on_submit() and _write(cell, line, form):
        flash("The revision is taken back.", "good")
        return redirect(url_for("shifts.new_revision", cell_id=cell.id))
    blank = RevisionForm(formdata=None)
    blank.device.choices = [SelectChoice(device.id, device.name) for device in cell.devices]
    blank.form_errors = form.form_errors or ["Say which revision to take back."]
    return _page(cell, blank)


def _write(cell: Cell, line: NewEntry, form: RevisionForm | UndoForm) -> bool:
    try:
        write_line(get_session(), cell, line)
    except TrialogError as error:
        fields = PLACES if isinstance(form, RevisionForm) else {}
        place_error(form, fields, getattr(error, "error", error))
        return False
    return True


def _page(cell: Cell, form: RevisionForm) -> Response:
    changes = changes_of(get_session(), cell)
    return form_page(
        "shifts/revisions.html", form, cell=cell, changes=changes, new_id=new_id,
        kept=kept_name(form), clock=zone(), file_page=file_url,
        histories=histories_of(get_session(), cell, confidence=INTERVAL_CONFIDENCE),
    )  # fmt: skip


def _filename() -> ColumnElement[str | None]:
    """Return what a stored file is called: a tablet's photo has no name of its own."""
    return case((Photo.sha256.is_(None), None), else_=func.coalesce(Photo.filename, UNNAMED))


def changes_of(session: Session, cell: Cell) -> Sequence[Change]:
    """Return a cell's recorded revisions, newest first, those taken back too."""
    statement = (
        select(Revision, Entry, Person.name, _filename())
        .join(Entry, Entry.id == Revision.entry_id)
        .outerjoin(Photo, Photo.sha256 == Entry.photo)
        .outerjoin(Person, Person.id == Entry.recorded_by_id)
        .where(Revision.cell_id == cell.id)
        .order_by(Revision.effective_at.desc(), Revision.id.desc())
    )
    return [
        Change(
            client_id=entry.client_id,
            at=revision.effective_at,
            device="" if revision.device is None else revision.device.name,
            what=revision.what,
            resets_evidence=revision.resets_evidence,
            reason=revision.reason,
            entered_by=name or "command line",
            withdrawn=revision.withdrawn,
            file=entry.photo,
            filename=filename,
        )
        for revision, entry, name, filename in session.execute(statement)
    ]
