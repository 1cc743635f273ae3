"""What the logbook holds when a test looks into it."""

from __future__ import annotations

from sqlalchemy import select

from trialog.records.models import Entry, Shift

CYCLES = ("good", "failed")


def logbook(session, *kinds):
    """Return the lines of some kinds, or all, in order; undone ones too."""
    session.rollback()  # what was read before is old by now
    statement = select(Entry).order_by(Entry.sequence)
    if kinds:
        statement = statement.where(Entry.kind.in_(kinds))
    return session.scalars(statement).all()


def kinds_of(session, *kinds):
    return [str(entry.kind) for entry in logbook(session, *kinds)]


def only_shift(session):
    """Return the one shift that there is."""
    session.rollback()
    return session.scalars(select(Shift)).one()
