"""Make the reports that are due, and keep them: in transactions of their own, beside everything.

Who claims a due report puts its next try off first, builds from one moment of the records without
holding a lock, and keeps it in a short transaction of its own. Should the process end in between,
the report is still due; whoever makes it a second time keeps nothing a second time.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo

from sqlalchemy import select
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.orm import Session, sessionmaker

from trialog.languages import speaking, t
from trialog.records import kept as records
from trialog.records.database import read_one_moment, unit_of_work
from trialog.records.due import claim, due_now, put_off
from trialog.records.models import Cell, DueReport, KeptReport, Photo, Shift, SignOff, Trial
from trialog.records.words import ReportKind, SignDecision
from trialog.reports import kinds
from trialog.reports.document import Document
from trialog.reports.freezing import freeze, thaw
from trialog.reports.photos import data_uri

AT_ONCE = 50
"""How many due reports are looked up at a time."""

_log = logging.getLogger(__name__)


@dataclass(frozen=True, kw_only=True)
class Keeper:
    """What making reports needs; they are kept in the shop's own language and zone."""

    sessions: sessionmaker[Session]
    zone: tzinfo
    language: str = "en"
    clock: Callable[[], datetime] = lambda: datetime.now(UTC)


def keep_due(
    keeper: Keeper, *, stopped: Callable[[], bool] = lambda: False, most: int | None = None
) -> int:
    """Make and keep what is due, at most so many, else all; return how many were made."""
    count = tried = 0
    while due := _due(keeper):
        for one in due:
            if stopped() or tried == most:
                return count
            tried += 1
            if _claimed(keeper, one):
                count += _try(keeper, one) is not None
    return count


def keep_shift(keeper: Keeper, shift_id: int) -> int | None:
    """Return the id of a shift's kept report, made now if it is due; None where there is none.

    Whoever tells of a closed shift sends the report along, and does not wait for its turn.
    """
    with keeper.sessions() as session:
        due = session.scalar(select(DueReport).where(DueReport.shift_id == shift_id))
        newest = session.scalar(
            select(KeptReport.id)
            .where(KeptReport.shift_id == shift_id)
            .order_by(KeptReport.version.desc())
        )
    return newest if due is None else _try(keeper, due) or newest


def keep_dossiers(keeper: Keeper, trial_id: int) -> None:
    """Make the dossiers that are due of a trial at once, so that they show what was signed.

    What a worker makes seconds later shows the lines that came in between as well.
    """
    with keeper.sessions() as session:
        due = session.scalars(
            select(DueReport)
            .join(SignOff, SignOff.id == DueReport.sign_off_id)
            .where(SignOff.trial_id == trial_id)
        ).all()
    for one in due:
        _try(keeper, one)


def kept_document(session: Session, kept: KeptReport) -> Document:
    """Return a kept report as the document that it was, with its photos in it.

    Raises
    ------
    ConflictError
        If its content was changed behind the application's back.
    """
    return thaw(records.content_of(kept), lambda sha256: _photo(session, sha256))


def _photo(session: Session, sha256: str) -> str:
    content = session.scalar(select(Photo.content).where(Photo.sha256 == sha256))
    return "" if content is None else data_uri(content)


def _due(keeper: Keeper) -> Sequence[DueReport]:
    with keeper.sessions() as session:
        return due_now(session, now=keeper.clock(), most=AT_ONCE)


def _claimed(keeper: Keeper, due: DueReport) -> bool:
    with keeper.sessions() as session, unit_of_work(session):
        return claim(session, due, now=keeper.clock())


def _try(keeper: Keeper, due: DueReport) -> int | None:
    """Make and keep a due report; return its id, None where it could not or need not be made."""
    try:
        return _keep(keeper, due)
    except Exception as error:  # whatever it is, the log goes on and the next report is made
        _log.exception("the report of %s could not be made", records.subject_of(due))
        why = f"{type(error).__name__}: {error}"
    with suppress(SQLAlchemyError), keeper.sessions() as session, unit_of_work(session):
        put_off(session, due, why, now=keeper.clock())
    return None


def _keep(keeper: Keeper, due: DueReport) -> int | None:
    made = _make(keeper, due)
    with keeper.sessions() as session, unit_of_work(session):
        if made is None:
            records.drop_due(session, due)
            return None
        kept = records.keep(session, due, made)
        return None if kept is None else kept.id


def _make(keeper: Keeper, due: DueReport) -> records.Made | None:
    """Build what is due as of one moment; None where its shift was opened again."""
    with keeper.sessions() as session:
        read_one_moment(session)
        if due.shift_id is None:
            return _dossier(keeper, session, session.get_one(SignOff, due.sign_off_id))
        shift = session.get_one(Shift, due.shift_id)
        if shift.closed_at is None:
            return None
        document = _document(keeper, session, ReportKind.SHIFT, shift)
        return _made(session, shift.cell_id, document, document.title)


def _dossier(keeper: Keeper, session: Session, record: SignOff) -> records.Made:
    trial = session.get_one(Trial, record.trial_id)
    document = _document(keeper, session, ReportKind.TRIAL, trial)
    words = {"title": document.title, "person": record.person_name}
    with speaking(keeper.language):
        if record.decision is SignDecision.ACCEPTED:
            title = t("{title}, signed by {person}", **words)
        else:
            title = t("{title}, refused by {person}", **words)
    return _made(session, trial.cell_id, document, title)


def _document(
    keeper: Keeper, session: Session, kind: ReportKind, subject: Shift | Trial
) -> Document:
    return kinds.make(
        session, kind, subject, now=keeper.clock(), zone=keeper.zone, language=keeper.language
    )


def _made(session: Session, cell_id: int, document: Document, title: str) -> records.Made:
    return records.Made(
        cell_id=cell_id,
        title=title,
        sentence=document.sentence,
        language=document.language,
        line=session.get_one(Cell, cell_id).chain_length,
        made_at=document.produced_at,
        content=freeze(document),
    )
