"""Sign in by name and PIN, and out."""

from __future__ import annotations

from flask import flash, redirect, render_template, request, url_for
from flask_login import current_user
from werkzeug.wrappers import Response

from trialog.records.database import unit_of_work
from trialog.records.models import Person
from trialog.records.pins import check_pin, waits_until
from trialog.web import identity, known
from trialog.web.auth import bp
from trialog.web.auth.forms import SignInForm
from trialog.web.clock import local_time, now
from trialog.web.database import get_session
from trialog.web.people.reading import active_people, note_refused
from trialog.web.security import looks_at_a_pin, public, safe_next

WRONG = "That name and PIN do not belong together. Try again."
LOCKED = (
    "Too many wrong tries for this name here: no PIN is looked at until {until}. On a tablet, or "
    "in a browser where you have signed in before, you can still sign in. An admin can end the "
    "wait, or set a new PIN if yours is forgotten."
)


@bp.route("/login", methods=["GET", "POST"])
@public
@looks_at_a_pin
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
        named = next((one for one in people if one.name == form.name.data), None)
        person, said = _check(form.name.data, form.pin.data, known.place_of(named))
        if person is not None:
            identity.sign_in(person)
            answer = redirect(safe_next(form.next.data))
            known.remember(answer, person)
            return answer
        form.pin.errors = [said]
    page = render_template("auth/login.html", form=form, people=people)
    return (page, 422) if form.errors else page


def _check(name: str, pin: str, place: str) -> tuple[Person | None, str]:
    """Return the person whose PIN this is, and what is said to anybody else."""
    session, moment = get_session(), now()
    with unit_of_work(session):
        person = check_pin(session, name, pin, place=place, now=moment)
        until = waits_until(session, name, place, now=moment)
    if person is not None:
        return person, ""
    note_refused(session, name, locked=until is not None)
    return None, LOCKED.format(until=local_time(until)) if until else WRONG


@bp.post("/logout")
@public
def logout() -> Response:
    """End the session, or with `everywhere` all of the person's."""
    everywhere = "everywhere" in request.form
    identity.sign_out(everywhere=everywhere)
    flash("You are signed out everywhere." if everywhere else "You are signed out.", "good")
    return redirect(url_for("auth.login"))
