"""A shift's page and documents, and corrections to it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from flask import flash, redirect, render_template, url_for
from werkzeug.wrappers import Response as AnyResponse

from trialog.errors import TrialogError
from trialog.languages import speaking
from trialog.records.entries import NewEntry
from trialog.records.machine_lines import MachineLines, machine_lines
from trialog.records.models import Entry, Shift
from trialog.records.people import Action
from trialog.records.queries import shift_entries, trials_beside
from trialog.records.words import EntryKind
from trialog.reports.photos import FailurePhoto
from trialog.reports.shift_report import ShiftReport, build_shift_report
from trialog.web.clock import now, zone
from trialog.web.database import get_or_404, get_session
from trialog.web.identity import current_person
from trialog.web.language import language_asked
from trialog.web.lines import new_id
from trialog.web.links import csv_page, parked_url
from trialog.web.remembering import context_now
from trialog.web.security import allowed, report_page
from trialog.web.shifts import bp
from trialog.web.shifts.forms import ReadingForm, UndoForm
from trialog.web.shifts.lines import Listed, list_lines, standing_closing, standing_readings
from trialog.web.telling import write_and_tell
from trialog.web.trials.forms import RulingForm

Page = AnyResponse | tuple[str, int]


@bp.get("/shifts/<int:shift_id>")
@allowed(Action.READ)
@report_page
def report(shift_id: int) -> str:
    """Show a shift's report, and to engineers what they may add to it."""
    return _page(get_or_404(Shift, shift_id))


@bp.post("/shifts/<int:shift_id>/rulings")
@allowed(Action.RULE)
@report_page
def rule(shift_id: int) -> Page:
    """Write a ruling on one failure mode of one failed cycle."""
    shift, form = get_or_404(Shift, shift_id), RulingForm()
    if not form.validate_on_submit():
        return _page(shift, ruling_form=form), 422
    ruling = form.line(current_person().id)
    return _written(shift, ruling, form, f"Ruled {form.decision.data}.", "ruling_form")


@bp.post("/shifts/<int:shift_id>/readings")
@allowed(Action.CORRECT)
@report_page
def correct_reading(shift_id: int) -> Page:
    """Replace a counter reading; the first one stays in the logbook."""
    shift, form = get_or_404(Shift, shift_id), ReadingForm()
    if not form.validate_on_submit():
        return _page(shift, reading_form=form), 422
    line = form.line(shift.label, current_person().id)
    return _written(shift, line, form, "The reading is corrected.", "reading_form")


@bp.post("/shifts/<int:shift_id>/undo")
@allowed(Action.LOG)
@report_page
def undo(shift_id: int) -> Page:
    """Take a line back: a ruling, a corrected reading, the closing."""
    shift, form = get_or_404(Shift, shift_id), UndoForm()
    if not form.validate_on_submit():
        return _page(shift, undo_form=form), 422
    line = NewEntry(
        client_id=form.client_id.data,
        kind=EntryKind.UNDO,
        person_id=current_person().id,
        shift=shift.label,
        target=form.target.data,
    )
    return _written(shift, line, form, "Taken back; both lines stay in the logbook.", "undo_form")


def _written(shift: Shift, line: NewEntry, form: Any, words: str, name: str) -> Page:
    try:
        told = write_and_tell(shift.cell, line, trials_beside(get_session(), shift))
    except TrialogError as error:
        form.form_errors = [*form.form_errors, f"{error}."]
        return _page(shift, **{name: form}), 422
    flash(f"{words} {told}".strip(), "good")
    return redirect(url_for("shifts.report", shift_id=shift.id))


def _page(shift: Shift, **forms: Any) -> str:
    entries = shift_entries(get_session(), shift)
    lines = list_lines(get_session(), shift, entries)
    reading_form = forms.get("reading_form") or ReadingForm(formdata=None)
    errors = [form for form in forms.values() if form.errors]
    with speaking(language_asked()):
        return render_template(
            "shifts/report.html",
            shift=shift,
            **context_now(shift, lambda: _build(shift, entries)),
            lines=lines,
            machine=_machine(shift),
            closing=standing_closing(lines),
            corrected=standing_readings(lines),
            ruling_form=forms.get("ruling_form") or RulingForm(formdata=None),
            reading_form=reading_form,
            wrong=errors[0] if errors else None,
            new_id=new_id,
            csv_page=csv_page("shift", shift_id=shift.id),
            photo_page=_photo_page,
            parked_page=parked_url(shift.cell_id),
        )


def _machine(shift: Shift) -> tuple[MachineLines, list[Listed]] | None:
    """Return what the machine said in the shift, and the lines of it that are shown."""
    for said in machine_lines(get_session(), [shift.id]):
        return said, list_lines(get_session(), shift, said.shown)
    return None


def _build(shift: Shift, entries: Sequence[Entry]) -> ShiftReport:
    return build_shift_report(
        get_session(), shift, now=now(), zone=zone(), embed_photos=False, entries=entries
    )


def _photo_page(photo: FailurePhoto) -> str:
    return url_for("logging.photo", sha256=photo.sha256)
