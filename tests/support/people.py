"""The people of the tests, each with a known PIN."""

from __future__ import annotations

from dataclasses import dataclass

import pytest
from sqlalchemy import select
from support.hashing import QUICK

from trialog.records.models import Person
from trialog.records.words import Role

PINS = {
    Role.OPERATOR: "1111",
    Role.ENGINEER: "2222",
    Role.APPROVER: "3333",
    Role.ADMIN: "4444",
}
NAMES = {
    Role.OPERATOR: "Olga Operator",
    Role.ENGINEER: "Emil Engineer",
    Role.APPROVER: "Anna Approver",
    Role.ADMIN: "Adam Admin",
}


@dataclass(frozen=True)
class People:
    """One person for each role; `pin` tells the PIN of each."""

    operator: Person
    engineer: Person
    approver: Person
    admin: Person

    @staticmethod
    def pin(person):
        return PINS[person.role]


@pytest.fixture(scope="session")
def pin_hashes():
    """Hash each PIN once."""
    return {role: QUICK.hash(pin) for role, pin in PINS.items()}


def add_people(session, pin_hashes, now):
    """Add a person for each role, and return them by role. Does not commit."""
    made = {role: _person(role, pin_hashes[role], now) for role in Role}
    session.add_all(made.values())
    return made


@pytest.fixture
def people(session, now, pin_hashes):
    """Return an operator, an engineer, an approver and an admin, committed to the database."""
    made = {person.role: person for person in session.scalars(select(Person))}
    made = made or add_people(session, pin_hashes, now)  # a test's own database is empty
    session.commit()
    return People(**{role.value: person for role, person in made.items()})


def _person(role, pin_hash, now):
    return Person(
        name=NAMES[role],
        role=role,
        pin_hash=pin_hash,
        active=True,
        created_at=now,
    )
