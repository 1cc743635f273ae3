"""Reads of the people that the pages need."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from logging import WARNING

from sqlalchemy import select
from sqlalchemy.orm import Session

from trialog.records.models import Person
from trialog.web.journal.events import note_event


def active_people(session: Session) -> Sequence[Person]:
    """Return everybody who may sign in, by name."""
    return session.scalars(select(Person).where(Person.active).order_by(Person.name)).all()


def all_people(session: Session) -> Sequence[Person]:
    """Return everybody, by name, those who may no longer sign in last."""
    return session.scalars(select(Person).order_by(Person.active.desc(), Person.name)).all()


def is_locked(session: Session, name: str, *, now: datetime) -> bool:
    """Say whether a name is locked after too many wrong tries."""
    until = session.scalar(select(Person.locked_until).where(Person.name == name))
    return until is not None and now < until


def note_refused(session: Session, name: str, *, locked: bool) -> None:
    """Note a sign-in that was refused in the server's log: whose, if the name is anybody's."""
    number = session.scalar(select(Person.id).where(Person.name == name))
    why = "locked" if locked else "wrong PIN"
    note_event("sign-in refused", level=WARNING, person=number, why=why)
