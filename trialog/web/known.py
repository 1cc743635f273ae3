"""Browsers that somebody has signed in from before: wrong PINs typed elsewhere do not lock them.

A cookie holds a mark for each person who has signed in here, fresh at each sign-in and signed. It
lets nobody in: it only says which place a PIN was typed at (`records.pins`). A new PIN ends it.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from datetime import timedelta

from flask import current_app, request
from itsdangerous import BadSignature, URLSafeSerializer
from werkzeug.wrappers import Response

from trialog.records.models import Person
from trialog.records.pins import ANYWHERE_ELSE, browser_place
from trialog.web.identity import cookie_name

NAME = "trialog_known"
LASTS = timedelta(days=400)
"""As long as browsers keep a cookie at most (RFC 6265bis, section 5.5)."""

MOST_PEOPLE = 60
"""More marks than this would not fit into one cookie of 4 kB; the oldest give way."""


def place_of(person: Person | None) -> str:
    """Return the place that this browser is for a person who types a PIN."""
    if person is None:
        return ANYWHERE_ELSE
    mark, _, bound = _marks().get(str(person.id), "").partition(".")
    if not mark or not hmac.compare_digest(bound, _bound_to(person)):
        return ANYWHERE_ELSE
    return browser_place(mark)


def remember(response: Response, person: Person) -> None:
    """Let an answer tell the browser that a person has signed in from it."""
    marks = {key: mark for key, mark in _marks().items() if key != str(person.id)}
    # A fresh mark: whoever put an older one here does not share this place with its owner.
    marks[str(person.id)] = f"{secrets.token_urlsafe(12)}.{_bound_to(person)}"
    newest = dict(list(marks.items())[-MOST_PEOPLE:])
    response.set_cookie(
        cookie_name(current_app, NAME), _signer().dumps(newest), max_age=LASTS, httponly=True,
        secure=current_app.config["SESSION_COOKIE_SECURE"], samesite="Lax",
    )  # fmt: skip


def _marks() -> dict[str, str]:
    try:
        marks = _signer().loads(request.cookies.get(cookie_name(current_app, NAME), ""))
    except BadSignature:
        return {}
    return marks if isinstance(marks, dict) else {}


def _bound_to(person: Person) -> str:
    """Return what changes with the PIN, and does not tell it."""
    return hashlib.sha256(f"known\n{person.pin_hash}".encode()).hexdigest()[:10]


def _signer() -> URLSafeSerializer:
    return URLSafeSerializer(str(current_app.secret_key), salt="trialog known browser")
