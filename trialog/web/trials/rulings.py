"""Rulings: an engineer says of each failure whether it speaks against the device."""

from __future__ import annotations

from typing import Any

from flask import flash, redirect, render_template, request, url_for
from werkzeug.wrappers import Response

from trialog.errors import TrialogError
from trialog.records.entries import NewEntry
from trialog.records.models import Trial
from trialog.records.people import Action
from trialog.records.words import EntryKind
from trialog.reports.failures import Ruling
from trialog.reports.photos import FailurePhoto
from trialog.reports.review import photos_by_entry
from trialog.web.clock import zone
from trialog.web.database import get_or_404, get_session
from trialog.web.identity import current_person
from trialog.web.lines import new_id
from trialog.web.security import allowed
from trialog.web.telling import write_and_tell
from trialog.web.trials import bp
from trialog.web.trials.forms import RulingForm
from trialog.web.trials.reviewing import SHOWN, asked_for, key_of, review


@bp.get("/trials/<int:trial_id>/rulings")
@allowed(Action.READ)
def list_failures(trial_id: int) -> str:
    """List the failures of a trial's evidence: those without a ruling first."""
    return queue_page(get_or_404(Trial, trial_id), RulingForm(formdata=None))


@bp.post("/trials/<int:trial_id>/rulings")
@allowed(Action.RULE)
def rule(trial_id: int) -> Response | tuple[str, int]:
    """Write a ruling into the logbook."""
    trial, form = get_or_404(Trial, trial_id), RulingForm()
    if not form.validate_on_submit():
        return queue_page(trial, form), 422
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
        told = write_and_tell(trial.cell, entry, [trial])
    except TrialogError as error:
        form.form_errors = [*form.form_errors, f"{error}."]
        return queue_page(trial, form), 422
    flash(f"{words} {told}".strip(), "good")
    return back_to_queue(trial)


def back_to_queue(trial: Trial) -> Response:
    """Go on with the failures that were looked for, at the next one.

    The page puts the focus there, which a browser does not do where an address names a place.
    """
    return redirect(url_for("trials.list_failures", trial_id=trial.id, **asked_for(), next="yes"))


def queue_page(trial: Trial, form: Any, picked: frozenset[str] = frozenset()) -> str:
    """Render the queue; `picked`: the failures that stay ticked."""
    session, found = get_session(), review(trial)
    pages = max(1, -(-len(found.found) // SHOWN))
    page = min(max(1, request.args.get("page", 1, type=int)), pages)
    lines = found.found[(page - 1) * SHOWN : page * SHOWN]
    return render_template(
        "trials/rulings.html",
        trial=trial,
        form=form if isinstance(form, RulingForm) else RulingForm(formdata=None),
        wrong=form,
        review=found,
        lines=lines,
        page=page,
        pages=pages,
        photos=photos_by_entry(session, trial.cell_id, lines, zone()),
        photo_page=photo_page,
        asked=asked_for(),
        rulings=list(Ruling),
        key_of=key_of,
        picked=picked,
        new_id=new_id,
        clock=zone(),
    )


def photo_page(photo: FailurePhoto) -> str:
    """Return where a photo is."""
    return url_for("logging.photo", sha256=photo.sha256)
