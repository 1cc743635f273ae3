"""Recompute everything derived from the logbook, and say where the records differ."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from operator import itemgetter
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from trialog.records.audit import IMPORTED
from trialog.records.chain import PROTECTED, document_hash, entry_hash
from trialog.records.models import AuditEvent, Cell, Entry, Photo, Revision, Shift, SignOff
from trialog.records.rollups import CellLayout, Row, roll_up, stored_rows
from trialog.records.shiftlog import modes_by_entry, read_log
from trialog.records.words import EntryKind


@dataclass(frozen=True)
class Difference:
    """Something in the records that does not follow from the logbook."""

    where: str
    what: str


def verify(session: Session) -> list[Difference]:
    """Recompute hashes, shifts, revisions, rollups and photos; list every difference.

    An empty list means that the records are what the logbook says, and that no line of it
    was changed, removed or reordered behind the application's back.
    """
    found: list[Difference] = []
    for cell in session.scalars(select(Cell).order_by(Cell.id)):
        found += _verify_chain(session, cell)
        found += _verify_revisions(session, cell)
        found += _verify_shifts(session, cell)
        found += _verify_photos_named(session, cell)
    return [*found, *_verify_photos(session), *_verify_sign_offs(session)]


def _verify_chain(session: Session, cell: Cell) -> Iterator[Difference]:
    where = f"cell {cell.name!r}, logbook"
    modes = modes_by_entry(session, Entry.cell_id == cell.id)
    columns = [getattr(Entry, name) for name in PROTECTED if name != "mode_ids"]
    statement = (
        select(Entry.id, Entry.previous_hash, Entry.hash, *columns)
        .where(Entry.cell_id == cell.id)
        .order_by(Entry.sequence)
    )
    expected, previous = 1, ""
    for row in session.execute(statement).mappings():
        facts = dict(row) | {"mode_ids": modes.get(row["id"], [])}
        if row["sequence"] != expected:
            yield Difference(where, f"line {expected} is missing (next is {row['sequence']})")
        elif row["previous_hash"] != previous:
            yield Difference(where, f"line {row['sequence']} does not follow the line before it")
        if entry_hash(row["previous_hash"], facts) != row["hash"]:
            yield Difference(
                where,
                f"line {row['sequence']} ({row['client_id']}) was changed after it was written",
            )
        expected, previous = row["sequence"] + 1, row["hash"]
    if (expected - 1, previous) != (cell.chain_length, cell.chain_head):
        yield Difference(
            where, f"ends at line {expected - 1}, but {cell.chain_length} lines were written"
        )


def _verify_revisions(session: Session, cell: Cell) -> Iterator[Difference]:
    undone = set(
        session.scalars(
            select(Entry.target).where(Entry.cell_id == cell.id, Entry.kind == EntryKind.UNDO)
        )
    )
    entries = session.scalars(
        select(Entry).where(Entry.cell_id == cell.id, Entry.kind == EntryKind.REVISION)
    )
    expected = {
        entry.id: (
            entry.device_id, entry.occurred_at, entry.text, entry.resets_evidence,
            entry.reason, entry.client_id in undone,
        )
        for entry in entries
    }  # fmt: skip
    stored = {
        revision.entry_id: (
            revision.device_id, revision.effective_at, revision.what, revision.resets_evidence,
            revision.reason, revision.withdrawn,
        )
        for revision in session.scalars(
            select(Revision).where(Revision.cell_id == cell.id, Revision.entry_id.is_not(None))
        )
    }  # fmt: skip
    for entry_id in sorted(
        (key for key in expected.keys() | stored.keys() if key is not None), key=int
    ):
        if expected.get(entry_id) != stored.get(entry_id):
            yield Difference(
                f"cell {cell.name!r}, revisions",
                f"revision of entry {entry_id} is {stored.get(entry_id)}, "
                f"the logbook says {expected.get(entry_id)}",
            )


def _verify_shifts(session: Session, cell: Cell) -> Iterator[Difference]:
    layout = CellLayout.of(session, cell)
    opened = _openings(session, cell)
    for shift in session.scalars(select(Shift).where(Shift.cell_id == cell.id).order_by(Shift.id)):
        where = f"cell {cell.name!r}, shift {shift.label!r}"
        log = read_log(session, shift, cell)
        if not log.lines:
            yield Difference(where, "has no lines in the logbook")
            continue
        facts = asdict(log.facts()) | opened.get(shift.id, {})
        for name, said in facts.items():
            if getattr(shift, name) != said:
                yield Difference(
                    where, f"{name} is {getattr(shift, name)}, the logbook says {said}"
                )
        stored = stored_rows(session, shift.id)
        for table, rows in roll_up(shift.id, log, layout).rows().items():
            for what in _row_differences(stored[table], rows):
                yield Difference(f"{where}, {table.__tablename__}", what)


def _openings(session: Session, cell: Cell) -> dict[int, Row]:
    """Return what the lines that opened a cell's shifts say of label and stage, by shift."""
    statement = select(Entry.shift_id, Entry.opened_as.label("label"), Entry.stage).where(
        Entry.cell_id == cell.id, Entry.kind == EntryKind.SHIFT_OPENED
    )
    rows = [dict(row) for row in session.execute(statement).mappings()]
    return {row.pop("shift_id"): row for row in rows}


def _row_differences(stored: list[Row], expected: list[Row]) -> Iterator[str]:
    def key(row: Row) -> tuple[Any, ...]:
        return tuple(sorted((name, repr(value)) for name, value in row.items()))

    stored_keys, expected_keys = {key(row) for row in stored}, {key(row) for row in expected}
    for row in sorted(stored_keys - expected_keys, key=itemgetter(0)):
        yield f"holds {dict(row)}, which the logbook does not say"
    for row in sorted(expected_keys - stored_keys, key=itemgetter(0)):
        yield f"lacks {dict(row)}, which the logbook says"


def _verify_photos_named(session: Session, cell: Cell) -> Iterator[Difference]:
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


def _verify_photos(session: Session) -> Iterator[Difference]:
    """Hash each stored photo's bytes again, one photo in memory at a time."""
    for sha256 in session.scalars(select(Photo.sha256).order_by(Photo.sha256)).all():
        content = session.scalar(select(Photo.content).where(Photo.sha256 == sha256))
        found = hashlib.sha256(content or b"").hexdigest()
        if found != sha256:
            yield Difference(f"photo {sha256}", f"its bytes were changed: their hash is {found}")


def _verify_sign_offs(session: Session) -> Iterator[Difference]:
    for signed in session.scalars(select(SignOff).order_by(SignOff.id)):
        where = f"sign-off {signed.id} by {signed.person_name!r}"
        if document_hash(signed.document) != signed.document_hash:
            yield Difference(where, "its document was changed after it was signed")
        cell_id = signed.document["cell_id"]
        line = session.scalar(
            select(Entry.hash).where(
                Entry.cell_id == cell_id, Entry.sequence == signed.chain_length
            )
        )
        if (line or "") != signed.chain_head:
            yield Difference(where, "the logbook no longer holds what it was signed on")
