"""Photos of failed cycles, as a shift's report shows them."""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, tzinfo

from sqlalchemy import select
from sqlalchemy.orm import Session

from trialog.languages import t
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
        return None if self.content is None else data_uri(self.content)


def data_uri(content: bytes) -> str:
    """Return a photo as an address that holds all of it."""
    return f"data:image/jpeg;base64,{b64encode(content).decode()}"


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
    told = {
        "modes": words.listed(modes),
        "moment": words.moment(entry.occurred_at, zone),
        "person": person or "",
    }
    if cycle.cycle_number is None:
        which, failed = t("failed cycle"), t("failed cycle")
    else:
        which = t("cycle {number}", number=cycle.cycle_number)
        failed = t("failed cycle {number}", number=cycle.cycle_number)
    return FailurePhoto(
        sha256=entry.photo or "",
        entry=cycle.client_id,
        cycle=cycle.cycle_number,
        modes=modes,
        at=entry.occurred_at,
        person=person,
        stored=stored,
        words=t("Photo of {cycle}, {modes}, taken at {moment}", cycle=failed, **told)
        if person is None
        else t("Photo of {cycle}, {modes}, taken by {person} at {moment}", cycle=failed, **told),
        caption=(
            f"{which}, {told['modes']}\n{told['moment']}{'' if person is None else f', {person}'}"
        ),
        content=content,
    )
