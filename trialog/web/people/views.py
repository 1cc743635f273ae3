"""People, for admins: who there is, who is added, what changes."""

from __future__ import annotations

from flask import flash, redirect, render_template, url_for
from sqlalchemy.orm import Session
from werkzeug.wrappers import Response

from trialog.records.database import unit_of_work
from trialog.records.models import Person
from trialog.records.people import Action, add_person, change_person
from trialog.records.people import unlock as unlock_person
from trialog.records.words import Role
from trialog.web.clock import now
from trialog.web.database import get_or_404, get_session
from trialog.web.identity import current_person, sign_in
from trialog.web.people import bp
from trialog.web.people.forms import NewPersonForm, PersonForm
from trialog.web.people.reading import all_people, guesses, waiting
from trialog.web.saving import form_page, save
from trialog.web.security import allowed


@bp.get("/people")
@allowed(Action.MANAGE_PEOPLE)
def index() -> str:
    """List everybody."""
    session = get_session()
    waits = waiting(session, now=now())
    return render_template("people/index.html", people=all_people(session), waits=waits)


@bp.route("/people/new", methods=["GET", "POST"])
@allowed(Action.MANAGE_PEOPLE)
def new() -> Response:
    """Add a person."""
    form = NewPersonForm()
    if form.validate_on_submit():
        name, role, pin = form.name.data, Role(form.role.data), form.pin.data

        def add(session: Session) -> int:
            return add_person(session, name, role, pin, actor=current_person(), now=now()).id

        if save(form, {"name": "name", "PIN": "pin"}, add) is not None:
            flash(f"{name.strip()} can sign in now.", "good")
            return redirect(url_for("people.index"))
    return form_page("people/new.html", form)


@bp.route("/people/<int:person_id>/edit", methods=["GET", "POST"])
@allowed(Action.MANAGE_PEOPLE)
def edit(person_id: int) -> Response:
    """Change a person's role or PIN, or whether they may sign in."""
    person = get_or_404(Person, person_id)
    form = PersonForm(role=person.role.value, active=person.active)
    if form.validate_on_submit():
        mine = person is current_person()
        if save(form, {"PIN": "pin"}, lambda session: _change(session, person, form)):
            if mine and person.active:
                sign_in(person)  # the change ended the session of whoever made it, too
            flash("Saved. A changed role or PIN ends the person's sign-in elsewhere.", "good")
            return redirect(url_for("home.index" if mine else "people.index"))
    found = guesses(get_session(), person)
    return form_page("people/edit.html", form, person=person, guesses=found, now=now())


@bp.post("/people/<int:person_id>/unlock")
@allowed(Action.MANAGE_PEOPLE)
def unlock(person_id: int) -> Response:
    """End a person's waits after wrong PINs."""
    session, person = get_session(), get_or_404(Person, person_id)
    with unit_of_work(session):
        unlock_person(session, person, actor=current_person(), now=now())
    flash(f"{person.name} can try again everywhere.", "good")
    return redirect(url_for("people.edit", person_id=person_id))


def _change(session: Session, person: Person, form: PersonForm) -> bool:
    change_person(
        session,
        person,
        role=Role(form.role.data),
        active=form.active.data,
        pin=form.pin.data or None,
        actor=current_person(),
        now=now(),
    )
    return True
