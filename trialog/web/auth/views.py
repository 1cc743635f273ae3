"""Sign in by name and PIN, and out."""

from __future__ import annotations

from flask import flash, redirect, render_template, request, url_for
from flask_login import current_user
from werkzeug.wrappers import Response

from trialog.records.database import unit_of_work
from trialog.records.models import Person
from trialog.records.people import check_pin
from trialog.web import identity
from trialog.web.auth import bp
from trialog.web.auth.forms import SignInForm
from trialog.web.clock import now
from trialog.web.database import get_session
from trialog.web.people.reading import active_people, is_locked, note_refused
from trialog.web.security import PIN_CHECKS, limiter, public, safe_next

WRONG = "That name and PIN do not belong together. Try again."
LOCKED = (
    "Too many wrong tries: sign-in for this name is locked for five minutes. "
    "An admin can set a new PIN if it is forgotten."
)


@bp.route("/login", methods=["GET", "POST"])
@public
@limiter.limit(PIN_CHECKS, methods=["POST"])
def login() -> str | Response | tuple[str, int]:
    """Show the sign-in page, or check a PIN."""
    if current_user.is_authenticated and request.method == "GET":
        return redirect(safe_next(request.args.get("next")))
    people = active_people(get_session())
    form = SignInForm()
    form.name.choices = ["", *(one.name for one in people)]
    if request.method == "GET":
        form.next.data = request.args.get("next", "")
    elif form.validate_on_submit():
        person, locked = _check(form.name.data, form.pin.data)
        if person is not None:
            identity.sign_in(person)
            return redirect(safe_next(form.next.data))
        form.pin.errors = [LOCKED if locked else WRONG]
    page = render_template("auth/login.html", form=form, people=people)
    return (page, 422) if form.errors else page


def _check(name: str, pin: str) -> tuple[Person | None, bool]:
    """Return the person whose PIN this is, and whether the name is locked now."""
    session, moment = get_session(), now()
    with unit_of_work(session):
        person = check_pin(session, name, pin, now=moment)
    if person is not None:
        return person, False
    locked = is_locked(session, name, now=moment)
    note_refused(session, name, locked=locked)
    return None, locked


@bp.post("/logout")
@public
def logout() -> Response:
    """End the session."""
    identity.sign_out()
    flash("You are signed out.", "good")
    return redirect(url_for("auth.login"))
