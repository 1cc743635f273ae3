"""Visitors of the app: strangers, and people who are signed in."""

from __future__ import annotations

import pytest
from support.visiting import Visitor

from trialog.records.words import Role


@pytest.fixture
def stranger(app):
    """Return a visitor who is not signed in."""
    return Visitor(app)


@pytest.fixture
def visitor_as(app, session, people):
    """Return a maker of visitors by role."""

    def make(role):
        visitor = Visitor(app).sign_in(getattr(people, Role(role).value))
        session.rollback()  # what it read before is old now, and SQLite writes nothing on top of it
        return visitor

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
