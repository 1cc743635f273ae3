"""Kept reports: written once each, listed, found, and never changed."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Select, func, select
from sqlalchemy.orm import Session, aliased

from trialog.errors import ConflictError, UnknownNameError, cut
from trialog.records.audit import record_event
from trialog.records.base import LARGEST_ID, TEXT_LIMIT
from trialog.records.models import Cell, DueReport, KeptReport, Shift, SignOff
from trialog.records.words import ReportKind


@dataclass(frozen=True, kw_only=True)
class Made:
    """A report that was made and is to be kept; `line`: the length of the logbook it rests on."""

    cell_id: int
    title: str
    sentence: str
    language: str
    line: int
    made_at: datetime
    content: bytes


@dataclass(frozen=True, kw_only=True)
class KeptFilter:
    """Which kept reports are looked for; what is empty asks for nothing.

    `since` and `before` are about when the shift was opened, or the signature given.
    """

    cell_id: int | None = None
    kind: ReportKind | None = None
    since: datetime | None = None
    before: datetime | None = None


@dataclass(frozen=True)
class KeptLine:
    """A kept report in a list; `about_at` is when its shift was opened, or its trial signed.

    `replaced_at`: when a later version was made, None for the newest.
    """

    id: int
    kind: ReportKind
    cell: str
    title: str
    sentence: str
    about_at: datetime
    made_at: datetime
    version: int
    replaced_at: datetime | None


@dataclass(frozen=True)
class DueLine:
    """A report that is to be made; `error` says why the last try failed."""

    title: str
    next_try_at: datetime
    tries: int
    error: str


def subject_of(row: DueReport | KeptReport) -> dict[str, int]:
    """Return what a report is about: a shift, or a signature on a trial."""
    about = {"shift_id": row.shift_id, "sign_off_id": row.sign_off_id}
    return {name: number for name, number in about.items() if number is not None}


def keep(session: Session, due: DueReport, made: Made) -> KeptReport | None:
    """Keep a report that was due, as the next version; return the newest that is kept then.

    Whatever happened since it was claimed: of several who made it one keeps it, and what has
    changed meanwhile stays due.
    """
    session.get_one(Cell, made.cell_id, with_for_update=True, populate_existing=True)
    wanted = session.get(DueReport, due.id, populate_existing=True)
    newest = newest_kept(session, due)
    if wanted is None:
        return newest  # somebody else has made it
    if newest is None or newest.line < min(wanted.line, made.line):
        newest = _add(session, due, made, 1 if newest is None else newest.version + 1)
    if wanted.line <= newest.line:
        session.delete(wanted)
    return newest


def drop_due(session: Session, due: DueReport) -> None:
    """Let go of a report of a shift that was opened again; closing it makes one due anew."""
    cell_id = session.get_one(Shift, due.shift_id).cell_id
    session.get_one(Cell, cell_id, with_for_update=True, populate_existing=True)
    shift = session.get_one(Shift, due.shift_id, populate_existing=True)
    wanted = session.get(DueReport, due.id, populate_existing=True)
    if wanted is not None and shift.closed_at is None:
        session.delete(wanted)


def newest_kept(session: Session, about: DueReport | KeptReport) -> KeptReport | None:
    """Return the newest version of a report that is kept."""
    statement = select(KeptReport).filter_by(**subject_of(about))
    return session.scalar(statement.order_by(KeptReport.version.desc()).limit(1))


def _add(session: Session, due: DueReport, made: Made, version: int) -> KeptReport:
    kept = KeptReport(
        **subject_of(due),
        kind=ReportKind.TRIAL if due.shift_id is None else ReportKind.SHIFT,
        cell_id=made.cell_id,
        version=version,
        title=cut(made.title, TEXT_LIMIT),
        sentence=cut(made.sentence, TEXT_LIMIT),
        language=made.language,
        line=made.line,
        made_at=made.made_at,
        sha256=hashlib.sha256(made.content).hexdigest(),
        content=made.content,
    )
    session.add(kept)
    session.flush()
    record_event(
        session, "kept", "report", kept.id,
        actor=None, now=made.made_at, version=version, line=made.line, sha256=kept.sha256,
    )  # fmt: skip
    return kept


def find_kept(session: Session, report_id: int) -> KeptReport:
    """Return the kept report of an id.

    Raises
    ------
    UnknownNameError
        If there is none.
    """
    kept = session.get(KeptReport, report_id) if 0 < report_id <= LARGEST_ID else None
    if kept is None:
        raise UnknownNameError("report", "be the id of a kept report", report_id)
    return kept


def content_of(kept: KeptReport) -> bytes:
    """Return what was kept, as it was.

    Raises
    ------
    ConflictError
        If it is not what was kept: somebody changed it behind the application's back.
    """
    if hashlib.sha256(kept.content).hexdigest() != kept.sha256:
        raise ConflictError(
            f"kept report {kept.id} is not what was kept: its content was changed behind the "
            "application's back; 'trialog verify' names all that was"
        )
    return kept.content


def count_kept(session: Session, which: KeptFilter) -> int:
    """Return how many kept reports a filter lets through, former versions among them."""
    return session.scalar(_joined(select(func.count()), which)) or 0


def list_kept(
    session: Session, which: KeptFilter, *, skip: int = 0, most: int
) -> Sequence[KeptLine]:
    """Return kept reports, those about the newest first, and of each the newest version first."""
    statement = _joined(_lines(), which).order_by(
        _about_at().desc(), KeptReport.cell_id, KeptReport.version.desc(), KeptReport.id.desc()
    )
    rows = session.execute(statement.offset(skip).limit(most))
    return [KeptLine(*row) for row in rows]


def versions_of(session: Session, kept: KeptReport) -> Sequence[KeptLine]:
    """Return all versions of a kept report, the newest first."""
    if kept.shift_id is not None:
        return kept_of_shift(session, kept.shift_id)
    return _read(session, KeptReport.sign_off_id == kept.sign_off_id)


def kept_of_shift(session: Session, shift_id: int) -> Sequence[KeptLine]:
    """Return all versions of a shift's kept report, the newest first."""
    return _read(session, KeptReport.shift_id == shift_id)


