"""Read the audit: who did what when, narrowed down to what somebody looks for."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from typing import Any

from sqlalchemy import ColumnElement, String, and_, cast, func, or_, select
from sqlalchemy.orm import Session

from trialog.errors import InvalidValueError
from trialog.records.entries import storable
from trialog.records.models import (
    AuditChain,
    AuditEvent,
    Cell,
    Client,
    ClientToken,
    Device,
    FailureMode,
    KeptReport,
    ParkedLine,
    Person,
    Requirement,
    Tablet,
    Trial,
)
from trialog.records.people import find_person

NOBODY = "nobody signed in"
"""Who did it where no person did: the command line, a tablet, or trialog itself."""

CHUNK = 500
FIRST_YEAR = 2000

_NAMES: dict[str, tuple[Any, Any]] = {
    "cell": (Cell, Cell.name),
    "client": (Client, Client.name),
    "token": (ClientToken, ClientToken.hint),
    "device": (Device, Device.name),
    "failure mode": (FailureMode, FailureMode.name),
    "line": (ParkedLine, ParkedLine.client_id),
    "logbook": (Cell, Cell.name),
    "person": (Person, Person.name),
    "report": (KeptReport, KeptReport.title),
    "requirement": (Requirement, Requirement.name),
    "tablet": (Tablet, Tablet.name),
    "trial": (Trial, Trial.name),
}
"""For each subject of an event, where its name stands today."""


@dataclass(frozen=True, kw_only=True)
class AuditFilter:
    """Which events are looked for; what is empty asks for nothing. `person` may be NOBODY."""

    person: str | None = None
    action: str | None = None
    subject: str | None = None
    since: datetime | None = None
    before: datetime | None = None
    text: str | None = None


@dataclass(frozen=True, kw_only=True)
class Told:
    """An event, with the names that go with its numbers."""

    sequence: int
    at: datetime
    person_id: int | None
    person: str
    action: str
    subject: str
    subject_id: int | None
    name: str
    details: dict[str, Any]
    sealed: list[Any]
    previous_hash: str
    hash: str


def days(first: date | None, last: date | None, zone: tzinfo) -> dict[str, datetime | None]:
    """Return the bounds of a filter that takes in whole days of a zone, `first` to `last`.

    Raises
    ------
    InvalidValueError
        If the last day is before the first, or one is out of any shop's time.
    """
    for field, day in (("from", first), ("to", last)):
        if day is not None and not FIRST_YEAR <= day.year < 9999:
            raise InvalidValueError(field, f"be a day between {FIRST_YEAR} and 9998", str(day))
    if first is not None and last is not None and last < first:
        raise InvalidValueError("to", f"not be before the first day, {first}", str(last))
    after = None if last is None else last + timedelta(days=1)
    return {"since": _midnight(first, zone), "before": _midnight(after, zone)}


def _midnight(day: date | None, zone: tzinfo) -> datetime | None:
    return None if day is None else datetime.combine(day, time(), zone).astimezone(UTC)


def count_events(session: Session, which: AuditFilter) -> int:
    """Return how many events a filter lets through.

    Raises
    ------
    UnknownNameError
        If nobody has the name that it asks for.
    """
    return session.scalar(select(func.count()).where(*_conditions(session, which))) or 0


def newest_events(session: Session, which: AuditFilter, *, skip: int = 0, most: int) -> list[Told]:
    """Return a page of events, the newest first."""
    statement = select(AuditEvent).where(*_conditions(session, which))
    statement = statement.order_by(AuditEvent.sequence.desc()).offset(skip).limit(most)
    return _told(session, session.scalars(statement).all())


def events_in_order(session: Session, which: AuditFilter) -> Iterator[Told]:
    """Go through all events that a filter lets through, the oldest first."""
    conditions, last = _conditions(session, which), 0
    while True:
        statement = select(AuditEvent).where(*conditions, AuditEvent.sequence > last)
        chunk = session.scalars(statement.order_by(AuditEvent.sequence).limit(CHUNK)).all()
        if not chunk:
            return
        yield from _told(session, chunk)
        last = chunk[-1].sequence or 0


def known_words(session: Session) -> tuple[list[str], list[str]]:
    """Return the actions and the subjects that the audit tells of."""
    actions, subjects = (
        session.scalars(select(column).distinct().order_by(column)).all()
        for column in (AuditEvent.action, AuditEvent.subject)
    )
    return list(actions), list(subjects)


def chain_end(session: Session) -> tuple[int, str]:
    """Return how many events there are, and the hash of the newest."""
    found = session.execute(select(AuditChain.length, AuditChain.head)).first()
    return (0, "") if found is None else (found.length, found.head)


def event_as_dict(event: Told) -> dict[str, Any]:
    """Return an event as plain data; its hash can be worked out again from it."""
    return {
        "sequence": event.sequence,
        "at": event.at.isoformat(timespec="microseconds"),
        "person_id": event.person_id,
        "person": event.person,
        "action": event.action,
        "subject": event.subject,
        "subject_id": event.subject_id,
        "name": event.name,
        "details": event.details,
        "sealed": event.sealed,
        "previous_hash": event.previous_hash,
        "hash": event.hash,
    }


def _conditions(session: Session, which: AuditFilter) -> list[ColumnElement[bool]]:
    conditions: list[ColumnElement[bool]] = [AuditEvent.sequence.is_not(None)]
    if which.person == NOBODY:
        conditions.append(AuditEvent.person_id.is_(None))
    elif which.person:
        conditions.append(AuditEvent.person_id == find_person(session, which.person).id)
    if which.action:
        conditions.append(AuditEvent.action == _stored(which.action))
    if which.subject:
        conditions.append(AuditEvent.subject == _stored(which.subject))
    if which.since is not None:
        conditions.append(AuditEvent.at >= which.since)
    if which.before is not None:
        conditions.append(AuditEvent.at < which.before)
    if which.text and which.text.strip():
        conditions.append(_holds(_stored(which.text.strip())))
    return conditions


def _stored(text: str) -> str:
    """Return a text that a database can be asked for; one that none can hold finds nothing."""
    return text if storable(text) else "\N{REPLACEMENT CHARACTER}"


def _holds(text: str) -> ColumnElement[bool]:
    """Look for a text in the details, whose JSON writes it its own way, and in today's names."""
    escaped = json.dumps(text)[1:-1]
    details = cast(AuditEvent.details, String)
    named = [
        and_(
            AuditEvent.subject == subject,
            AuditEvent.subject_id.in_(
                select(table.id).where(name.icontains(text, autoescape=True))
            ),
        )
        for subject, (table, name) in _NAMES.items()
    ]
    return or_(
        details.icontains(escaped, autoescape=True),
        AuditEvent.action.icontains(text, autoescape=True),
        AuditEvent.subject.icontains(text, autoescape=True),
        *named,
    )


def _told(session: Session, events: Sequence[AuditEvent]) -> list[Told]:
    people = _names(session, "person", {event.person_id for event in events})
    names = {
        subject: _names(
            session, subject, {event.subject_id for event in events if event.subject == subject}
        )
        for subject in _NAMES
    }
    return [
        Told(
            sequence=event.sequence or 0,
            at=event.at,
            person_id=event.person_id,
            person=people.get(event.person_id, NOBODY),
            action=event.action,
            subject=event.subject,
            subject_id=event.subject_id,
            name=names.get(event.subject, {}).get(event.subject_id, ""),
            details=event.details,
            sealed=event.sealed,
            previous_hash=event.previous_hash,
            hash=event.hash,
        )
        for event in events
    ]


def _names(session: Session, subject: str, ids: set[int | None]) -> dict[int | None, str]:
    table, name = _NAMES[subject]
    wanted = [one for one in ids if one is not None]
    if not wanted:
        return {}
    found = session.execute(select(table.id, name).where(table.id.in_(wanted)))
    return {number: str(text) for number, text in found}
