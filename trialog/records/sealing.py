"""Seal what a transaction wrote, and chain its audit events, as it ends.

It works by itself for every row that the ORM writes, so that no service can forget it. Statements
that write many rows at once go past it: they are not for sealed tables.
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import event, inspect, select
from sqlalchemy.orm import Session, SessionTransaction

from trialog.errors import ConflictError
from trialog.records.base import Base
from trialog.records.chain import event_hash
from trialog.records.models import AuditChain, AuditEvent
from trialog.records.seals import SEALED, Place, sealed_columns, seals_of

TOUCHED = "trialog_touched"
UNCHAINED = "trialog_unchained"
SEALED_ROWS = "sealed rows"
"""Action of the event that only holds seals, where nobody said why rows were written."""


def watch_sessions() -> None:
    """Seal and chain in every session of this process from now on."""
    for name, heed in (
        ("before_flush", _note_changes),
        ("after_flush", _note_new),
        ("before_commit", _seal_and_chain),
        ("after_transaction_end", _forget),
    ):
        if not event.contains(Session, name, heed):
            event.listen(Session, name, heed)


def _note_changes(session: Session, _context: Any, _instances: Any) -> None:
    """Take the seals of rows that are about to change, as the database has them.

    They must be the newest that the audit holds; where one is not, somebody changed the row
    behind the application's back, and saving it again must not hide that.
    """
    touched = _touched(session)
    about: dict[str, list[int | str]] = defaultdict(list)
    for row in (*session.dirty, *session.deleted):
        place = _place(row)
        if place is not None and place not in touched and _bears_on_seal(session, row, place):
            about[place.table].append(place.key)
    for table, keys in about.items():
        # Locked as the change itself will lock them: nobody changes them in between.
        seals = seals_of(session.connection(), table, keys, lock=True)
        touched |= {Place(table, key): seals.get(key) for key in keys}


def _bears_on_seal(session: Session, row: Any, place: Place) -> bool:
    if row in session.deleted:
        return True
    attributes = inspect(row).attrs
    return any(attributes[name].history.has_changes() for name in sealed_columns(place.table))


def _note_new(session: Session, _context: Any) -> None:
    touched = _touched(session)
    for row in session.new:
        place = _place(row)
        if place is not None:
            touched.setdefault(place, None)
        elif isinstance(row, AuditEvent):
            session.info[UNCHAINED] = True


def _touched(session: Session) -> dict[Place, str | None]:
    """Return the rows that the transaction wrote, each with its seal before, if it was there."""
    found: dict[Place, str | None] = session.info.setdefault(TOUCHED, {})
    return found


def _place(row: Any) -> Place | None:
    """Return where a row stands if it is one that is sealed."""
    if not isinstance(row, Base) or row.__tablename__ not in SEALED:
        return None
    (column,) = row.__table__.primary_key
    return Place(row.__tablename__, getattr(row, column.name))


def _forget(session: Session, transaction: SessionTransaction) -> None:
    if transaction.parent is None:
        session.info.pop(TOUCHED, None)
        session.info.pop(UNCHAINED, None)


def _seal_and_chain(session: Session) -> None:
    """Write the transaction's seals into its last event, then chain its events.

    The chain's row is locked when everything else is written: whoever waits for it holds nothing
    that its holder could still need.
    """
    if session.in_nested_transaction():
        return
    session.flush()
    sealed = _seals_that_changed(session)
    if not sealed and not session.info.get(UNCHAINED):
        return
    events = _unchained(session)
    if sealed and not events:
        events = [_nameless_event()]
        session.add(events[0])
        session.flush()
    if not events:
        return  # they were taken back with a savepoint
    events[-1].sealed = sealed
    chain = _locked_chain(session)
    for one in events:
        _append(chain, one)
    session.flush()


def _seals_that_changed(session: Session) -> list[list[str | None]]:
    touched = _touched(session)
    by_table: dict[str, list[int | str]] = defaultdict(list)
    for place in touched:
        by_table[place.table].append(place.key)
    return [
        [table, str(key), touched[Place(table, key)], after.get(key)]
        for table, keys in sorted(by_table.items())
        for after in [seals_of(session.connection(), table, keys)]
        for key in _in_order(keys)
        if touched[Place(table, key)] != after.get(key)
    ]


def _in_order(keys: Iterable[int | str]) -> list[int | str]:
    return sorted(keys, key=lambda key: (str(type(key)), key))


def _unchained(session: Session) -> list[AuditEvent]:
    """Return the transaction's own events: those of others are chained before anybody sees them."""
    statement = select(AuditEvent).where(AuditEvent.sequence.is_(None)).order_by(AuditEvent.id)
    return list(session.scalars(statement))


def _nameless_event() -> AuditEvent:
    # No service was there to hand over the time.
    now = datetime.now(UTC)
    return AuditEvent(at=now, action=SEALED_ROWS, subject="records", details={})


def _locked_chain(session: Session) -> AuditChain:
    statement = select(AuditChain).where(AuditChain.id == 1).with_for_update()
    chain = session.scalar(statement.execution_options(populate_existing=True))
    if chain is None:
        raise ConflictError(
            "the row that holds the end of the audit is gone, so nothing can be written; "
            "somebody removed it behind the application's back"
        )
    return chain


def _append(chain: AuditChain, one: AuditEvent) -> None:
    one.details = json.loads(json.dumps(one.details))  # as they will be read
    one.sequence, one.previous_hash = chain.length + 1, chain.head
    facts = {
        "sequence": one.sequence, "at": one.at, "person_id": one.person_id, "action": one.action,
        "subject": one.subject, "subject_id": one.subject_id, "details": one.details,
        "sealed": one.sealed,
    }  # fmt: skip
    one.hash = event_hash(one.previous_hash, facts)
    chain.length, chain.head = one.sequence, one.hash
