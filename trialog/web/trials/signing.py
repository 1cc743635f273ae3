"""Acknowledging what a GO depends on, and signing a GO."""

from __future__ import annotations

from flask import flash, redirect, url_for
from sqlalchemy.orm import Session
from werkzeug.wrappers import Response

from trialog.errors import TrialogError
from trialog.evidence import acknowledge as put_on_record
from trialog.evidence import sign as sign_off
from trialog.records.database import unit_of_work
from trialog.records.models import SignOff, Trial
from trialog.records.people import Action, check_pin
from trialog.records.words import AcknowledgementKind
from trialog.web.clock import now
from trialog.web.database import get_or_404, get_session
from trialog.web.identity import current_person
from trialog.web.saving import form_page, place_error
from trialog.web.security import PIN_CHECKS, allowed, limiter
from trialog.web.trials import bp
from trialog.web.trials.forms import AcknowledgeForm, SignForm
from trialog.web.trials.views import build_report

WRONG_PIN = (
    "This is not your PIN, so nothing was signed. After five wrong tries in a row your name is "
    "locked for five minutes."
)


@bp.route("/trials/<int:trial_id>/acknowledge", methods=["GET", "POST"])
@allowed(Action.ACKNOWLEDGE)
def acknowledge(trial_id: int) -> Response:
    """Put on record that somebody took note of the cautions, or of a trend or burst."""
    trial, form = get_or_404(Trial, trial_id), AcknowledgeForm()
    if form.validate_on_submit():
        kind, text, session = AcknowledgementKind(form.kind.data), form.text.data, get_session()
        with unit_of_work(session):
            put_on_record(session, trial, kind, text, actor=current_person(), now=now())
        flash(f"On record: {kind} acknowledged.", "good")
        return redirect(url_for("trials.show", trial_id=trial_id))
    return form_page("trials/acknowledge.html", form, trial=trial)


@bp.route("/trials/<int:trial_id>/sign", methods=["GET", "POST"])
@allowed(Action.SIGN)
@limiter.limit(PIN_CHECKS, methods=["POST"])
def sign(trial_id: int) -> Response:
    """Show the verdict that a signature would freeze, or freeze it."""
    trial, form = get_or_404(Trial, trial_id), SignForm()
    if form.validate_on_submit() and _signed(trial, form):
        flash("Signed. The verdict and all it rests on are frozen.", "good")
        return redirect(url_for("trials.show", trial_id=trial_id))
    return form_page("trials/sign.html", form, trial=trial, report=build_report(trial))


def _signed(trial: Trial, form: SignForm) -> bool:
    """Sign in one unit of work; a wrong PIN is committed too, so that tries count."""
    session = get_session()
    try:
        with unit_of_work(session):
            signed = _check_and_sign(session, trial, form)
    except TrialogError as error:
        place_error(form, {"statement": "statement"}, error)
        return False
    if signed is None:
        form.pin.errors = [WRONG_PIN]
    return signed is not None


def _check_and_sign(session: Session, trial: Trial, form: SignForm) -> SignOff | None:
    moment = now()
    person = check_pin(session, current_person().name, form.pin.data, now=moment)
    if person is None:
        return None
    return sign_off(
        session,
        trial,
        person,
        statement=form.statement.data,
        cautions_acknowledged=all(field.data for field in form.caution_fields()),
        now=moment,
    )
