"""Reads of the people that the pages need."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from trialog.records.models import Person


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
