"""Rulings: an engineer says of each failure whether it speaks against the device."""

from __future__ import annotations

from flask import flash, redirect, render_template, request, url_for
from werkzeug.wrappers import Response

from trialog.errors import TrialogError
from trialog.evidence import gather_evidence
from trialog.records.entries import NewEntry
from trialog.records.models import Trial
from trialog.records.people import Action
from trialog.records.words import EntryKind
from trialog.reports.failures import FailureLine, Ruling, failures_of_evidence
from trialog.web.clock import zone
from trialog.web.database import get_or_404, get_session
from trialog.web.identity import current_person
from trialog.web.lines import new_id
from trialog.web.logging.taking import write_line
from trialog.web.security import allowed
from trialog.web.trials import bp
from trialog.web.trials.forms import RulingForm


@bp.get("/trials/<int:trial_id>/rulings")
@allowed(Action.READ)
def list_failures(trial_id: int) -> str:
    """List the failures of a trial's evidence: those without a ruling first."""
    return _page(get_or_404(Trial, trial_id), RulingForm(formdata=None))


@bp.post("/trials/<int:trial_id>/rulings")
@allowed(Action.RULE)
def rule(trial_id: int) -> Response | tuple[str, int]:
    """Write a ruling into the logbook."""
    trial, form = get_or_404(Trial, trial_id), RulingForm()
    if not form.validate_on_submit():
        return _page(trial, form), 422
    ruling = form.line(current_person().id)
    return _written(trial, ruling, form, f"Ruled {form.decision.data}.")


@bp.post("/trials/<int:trial_id>/rulings/undo")
@allowed(Action.RULE)
def undo(trial_id: int) -> Response | tuple[str, int]:
    """Take a ruling back; both stay in the logbook."""
    trial = get_or_404(Trial, trial_id)
    taken_back = NewEntry(
        client_id=request.form.get("ruling_id", ""),
        kind=EntryKind.UNDO,
        person_id=current_person().id,
        target=request.form.get("target") or None,
    )
    return _written(trial, taken_back, RulingForm(formdata=None), "The ruling is taken back.")


def _written(
    trial: Trial, entry: NewEntry, form: RulingForm, words: str
) -> Response | tuple[str, int]:
    try:
        write_line(get_session(), trial.cell, entry)
    except TrialogError as error:
        form.form_errors = [*form.form_errors, f"{error}."]
        return _page(trial, form), 422
    flash(words, "good")
    return redirect(url_for("trials.list_failures", trial_id=trial.id))


def _page(trial: Trial, form: RulingForm) -> str:
    session = get_session()
    lines = failures_of_evidence(session, gather_evidence(session, trial))
    return render_template(
        "trials/rulings.html",
        trial=trial,
        form=form,
        lines=sorted(lines, key=_is_ruled),
        waiting=sum(not _is_ruled(line) for line in lines),
        new_id=new_id,
        clock=zone(),
    )


def _is_ruled(line: FailureLine) -> bool:
    return line.ruling is not Ruling.UNRULED
