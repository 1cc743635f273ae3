"""One ruling on several failures: looked at with its consequences first, then written."""

from __future__ import annotations

from flask import flash, make_response, render_template, request, url_for
from sqlalchemy import select
from sqlalchemy.orm import Session
from werkzeug.wrappers import Response

from trialog.errors import ConflictError, InvalidValueError, TrialogError
from trialog.evidence import Verdict, judge
from trialog.evidence.what_if import what_if
from trialog.records.audit import record_event
from trialog.records.database import unit_of_work
from trialog.records.models import Entry, Trial
from trialog.records.people import Action
from trialog.reports import words
from trialog.reports.before_after import BeforeAfter, compare_verdicts
from trialog.reports.failures import FailureLine
from trialog.reports.review import fingerprint, is_mixed, of_what
from trialog.web.clock import now, zone
from trialog.web.database import get_or_404, get_session
from trialog.web.identity import current_person
from trialog.web.logging.taking import take
from trialog.web.noting import note_change
from trialog.web.saving import place_error
from trialog.web.security import allowed
from trialog.web.trials import bp
from trialog.web.trials.forms import NON_RELEVANT, RELEVANT
from trialog.web.trials.reviewing import asked_for, key_of, picked_from, review
from trialog.web.trials.ruling_forms import TAKE_BACK, SeveralForm, rulings_of
from trialog.web.trials.rulings import back_to_queue, queue_page

FIELDS = {"cause": "cause", "reason": "words", "number": "typed"}


@bp.post("/trials/<int:trial_id>/rulings/several")
@allowed(Action.RULE)
def look_at_several(trial_id: int) -> Response | tuple[str, int]:
    """Show what a ruling on several failures would do, before it is written."""
    trial, form = get_or_404(Trial, trial_id), SeveralForm()
    if not form.validate_on_submit():
        return _queue(trial, form)
    try:
        picked = _picked(trial, form)
    except TrialogError as error:
        place_error(form, {}, error)
        return _queue(trial, form)
    return _page(trial, form, picked)


@bp.post("/trials/<int:trial_id>/rulings/several/write")
@allowed(Action.RULE)
def rule_on_several(trial_id: int) -> Response | tuple[str, int]:
    """Write the ruling on several failures that was looked at."""
    trial, form = get_or_404(Trial, trial_id), SeveralForm()
    if not form.validate_on_submit():
        return _refused(trial, form)
    session, before = get_session(), judge(get_session(), trial)
    try:
        if not _is_written(session, form):
            _write(session, trial, form)
    except TrialogError as error:
        place_error(form, FIELDS, getattr(error, "error", error))
        return _refused(trial, form)
    note_change(trial.cell, actor=current_person())
    told = compare_verdicts(before, judge(session, trial)).sentence
    flash(f"{_done(form)} {told}".strip(), "good")
    return back_to_queue(trial)


def _is_written(session: Session, form: SeveralForm) -> bool:
    """Say whether the form was sent before: a button pressed twice rules once."""
    first = select(Entry.id).where(Entry.client_id == f"{form.client_id.data}.1")
    return session.scalar(first) is not None


def _write(session: Session, trial: Trial, form: SeveralForm) -> None:
    person, moment = current_person(), now()
    with unit_of_work(session):
        session.refresh(trial.cell, with_for_update=True)
        picked = _picked(trial, form)
        _require_unchanged(form, picked)
        _require_care(form, picked)
        lines = form.lines(picked, person.id)
        take(session, trial.cell, lines, actor=person, now=moment)
        record_event(
            session, "ruled on several", "trial", trial.id,
            actor=person, now=moment, decision=form.decision.data, lines=len(lines),
        )  # fmt: skip


def _picked(trial: Trial, form: SeveralForm) -> list[FailureLine]:
    """Return the failures that a form picks; to take rulings back, those that have one."""
    picked = picked_from(review(trial))
    if form.decision.data != TAKE_BACK:
        return picked
    ruled = [line for line in picked if line.ruling_entry]
    if not ruled:
        raise ConflictError("none of the failures picked has a ruling to take back")
    return ruled


def _require_unchanged(form: SeveralForm, picked: list[FailureLine]) -> None:
    if form.seen.data != fingerprint(picked):
        raise ConflictError(
            "somebody has ruled on these failures since you looked at them; look again"
        )


def _require_care(form: SeveralForm, picked: list[FailureLine]) -> None:
    """Let nobody wave failures away by one press: how many they are has to be typed."""
    if form.decision.data == NON_RELEVANT and form.typed.data != len(picked):
        rule = f"be {len(picked)}, typed to show that it is meant"
        raise InvalidValueError("number", rule, form.typed.data)


def _queue(trial: Trial, form: SeveralForm) -> tuple[str, int]:
    return queue_page(trial, form, frozenset(request.form.getlist("pick"))), 422


def _refused(trial: Trial, form: SeveralForm) -> Response | tuple[str, int]:
    """Show the page again with what is wrong; the queue where the failures are others now."""
    try:
        picked = [] if form.decision.errors else _picked(trial, form)
    except TrialogError:
        picked = []
    return _page(trial, form, picked) if picked else _queue(trial, form)


def _page(trial: Trial, form: SeveralForm, picked: list[FailureLine]) -> Response:
    compared = _supposed(trial, form, picked)
    form.seen.data = fingerprint(picked)
    page = render_template(
        "trials/several.html",
        trial=trial,
        form=form,
        picked=picked,
        compared=compared,
        of_what=of_what(picked),
        mixed=is_mixed(picked),
        rulings=rulings_of(picked),
        takes_back=form.decision.data == TAKE_BACK,
        counts_out=form.decision.data == NON_RELEVANT,
        queue=url_for("trials.list_failures", trial_id=trial.id, **asked_for()),
        asked=asked_for(),
        key_of=key_of,
        clock=zone(),
    )
    return make_response(page, 422 if form.errors else 200)


def _supposed(trial: Trial, form: SeveralForm, picked: list[FailureLine]) -> BeforeAfter:
    session = get_session()
    before = judge(session, trial)
    with unit_of_work(session):
        after = _after(session, trial, form, picked)
    return compare_verdicts(before, after)


def _after(session: Session, trial: Trial, form: SeveralForm, picked: list[FailureLine]) -> Verdict:
    if form.decision.data == TAKE_BACK:
        return what_if(session, trial, taken_back=rulings_of(picked))
    relevant = form.decision.data == RELEVANT
    ruled = [(line.entry, line.mode_id, relevant) for line in picked]
    return what_if(session, trial, rulings=ruled)


def _done(form: SeveralForm) -> str:
    if form.decision.data == TAKE_BACK:
        return "The rulings are taken back."
    failures = words.counted(len(request.form.getlist("pick")), "failure")
    return f"{failures} ruled {form.decision.data}."
