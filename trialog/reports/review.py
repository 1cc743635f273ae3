"""The queue of failures to rule on: which of them are looked for, and what is seen of each."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import tzinfo

from sqlalchemy import select
from sqlalchemy.orm import Session, selectinload

from trialog.records.chain import document_hash
from trialog.records.models import Entry
from trialog.records.queries import undone_ids
from trialog.records.words import EntryKind
from trialog.reports import words
from trialog.reports.failures import FailureLine, Ruling
from trialog.reports.photos import FailurePhoto, photos_of

NOBODY = "nobody"
"""How failures are looked for that nobody put their name to."""


@dataclass(frozen=True)
class Wanted:
    """Which failures are looked for; what is empty is not asked."""

    mode_id: int | None = None
    shift_id: int | None = None
    person: str = ""
    ruling: Ruling | None = None

    def takes(self, line: FailureLine) -> bool:
        """Say whether a failure is one of those."""
        return (
            self.mode_id in (None, line.mode_id)
            and self.shift_id in (None, line.shift_id)
            and self.person in ("", line.person or NOBODY)
            and self.ruling in (None, line.ruling)
        )


def queue(lines: Iterable[FailureLine], wanted: Wanted) -> list[FailureLine]:
    """Return the failures that are looked for: those nobody ruled on first."""
    taken = [line for line in lines if wanted.takes(line)]
    return sorted(taken, key=lambda line: line.ruling is not Ruling.UNRULED)


def photos_by_entry(
    session: Session, cell_id: int, lines: Sequence[FailureLine], zone: tzinfo
) -> dict[str, list[FailurePhoto]]:
    """Return the photos of failed cycles, by the client id of the cycle's line."""
    ids = [line.entry for line in lines]
    found = session.scalars(
        select(Entry)
        .where(
            Entry.cell_id == cell_id,
            Entry.client_id.in_(ids) | ((Entry.kind == EntryKind.PHOTO) & Entry.target.in_(ids)),
        )
        .order_by(Entry.sequence)
        .options(selectinload(Entry.modes), selectinload(Entry.person))
    ).all()
    undone = undone_ids(session, cell_id)
    standing = [entry for entry in found if entry.client_id not in undone]
    photos: dict[str, list[FailurePhoto]] = {}
    for photo in photos_of(session, standing, zone, embed=False):
        photos.setdefault(photo.entry, []).append(photo)
    return photos


def of_what(lines: Sequence[FailureLine]) -> str:
    """Say which failure modes and which states of the device some failures are of."""
    modes = Counter(line.mode for line in lines)
    states = {line.revision_id: line.revision for line in lines}
    told = words.listed([f"{mode} ({number:,})" for mode, number in modes.most_common()])
    under = words.listed([f"“{state}”" for state in states.values()])
    return f"{told}, since {under}"


def is_mixed(lines: Sequence[FailureLine]) -> bool:
    """Say whether failures are of more than one mode, or of more than one state of the device."""
    return (
        len({line.mode_id for line in lines}) > 1 or len({line.revision_id for line in lines}) > 1
    )


def fingerprint(lines: Iterable[FailureLine]) -> str:
    """Return what tells whether failures and their rulings are still those that were looked at."""
    return document_hash(
        sorted((line.entry, line.mode_id, line.ruling_entry or "") for line in lines)
    )
