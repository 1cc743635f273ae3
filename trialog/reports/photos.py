"""Photos of failed cycles, as a shift's report shows them."""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, tzinfo

from sqlalchemy import select
from sqlalchemy.orm import Session

from trialog.records.models import Entry, Photo
from trialog.records.words import EntryKind
from trialog.reports import words

MOST_IN_DOCUMENT = 24
"""Photos in one document: it stays small enough to send, and fits a few pages of paper."""


@dataclass(frozen=True)
class FailurePhoto:
    """A photo of a failed cycle.

    `entry`: client id of the failed cycle's line; `person` and `at`: who took it, and when.
    `stored`: whether the photo itself is in these records; a file of lines does not carry it.
    `words`: what it shows, for whoever cannot see it.
    """

    sha256: str
    entry: str
    cycle: int | None
    modes: tuple[str, ...]
    at: datetime
    person: str | None
    stored: bool
    words: str
    caption: str = field(metadata={"omit": True})
    content: bytes | None = field(metadata={"omit": True}, repr=False)

    @property
    def data_uri(self) -> str | None:
        """The photo itself as an address, for documents that need nothing else."""
        if self.content is None:
            return None
        return f"data:image/jpeg;base64,{b64encode(self.content).decode()}"


def photos_of(
    session: Session, standing: Sequence[Entry], zone: tzinfo, *, embed: bool
) -> tuple[FailurePhoto, ...]:
    """Return the photos of a shift's failed cycles, from its lines that stand.

    `embed`: with the bytes of as many as a document shows.
    """
    failed = {entry.client_id: entry for entry in standing if entry.kind is EntryKind.FAILED}
    taken = [
        (entry, failed[entry.target])
        for entry in standing
        if entry.kind is EntryKind.PHOTO and entry.photo and entry.target in failed
    ]
    named = [entry.photo for entry, _ in taken]
    stored = set(session.scalars(select(Photo.sha256).where(Photo.sha256.in_(named))))
    shown = named[:MOST_IN_DOCUMENT] if embed else []
    contents = select(Photo.sha256, Photo.content).where(Photo.sha256.in_(shown))
    content = {sha256: found for sha256, found in session.execute(contents)} if shown else {}
    return tuple(
        _photo(entry, cycle, zone, entry.photo in stored, content.get(entry.photo or ""))
        for entry, cycle in taken
    )


def _photo(
    entry: Entry, cycle: Entry, zone: tzinfo, stored: bool, content: bytes | None
) -> FailurePhoto:
    person = None if entry.person is None else entry.person.name
    modes = tuple(mode.name for mode in cycle.modes)
    number = "" if cycle.cycle_number is None else f" {cycle.cycle_number:,}"
    by = "" if person is None else f" by {person}"
    told = f"cycle{number}" if number else "failed cycle"
    return FailurePhoto(
        sha256=entry.photo or "",
        entry=cycle.client_id,
        cycle=cycle.cycle_number,
        modes=modes,
        at=entry.occurred_at,
        person=person,
        stored=stored,
        words=(
            f"Photo of failed cycle{number}, {words.listed(list(modes))}, taken{by} at "
            f"{words.moment(entry.occurred_at, zone)}"
        ),
        caption=(
            f"{told}, {words.listed(list(modes))}\n{words.moment(entry.occurred_at, zone)}"
            f"{'' if person is None else f', {person}'}"
        ),
        content=content,
    )
