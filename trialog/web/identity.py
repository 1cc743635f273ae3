"""Who is signed in: sessions that end with the shift, or when the person's rights change."""

from __future__ import annotations

import hashlib
import hmac
from dataclasses import dataclass
from typing import cast

from flask import Flask, g, request, session
from flask_login import LoginManager, current_user, login_user, logout_user

from trialog.errors import NotAllowedError
from trialog.records.database import unit_of_work
from trialog.records.models import Person, Tablet
from trialog.records.people import Action, may
from trialog.records.sign_ins import (
    LIFETIME,
    begin_sign_in,
    end_sign_in,
    end_sign_ins,
    person_signed_in,
)
from trialog.records.tablets import tablet_of_key
from trialog.web.clock import now
from trialog.web.database import get_session

TOKEN = "sign_in"  # noqa: S105 - the name of what holds one
"""Where a session keeps the secret that its row is found by."""

login_manager = LoginManager()


@dataclass(frozen=True)
class SignedIn:
    """A signed-in person, in the form that Flask-Login asks for."""

    person: Person
    is_authenticated: bool = True
    is_active: bool = True
    is_anonymous: bool = False

    def get_id(self) -> str:
        """Return the session's name for the person: stale once the role or the PIN changes."""
        return f"{self.person.id}:{stamp(self.person)}"


def stamp(person: Person) -> str:
    """Return what changes whenever a person's role or PIN does, and tells neither."""
    rights = f"{person.role}\n{person.pin_hash}"
    return hashlib.sha256(rights.encode()).hexdigest()[:24]


def sign_in(person: Person) -> None:
    """Begin a session with a secret of its own; whatever an earlier one held is gone."""
    records, before = get_session(), session.get(TOKEN, "")
    with unit_of_work(records):
        end_sign_in(records, before)
        token = begin_sign_in(records, person, now=now())
    session.clear()
    login_user(SignedIn(person))
    session.permanent = True
    session[TOKEN] = token


def sign_out(*, everywhere: bool = False) -> None:
    """End the session wherever its cookie was copied to, or all sessions of the person."""
    records = get_session()
    person = current_person() if everywhere and current_user.is_authenticated else None
    with unit_of_work(records):
        end_sign_in(records, session.get(TOKEN, ""))
        if person is not None:
            end_sign_ins(records, person)
    logout_user()
    session.clear()


def current_person() -> Person:
    """Return who is signed in.

    Raises
    ------
    NotAllowedError
        If nobody is.
    """
    if not current_user.is_authenticated:
        raise NotAllowedError("nobody is signed in")
    return cast(SignedIn, current_user).person


def tablet_by_key() -> Tablet | None:
    """Return the tablet whose key the request carries, unless it is unknown or revoked."""
    given = request.authorization
    if given is None or given.type != "bearer" or not given.token:
        return None
    g.tablet = tablet_of_key(get_session(), given.token)
    return cast("Tablet | None", g.tablet)


def current_tablet() -> Tablet:
    """Return the tablet that the request comes from; its route must be one for tablets only."""
    return cast(Tablet, g.tablet)


def i_may(action: Action | str) -> bool:
    """Say whether somebody is signed in who may do this; for templates to hide what is refused."""
    return bool(current_user.is_authenticated) and may(current_person(), Action(action))


@login_manager.user_loader  # type: ignore[untyped-decorator]  # flask_login has no types
def _load(identity: str) -> SignedIn | None:
    number, _, mark = identity.partition(":")
    person = person_signed_in(get_session(), str(session.get(TOKEN, "")), now=now())
    if person is None or str(person.id) != number:
        return None
    return SignedIn(person) if hmac.compare_digest(mark, stamp(person)) else None


def cookie_name(app: Flask, plain: str) -> str:
    """Return a cookie's name: over HTTPS one that only this host can have set.

    The prefix is RFC 6265bis, section 4.1.3.2: such a cookie has no domain, and came by HTTPS.
    """
    return f"__Host-{plain}" if app.config["SESSION_COOKIE_SECURE"] else plain


def init_app(app: Flask) -> None:
    """Give an app its sign-in sessions, and the templates `me` and `i_may`."""
    app.config.update(
        PERMANENT_SESSION_LIFETIME=LIFETIME,
        SESSION_REFRESH_EACH_REQUEST=False,
        SESSION_COOKIE_NAME=cookie_name(app, "trialog_session"),
        SESSION_COOKIE_HTTPONLY=True,
        SESSION_COOKIE_SAMESITE="Lax",
    )
    login_manager.init_app(app)
    app.jinja_env.globals["i_may"] = i_may

    @app.context_processor
    def _me() -> dict[str, Person | None]:
        return {"me": current_person() if current_user.is_authenticated else None}
