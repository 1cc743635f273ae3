"""Clients, for admins: which there are, a new one, its tokens, the end of a token."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta

from flask import flash, redirect, render_template, request, url_for
from sqlalchemy.orm import Session
from werkzeug.wrappers import Response

from trialog.records.clients import (
    add_client,
    all_clients,
    hand_over,
    is_valid,
    issue_token,
    rename_client,
    revoke_token,
)
from trialog.records.database import unit_of_work
from trialog.records.models import Cell, Client, ClientToken, Person
from trialog.records.people import Action
from trialog.records.queries import cells
from trialog.records.words import Scope
from trialog.web.clients import bp
from trialog.web.clients.forms import NO_CELL, ClientForm, HandOverForm, RenameForm, TokenForm
from trialog.web.clock import now
from trialog.web.database import get_or_404, get_session
from trialog.web.identity import current_person
from trialog.web.people.reading import active_people
from trialog.web.saving import form_page, save
from trialog.web.security import allowed


@bp.get("/clients")
@allowed(Action.MANAGE_CLIENTS)
def index() -> str:
    """List the clients with their tokens."""
    moment = now()

    def parted(tokens: Sequence[ClientToken]) -> tuple[list[ClientToken], list[ClientToken]]:
        valid = [token for token in tokens if is_valid(token, now=moment)]
        return valid, [token for token in tokens if token not in valid]

    return render_template("clients/index.html", clients=all_clients(get_session()), parted=parted)


@bp.route("/clients/new", methods=["GET", "POST"])
@allowed(Action.MANAGE_CLIENTS)
def new() -> Response:
    """Add a client."""
    form, session = ClientForm(), get_session()
    people, known = active_people(session), cells(session)
    form.offer(people, known)
    if request.method == "GET":
        form.responsible.data = str(current_person().id)
    elif form.validate_on_submit():
        name, cell = form.name.data, form.cell.data
        responsible = int(form.responsible.data)

        def add(session: Session) -> int:
            return add_client(
                session,
                name,
                session.get_one(Person, responsible),
                cell=None if cell == NO_CELL else session.get_one(Cell, int(cell)),
                actor=current_person(),
                now=now(),
            ).id

        added = save(form, {"name": "name", "responsible": "responsible"}, add)
        if added is not None:
            flash(f"{name.strip()} is known now. It needs a token to be let in.", "good")
            return redirect(url_for("clients.issue", client_id=added))
    return form_page("clients/new.html", form)


@bp.route("/clients/<int:client_id>/tokens/new", methods=["GET", "POST"])
@allowed(Action.MANAGE_CLIENTS)
def issue(client_id: int) -> Response | str:
    """Issue a token, and show it this once."""
    client, form = get_or_404(Client, client_id), TokenForm()
    if form.validate_on_submit():
        scopes = [Scope(word) for word in form.scopes.data or ()]
        life = timedelta(days=form.days.data)

        def make(session: Session) -> tuple[int, str]:
            token, text = issue_token(
                session, client, scopes, life=life, actor=current_person(), now=now()
            )
            return token.id, text

        made = save(form, {"scopes": "scopes", "life": "days"}, make)
        if made is not None:
            token = get_session().get_one(ClientToken, made[0])
            return render_template("clients/token.html", client=client, token=token, text=made[1])
    return form_page("clients/issue.html", form, client=client)


@bp.route("/clients/<int:client_id>/name", methods=["GET", "POST"])
@allowed(Action.MANAGE_CLIENTS)
def rename(client_id: int) -> Response:
    """Give a client another name."""
    client, form = get_or_404(Client, client_id), RenameForm()
    if request.method == "GET":
        form.name.data = client.name
    elif form.validate_on_submit():
        name = form.name.data

        def change(session: Session) -> bool:
            rename_client(session, client, name, actor=current_person(), now=now())
            return True

        if save(form, {"name": "name"}, change):
            flash(f"Saved: it is called {name.strip()} from now on.", "good")
            return redirect(url_for("clients.index"))
    return form_page("clients/rename.html", form, client=client)


@bp.route("/clients/<int:client_id>/responsible", methods=["GET", "POST"])
@allowed(Action.MANAGE_CLIENTS)
def responsible(client_id: int) -> Response:
    """Let somebody else answer for a client."""
    client, form = get_or_404(Client, client_id), HandOverForm()
    form.offer(active_people(get_session()))
    if request.method == "GET":
        form.responsible.data = str(client.responsible_id)
    elif form.validate_on_submit():
        number = int(form.responsible.data)

        def hand(session: Session) -> bool:
            person = session.get_one(Person, number)
            hand_over(session, client, person, actor=current_person(), now=now())
            return True

        if save(form, {"responsible": "responsible"}, hand):
            flash("Saved. It may do what they may from now on.", "good")
            return redirect(url_for("clients.index"))
    return form_page("clients/responsible.html", form, client=client)


@bp.post("/clients/tokens/<int:token_id>/revoke")
@allowed(Action.MANAGE_CLIENTS)
def revoke(token_id: int) -> Response:
    """End a token."""
    session, token = get_session(), get_or_404(ClientToken, token_id)
    with unit_of_work(session):
        revoke_token(session, token, actor=current_person(), now=now())
    flash(f"The token …{token.hint}… of {token.client.name} is revoked.", "good")
    return redirect(url_for("clients.index"))
