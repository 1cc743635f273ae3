"""Files that people look at before importing them: one for each person, kept for a day."""

from __future__ import annotations

from datetime import datetime, timedelta

from sqlalchemy import delete, or_, select
from sqlalchemy.orm import Session

from trialog.errors import InvalidValueError
from trialog.records.base import NAME_LIMIT
from trialog.records.models import ImportDraft, Person, Trial

KEPT = timedelta(days=1)


def keep_draft(
    session: Session,
    trial: Trial,
    filename: str,
    content: bytes,
    *,
    actor: Person,
    now: datetime,
) -> ImportDraft:
    """Keep a file until it is imported. The person's last one and old ones of others go.

    Raises
    ------
    InvalidValueError
        If the file is empty.
    """
    if not content:
        raise InvalidValueError("file", "hold something", filename)
    session.execute(
        delete(ImportDraft).where(
            or_(ImportDraft.person_id == actor.id, ImportDraft.created_at < now - KEPT)
        )
    )
    draft = ImportDraft(
        trial_id=trial.id,
        person_id=actor.id,
        filename=_shown(filename),
        content=content,
        created_at=now,
    )
    session.add(draft)
    session.flush()
    return draft


def _shown(filename: str) -> str:
    """Return a file's name, printable and short enough to keep."""
    printable = "".join(sign for sign in filename if sign.isprintable()).strip()
    return printable[-NAME_LIMIT:] or "file"


def find_draft(session: Session, trial: Trial, person: Person) -> ImportDraft | None:
    """Return the file that a person is looking at for a trial."""
    return session.scalar(
        select(ImportDraft).where(
            ImportDraft.trial_id == trial.id, ImportDraft.person_id == person.id
        )
    )


def drop_drafts(session: Session, person: Person) -> None:
    """Let go of what a person was looking at."""
    session.execute(delete(ImportDraft).where(ImportDraft.person_id == person.id))
