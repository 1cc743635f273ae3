"""Visitors of the app: strangers, and people who are signed in."""

from __future__ import annotations

import re
from datetime import UTC, datetime

import pytest

from trialog.records.words import Role
from trialog.web.identity import SIGNED_IN_AT, SignedIn

TOKEN = re.compile(r'name="csrf_token"[^>]*value="([^"]+)"')


class Visitor:
    """A browser without a screen, that sends the token of the page as a browser would."""

    def __init__(self, app):
        self.client = app.test_client()

    def get(self, path, **options):
        return self.client.get(path, **options)

    def token(self):
        """Return the token of a page that every signed-in person sees."""
        return TOKEN.search(self.client.get("/help").text)[1]

    def post(self, path, data=None, *, page=None, **options):
        """Load a page that holds a form, then send the form."""
        shown = self.client.get(page or path).text
        found = TOKEN.search(shown)
        assert found, f"no form on {page or path}: {shown[-600:]}"
        return self.client.post(path, data={"csrf_token": found[1], **(data or {})}, **options)

    def sign_in(self, person, at=None):
        """Begin a session as the sign-in page does, without the slow PIN check."""
        with self.client.session_transaction() as session:
            session["_user_id"] = SignedIn(person).get_id()
            session["_fresh"] = True
            session[SIGNED_IN_AT] = (at or datetime.now(UTC)).timestamp()
            session.permanent = True
        return self


@pytest.fixture
def stranger(app):
    """Return a visitor who is not signed in."""
    return Visitor(app)


@pytest.fixture
def visitor_as(app, people):
    """Return a maker of visitors by role."""

    def make(role):
        return Visitor(app).sign_in(getattr(people, Role(role).value))

    return make


@pytest.fixture
def operator(visitor_as):
    return visitor_as(Role.OPERATOR)


@pytest.fixture
def engineer(visitor_as):
    return visitor_as(Role.ENGINEER)


@pytest.fixture
def approver(visitor_as):
    return visitor_as(Role.APPROVER)


@pytest.fixture
def admin(visitor_as):
    return visitor_as(Role.ADMIN)
