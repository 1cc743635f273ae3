"""Logs from files and into files: look first, then import all, or the good lines only."""

from __future__ import annotations

import csv
import io

from flask import Response, flash, redirect, request, stream_with_context, url_for
from werkzeug.wrappers import Response as AnyResponse

from trialog import feeds
from trialog.errors import TrialogError
from trialog.records.database import unit_of_work
from trialog.records.formulas import guard
from trialog.records.models import ImportDraft, Trial
from trialog.records.people import Action
from trialog.reports.document import File
from trialog.web.clock import now
from trialog.web.database import get_or_404, get_session
from trialog.web.identity import current_person
from trialog.web.noting import note_change
from trialog.web.saving import form_page, place_error
from trialog.web.security import allowed
from trialog.web.sending import download
from trialog.web.trials import bp
from trialog.web.trials.drafts import drop_drafts, find_draft, keep_draft
from trialog.web.trials.forms import UploadForm

GOOD_ONLY = "good"
MOST_SHOWN = 1_000
"""Rejected lines shown on the page; all of them can be downloaded."""


@bp.route("/trials/<int:trial_id>/import", methods=["GET", "POST"])
@allowed(Action.IMPORT)
def import_file(trial_id: int) -> AnyResponse:
    """Take a file to look at."""
    trial, form = get_or_404(Trial, trial_id), UploadForm()
    if form.validate_on_submit() and _kept(trial, form):
        return redirect(url_for("trials.check_import", trial_id=trial_id))
    draft = find_draft(get_session(), trial, current_person())
    return form_page("trials/import.html", form, trial=trial, draft=draft)


def _kept(trial: Trial, form: UploadForm) -> bool:
    session, upload = get_session(), form.file.data
    try:
        with unit_of_work(session):
            keep_draft(
                session,
                trial,
                upload.filename or "",
                upload.read(),
                actor=current_person(),
                now=now(),
            )
    except TrialogError as error:
        place_error(form, {"file": "file"}, error)
        return False
    return True


@bp.get("/trials/<int:trial_id>/import/check")
@allowed(Action.IMPORT)
def check_import(trial_id: int) -> AnyResponse:
    """Show what the file would add, and every line that it would not."""
    trial = get_or_404(Trial, trial_id)
    draft = _draft(trial)
    return _gone(trial) if draft is None else _check_page(trial, draft)


@bp.post("/trials/<int:trial_id>/import/check")
@allowed(Action.IMPORT)
def confirm_import(trial_id: int) -> AnyResponse:
    """Import the file that was looked at: all of it, or with consent the good lines only."""
    trial = get_or_404(Trial, trial_id)
    draft = _draft(trial)
    if draft is None:
        return _gone(trial)
    session, person = get_session(), current_person()
    with unit_of_work(session):
        result = feeds.import_csv(
            session,
            trial.cell,
            draft.content,
            actor=person,
            now=now(),
            good_lines_only=request.form.get("lines") == GOOD_ONLY,
        )
        if result.written:
            drop_drafts(session, person)
    if not result.written:
        return _check_page(trial, draft, "Nothing was imported: some lines cannot be.")
    note_change(trial.cell, actor=person)
    flash(result.in_words, "good")
    return redirect(url_for("trials.show", trial_id=trial_id))


@bp.post("/trials/<int:trial_id>/import/drop")
@allowed(Action.IMPORT)
def drop_import(trial_id: int) -> AnyResponse:
    """Let go of the file."""
    session = get_session()
    with unit_of_work(session):
        drop_drafts(session, current_person())
    return redirect(url_for("trials.import_file", trial_id=trial_id))


@bp.get("/trials/<int:trial_id>/import/rejected.csv")
@allowed(Action.IMPORT)
def rejected_lines(trial_id: int) -> AnyResponse:
    """Download the lines that cannot be imported, with their numbers and reasons."""
    trial = get_or_404(Trial, trial_id)
    draft = _draft(trial)
    if draft is None:
        return _gone(trial)
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow(["line", "reason", "text"])
    rejected = _preview(trial, draft).rejected
    writer.writerows([line.line, guard(line.reason), guard(line.text)] for line in rejected)
    return download(File("rejected-lines.csv", "text/csv", text.getvalue().encode()))


def _draft(trial: Trial) -> ImportDraft | None:
    return find_draft(get_session(), trial, current_person())


def _gone(trial: Trial) -> AnyResponse:
    flash("There is no file to import any more; pick it again.", "bad")
    return redirect(url_for("trials.import_file", trial_id=trial.id))


def _preview(trial: Trial, draft: ImportDraft) -> feeds.ImportResult:
    session = get_session()
    with unit_of_work(session):
        return feeds.preview(session, trial.cell, draft.content, actor=current_person(), now=now())


def _check_page(trial: Trial, draft: ImportDraft, problem: str = "") -> AnyResponse:
    """Show the file as it would be imported; one that cannot be read at all is picked again."""
    form = UploadForm(formdata=None)
    try:
        result = _preview(trial, draft)
    except TrialogError as error:
        place_error(form, {"file": "file"}, error)
        return form_page("trials/import.html", form, trial=trial, draft=None)
    form.form_errors = [problem] if problem else []
    return form_page(
        "trials/check_import.html",
        form,
        trial=trial,
        draft=draft,
        result=result,
        shown=result.rejected[:MOST_SHOWN],
    )


@bp.get("/trials/<int:trial_id>/export.csv")
@allowed(Action.READ)
def export(trial_id: int) -> Response:
    """Download the logbook of the trial's cell, in the form that the import takes."""
    trial = get_or_404(Trial, trial_id)
    lines = stream_with_context(feeds.export_csv(get_session(), trial.cell))
    response = Response(lines, mimetype="text/csv")
    name = f"cell-{trial.cell_id}-log.csv"
    response.headers["Content-Disposition"] = f'attachment; filename="{name}"'
    return response
