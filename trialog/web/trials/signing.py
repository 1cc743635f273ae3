"""Acknowledging what a GO depends on, signing a GO or refusing to, and taking that back."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from flask import flash, redirect, url_for
from sqlalchemy import select
from sqlalchemy.orm import Session
from werkzeug.wrappers import Response

from trialog import evidence
from trialog.errors import ConflictError, InvalidValueError
from trialog.records.database import unit_of_work
from trialog.records.models import Person, Revocation, SignOff, Trial
from trialog.records.people import Action
from trialog.records.pins import check_pin, waits_until
from trialog.records.words import AcknowledgementKind
from trialog.reports.document import File
from trialog.reports.kinds import json_text
from trialog.web import known
from trialog.web.clock import local_time, now
from trialog.web.database import get_or_404, get_session
from trialog.web.identity import current_person
from trialog.web.noting import keep_signed, note_change
from trialog.web.saving import form_page, place_error
from trialog.web.security import allowed, looks_at_a_pin
from trialog.web.sending import download
from trialog.web.trials import bp
from trialog.web.trials.forms import AcknowledgeForm, RefuseForm, SignForm
from trialog.web.trials.views import build_report

WRONG_PIN = (
    "This is not your PIN, so nothing was written. After five wrong ones no PIN of yours is looked "
    "at here for a while."
)
WAIT = (
    "Too many wrong PINs here, so nothing was written: none is looked at until {until}. An admin "
    "can end the wait, or set a new PIN."
)
FIELDS = {"statement": "statement", "reason": "reason"}


@bp.route("/trials/<int:trial_id>/acknowledge", methods=["GET", "POST"])
@allowed(Action.ACKNOWLEDGE)
def acknowledge(trial_id: int) -> Response:
    """Put on record that somebody took note of the cautions, or of a trend or burst."""
    trial, form = get_or_404(Trial, trial_id), AcknowledgeForm()
    if form.validate_on_submit():
        kind, text, session = AcknowledgementKind(form.kind.data), form.text.data, get_session()
        with unit_of_work(session):
            evidence.acknowledge(session, trial, kind, text, actor=current_person(), now=now())
        note_change(trial.cell, actor=current_person())
        flash(f"On record: {kind} acknowledged.", "good")
        return redirect(url_for("trials.show", trial_id=trial_id))
    return form_page("trials/acknowledge.html", form, trial=trial)


@bp.route("/trials/<int:trial_id>/sign", methods=["GET", "POST"])
@allowed(Action.SIGN)
@looks_at_a_pin
def sign(trial_id: int) -> Response:
    """Show the verdict that a signature would freeze, or freeze it."""
    trial, form = get_or_404(Trial, trial_id), SignForm()
    evidence.require_signer(current_person(), trial)

    def work(session: Session, person: Person) -> SignOff:
        return evidence.sign(
            session,
            trial,
            person,
            statement=form.statement.data,
            cautions_acknowledged=all(field.data for field in form.caution_fields()),
            now=now(),
        )

    if form.validate_on_submit() and _decided(trial, form, work):
        flash("Signed. The verdict and all it rests on are frozen.", "good")
        return redirect(url_for("trials.show", trial_id=trial_id, _anchor="rp-signed"))
    return form_page("trials/sign.html", form, trial=trial, report=build_report(trial))


@bp.route("/trials/<int:trial_id>/refuse", methods=["GET", "POST"])
@allowed(Action.SIGN)
@looks_at_a_pin
def refuse(trial_id: int) -> Response:
    """Refuse to sign, whatever the verdict, with a reason."""
    trial, form = get_or_404(Trial, trial_id), RefuseForm()
    evidence.require_signer(current_person(), trial)

    def work(session: Session, person: Person) -> SignOff:
        return evidence.refuse(session, trial, person, reason=form.reason.data, now=now())

    if form.validate_on_submit() and _decided(trial, form, work):
        flash("On record: you have refused to sign.", "good")
        return redirect(url_for("trials.show", trial_id=trial_id, _anchor="rp-signed"))
    return form_page("trials/refuse.html", form, trial=trial, report=build_report(trial))


@bp.route("/sign-offs/<int:sign_off_id>/revoke", methods=["GET", "POST"])
@allowed(Action.SIGN)
@looks_at_a_pin
def revoke(sign_off_id: int) -> Response:
    """Take a signature or refusal back, with a reason."""
    record, form = get_or_404(SignOff, sign_off_id), RefuseForm()
    trial = get_or_404(Trial, record.trial_id)
    evidence.require_revoker(current_person(), record)

    def work(session: Session, person: Person) -> Revocation:
        return evidence.revoke(session, record, person, reason=form.reason.data, now=now())

    if form.validate_on_submit() and _decided(trial, form, work):
        flash("Revoked. It stays on record, and counts no more.", "good")
        return redirect(url_for("trials.show", trial_id=trial.id, _anchor="rp-signed"))
    before = get_session().scalar(select(Revocation).where(Revocation.sign_off_id == record.id))
    return form_page("trials/revoke.html", form, trial=trial, record=record, before=before)


@bp.get("/sign-offs/<int:sign_off_id>/document.json")
@allowed(Action.READ)
def signed_document_json(sign_off_id: int) -> Response:
    """Download a signature's frozen document, for `trialog verify --document`."""
    record = get_or_404(SignOff, sign_off_id)
    content = json_text(evidence.signed_document(record)).encode()
    return download(File(f"signed-{record.id}.json", "application/json", content))


def _decided(trial: Trial, form: Any, work: Callable[[Session, Person], object]) -> bool:
    """Check the PIN and do the work in one unit of work; a wrong PIN is kept, so tries count."""
    session, moment = get_session(), now()
    name, place = current_person().name, known.place_of(current_person())
    try:
        with unit_of_work(session):
            person = check_pin(session, name, form.pin.data, place=place, now=moment)
            until = waits_until(session, name, place, now=moment)
            if person is not None:
                work(session, person)
    except (InvalidValueError, ConflictError) as error:
        place_error(form, FIELDS, error)
        return False
    if person is None:
        form.pin.errors = [WAIT.format(until=local_time(until)) if until else WRONG_PIN]
        return False
    note_change(trial.cell, actor=current_person())
    keep_signed(trial)
    return True
