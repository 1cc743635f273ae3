"""Whether a tablet's line was tapped before its tablet heard that the shift was closed."""

from __future__ import annotations

from sqlalchemy import select
from sqlalchemy.orm import Session

from trialog.records.entries import NewEntry
from trialog.records.models import Entry
from trialog.records.words import EntryKind


def tapped_before(session: Session, entry: NewEntry, closing: Entry) -> bool:
    """Say whether a tablet's line was tapped before its tablet heard of the shift's closing.

    A tablet says up to which line it had heard of the logbook; one that had heard of no shift says
    nothing. It can only have opened the shift itself then, out of reach of the server.
    """
    if entry.seen is not None:
        return entry.seen < closing.sequence
    if entry.tablet_id is None or entry.tablet_id == closing.tablet_id:
        return False
    opened_it = select(Entry.id).where(
        Entry.shift_id == closing.shift_id,
        Entry.kind == EntryKind.SHIFT_OPENED,
        Entry.tablet_id == entry.tablet_id,
    )
    return session.scalar(opened_it.limit(1)) is not None
