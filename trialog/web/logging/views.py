"""The pages at the machine: open a shift, log its cycles."""

from __future__ import annotations

from flask import flash, redirect, render_template, request, url_for
from flask_wtf.csrf import generate_csrf
from werkzeug.wrappers import Response

from trialog.records.models import Cell, Shift
from trialog.records.people import Action
from trialog.records.queries import last_shift, open_shift
from trialog.records.words import Condition
from trialog.web import identity
from trialog.web.clock import now, zone
from trialog.web.database import get_or_404, get_session
from trialog.web.identity import current_person
from trialog.web.logging import bp
from trialog.web.logging.forms import OpenShiftForm
from trialog.web.logging.opening import next_label, open_new_shift
from trialog.web.logging.running import as_json, running_state
from trialog.web.saving import form_page, save
from trialog.web.security import allowed, public

PLACES = {"shift": "label", "stage": "stage", "counter": "counter", "text": "lot"}


@bp.route("/cells/<int:cell_id>/log", methods=["GET", "POST"])
@allowed(Action.LOG)
def start(cell_id: int) -> Response:
    """Go to the cell's open shift, or open one."""
    session, cell, moment = get_session(), get_or_404(Cell, cell_id), now()
    running = open_shift(session, cell)
    if running is not None:
        if request.method == "POST":
            flash(f"Shift {running.label} is open already; you are on it now.", "good")
        return redirect(url_for("logging.log", shift_id=running.id))
    form = OpenShiftForm()
    if request.method == "GET":
        form.label.data = next_label(session, cell, now=moment, zone=zone())
        previous = last_shift(session, cell)
        form.stage.data = form.stage.default if previous is None else previous.stage.value
    elif form.validate_on_submit():
        actor = current_person()
        shift = save(
            form, PLACES,
            lambda work: open_new_shift(work, cell, form.opening(), actor=actor, now=moment),
        )  # fmt: skip
        if shift is not None:
            return redirect(url_for("logging.log", shift_id=shift.id))
    previous = last_shift(session, cell)
    return form_page("logging/open.html", form, cell=cell, previous=previous)


@bp.get("/shifts/<int:shift_id>/log")
@allowed(Action.LOG)
def log(shift_id: int) -> str | Response:
    """Show the tablet page of an open shift; of a closed one the report."""
    session, shift = get_session(), get_or_404(Shift, shift_id)
    if shift.closed_at is not None:
        flash(f"Shift {shift.label} is closed; this is its report.", "good")
        return redirect(url_for("shifts.report", shift_id=shift.id))
    state = as_json(running_state(session, shift))
    return render_template(
        "logging/log.html",
        shift=shift,
        cell=shift.cell,
        devices=[device for device in shift.cell.devices if device.modes],
        conditions=list(Condition),
        start={
            "state": state,
            "person": {"id": current_person().id, "name": current_person().name},
            "now": now().isoformat(),
            "label": shift.label,
            "modulus": shift.cell.counter_modulus,
            "entries": url_for("logging.add_entries", cell_id=shift.cell_id),
            "refresh": url_for("logging.state", shift_id=shift.id),
            "report": url_for("shifts.report", shift_id=shift.id),
            "sign_in": url_for("auth.login", next=url_for("logging.log", shift_id=shift.id)),
            "csrf_token": generate_csrf(),
        },
    )


@bp.post("/shifts/<int:shift_id>/hand-over")
@public
def hand_over(shift_id: int) -> Response:
    """Sign out and let the next person sign in to the same shift."""
    identity.sign_out()
    return redirect(url_for("auth.login", next=url_for("logging.log", shift_id=shift_id)))
