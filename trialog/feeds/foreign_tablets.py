"""Tablets that a file names and these records do not know.

A logbook that comes from elsewhere says which tablet wrote a line. Such a tablet becomes one of
these records too, so that its lines can say so, but it is revoked from the start and its key is
nobody's.
"""

from __future__ import annotations

import secrets
from collections.abc import Collection, Mapping, Sequence
from datetime import datetime

from sqlalchemy.orm import Session

from trialog.feeds.names import Names
from trialog.records.audit import record_event
from trialog.records.entries import NewEntry
from trialog.records.models import Person, Tablet

KEY_BYTES = 32


def enter_tablets(
    session: Session,
    names: Names,
    entries: Sequence[NewEntry],
    *,
    now: datetime,
) -> tuple[list[NewEntry], dict[int, Tablet]]:
    """Add the unknown tablets that some lines name, and return the lines with their numbers.

    The added tablets come back by their numbers in the records.
    """
    named = {entry.tablet_id for entry in entries}
    added = {
        stand_in: _add(session, name, now)
        for name, stand_in in names.new_tablets.items()
        if stand_in in named
    }
    numbers = names.entered_tablets | {stand_in: tablet.id for stand_in, tablet in added.items()}
    lines = [
        entry._replace(tablet_id=numbers[entry.tablet_id]) if entry.tablet_id in numbers else entry
        for entry in entries
    ]
    return lines, {tablet.id: tablet for tablet in added.values()}


def _add(session: Session, name: str, now: datetime) -> Tablet:
    tablet = Tablet(
        name=name,
        # No key has this for its hash: nobody will ever log with it.
        key_hash=secrets.token_hex(KEY_BYTES),
        enrolled_at=now,
        revoked_at=now,
    )
    session.add(tablet)
    session.flush()
    return tablet


def keep_those_that_wrote(
    session: Session,
    tablets: Mapping[int, Tablet],
    lines: Sequence[NewEntry],
    added: Collection[str],
    *,
    actor: Person | None,
    now: datetime,
) -> dict[str, int]:
    """Remove tablets none of whose lines were added, and return the others' numbers by name."""
    if not tablets:
        return {}
    wrote = {line.tablet_id for line in lines if line.client_id in added}
    kept = {}
    for number, tablet in tablets.items():
        if number not in wrote:
            session.delete(tablet)
            continue
        kept[tablet.name] = number
        record_event(
            session, "imported", "tablet", number, actor=actor, now=now, name=tablet.name
        )  # fmt: skip
    session.flush()
    return kept