def kept_of_trial(session: Session, trial_id: int) -> Sequence[KeptLine]:
    """Return the dossiers that were kept of a trial, the newest first."""
    return _read(session, SignOff.trial_id == trial_id)


def _read(session: Session, about: ColumnElement[bool]) -> Sequence[KeptLine]:
    statement = _joined(_lines(), KeptFilter()).where(about)
    rows = session.execute(statement.order_by(KeptReport.id.desc()))
    return [KeptLine(*row) for row in rows]


def count_due(session: Session) -> int:
    """Return how many reports are yet to be made."""
    return session.scalar(select(func.count()).select_from(DueReport)) or 0


def list_due(session: Session, *, most: int) -> Sequence[DueLine]:
    """Return reports that are yet to be made: first those that could not be, then the newest."""
    title = func.coalesce(Shift.label, SignOff.person_name)
    statement = (
        select(title, DueReport.next_try_at, DueReport.tries, DueReport.last_error)
        .outerjoin(Shift, Shift.id == DueReport.shift_id)
        .outerjoin(SignOff, SignOff.id == DueReport.sign_off_id)
        .order_by(DueReport.last_error == "", DueReport.next_try_at.desc(), DueReport.id.desc())
        .limit(most)
    )
    return [DueLine(*row) for row in session.execute(statement)]


def _about_at() -> ColumnElement[datetime]:
    return func.coalesce(Shift.opened_at, SignOff.signed_at)


def _lines() -> Select[*tuple[Any, ...]]:
    later = aliased(KeptReport)
    replaced = (
        select(func.min(later.made_at))
        .where(later.shift_id == KeptReport.shift_id, later.version > KeptReport.version)
        .scalar_subquery()
    )
    return select(
        KeptReport.id, KeptReport.kind, Cell.name, KeptReport.title, KeptReport.sentence,
        _about_at(), KeptReport.made_at, KeptReport.version, replaced,
    )  # fmt: skip


def _joined(statement: Select[*tuple[Any, ...]], which: KeptFilter) -> Select[*tuple[Any, ...]]:
    statement = (
        statement.select_from(KeptReport)
        .join(Cell, Cell.id == KeptReport.cell_id)
        .outerjoin(Shift, Shift.id == KeptReport.shift_id)
        .outerjoin(SignOff, SignOff.id == KeptReport.sign_off_id)
    )
    if which.cell_id is not None:
        statement = statement.where(KeptReport.cell_id == which.cell_id)
    if which.kind is not None:
        statement = statement.where(KeptReport.kind == which.kind)
    if which.since is not None:
        statement = statement.where(_about_at() >= which.since)
    if which.before is not None:
        statement = statement.where(_about_at() < which.before)
    return statement
