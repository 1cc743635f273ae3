"""Who did what when, written in the transaction that did it."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from trialog.records.models import AuditEvent, Person

IMPORTED = "imported"
"""Action of the event that says which lines of a logbook came from a file, `first` to `last`."""


def record_event(
    session: Session,
    action: str,
    subject: str,
    subject_id: int | None,
    *,
    actor: Person | None,
    now: datetime,
    **details: object,
) -> None:
    """Add an audit event to the session's transaction. `actor` empty: the command line."""
    session.add(
        AuditEvent(
            at=now,
            person_id=None if actor is None else actor.id,
            action=action,
            subject=subject,
            subject_id=subject_id,
            details=details,
        )
    )


_BESIDES = ("logbook", "notice", "report")
"""Subjects of events that only say what the logbook's own chain says, or that come after it."""


def last_set_up(session: Session) -> str:
    """Return the hash of the newest event that is not of the logbook; empty where there is none.

    Together with the head of a cell's logbook it tells whether anything has changed that its
    trials rest on.
    """
    statement = (
        select(AuditEvent.hash)
        .where(AuditEvent.subject.not_in(_BESIDES), AuditEvent.action != "noted verdict")
        .order_by(AuditEvent.sequence.desc())
        .limit(1)
    )
    return session.scalar(statement) or ""
