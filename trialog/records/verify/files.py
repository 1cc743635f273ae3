"""Whether the photos and files that lines name are there, with the bytes they had."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator

from sqlalchemy import select
from sqlalchemy.orm import Session

from trialog.records.audit import IMPORTED
from trialog.records.models import AuditEvent, Cell, Entry, Photo
from trialog.records.verify.difference import Difference
from trialog.records.words import EntryKind


def verify_photos_named(session: Session, cell: Cell) -> Iterator[Difference]:
    """Look for the photos that standing lines name.

    A file of lines holds no photos, so those of lines that came from one are not missed.
    """
    undone = select(Entry.target).where(Entry.cell_id == cell.id, Entry.kind == EntryKind.UNDO)
    named = (
        select(Entry.sequence, Entry.photo)
        .outerjoin(Photo, Photo.sha256 == Entry.photo)
        .where(
            Entry.cell_id == cell.id,
            Entry.photo.is_not(None),
            Photo.sha256.is_(None),
            Entry.client_id.not_in(undone.where(Entry.target.is_not(None))),
        )
        .order_by(Entry.sequence)
    )
    missing = session.execute(named).all()
    imported = _imported_lines(session, cell) if missing else []
    for sequence, sha256 in missing:
        if not any(sequence in lines for lines in imported):
            yield Difference(
                f"cell {cell.name!r}, photos",
                f"the photo {sha256} that line {sequence} names is not in the records",
            )


def _imported_lines(session: Session, cell: Cell) -> list[range]:
    events = session.scalars(
        select(AuditEvent.details).where(
            AuditEvent.action == IMPORTED,
            AuditEvent.subject == "logbook",
            AuditEvent.subject_id == cell.id,
        )
    )
    return [range(event["first"], event["last"] + 1) for event in events]


def verify_photos(session: Session) -> Iterator[Difference]:
    """Hash each stored photo's bytes again, one photo in memory at a time."""
    for sha256 in session.scalars(select(Photo.sha256).order_by(Photo.sha256)).all():
        content = session.scalar(select(Photo.content).where(Photo.sha256 == sha256))
        found = hashlib.sha256(content or b"").hexdigest()
        if found != sha256:
            yield Difference(f"photo {sha256}", f"its bytes were changed: their hash is {found}")
