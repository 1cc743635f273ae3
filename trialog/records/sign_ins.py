"""Who is signed in: a session lives as long as its row, whoever has a copy of its cookie."""

from __future__ import annotations

import secrets
from datetime import datetime, timedelta

from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from trialog.records.models import Person, SignIn
from trialog.records.secret_hashes import hash_of

LIFETIME = timedelta(hours=12)
"""How long a sign-in lasts: longer than any shift; common practice, no source."""

TOKEN_BYTES = 32


def begin_sign_in(session: Session, person: Person, *, now: datetime) -> str:
    """Begin a session of somebody's and return its secret, of which only the hash is kept.

    Sessions of anybody's that are too old by now are cleared away.
    """
    session.execute(delete(SignIn).where(SignIn.begun_at < now - LIFETIME))
    token = secrets.token_urlsafe(TOKEN_BYTES)
    session.add(SignIn(token_hash=hash_of(token), person_id=person.id, begun_at=now))
    return token


def person_signed_in(session: Session, token: str, *, now: datetime) -> Person | None:
    """Return whose session this is, unless it has ended or they may not sign in any longer."""
    known = select(Person).join(SignIn, SignIn.person_id == Person.id)
    known = known.where(SignIn.token_hash == hash_of(token), SignIn.begun_at >= now - LIFETIME)
    return session.scalar(known.where(Person.active))


def end_sign_in(session: Session, token: str) -> None:
    """End a session, in every browser that has its cookie."""
    session.execute(delete(SignIn).where(SignIn.token_hash == hash_of(token)))


def end_sign_ins(session: Session, person: Person) -> None:
    """End all sessions of a person."""
    session.execute(delete(SignIn).where(SignIn.person_id == person.id))
