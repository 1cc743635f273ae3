"""Which changes are told: notices written in the transaction of the change."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy.orm import Session

from trialog.evidence.history import noted_before
from trialog.records.audit import record_event
from trialog.records.models import Notice, Person, VerdictChange
from trialog.records.outbox import tell
from trialog.records.words import NoticeKind

SILENT_AT_FIRST = "KEEP RUNNING"
"""Every trial begins with this verdict, which changes nothing for anybody."""


def tell_verdicts(session: Session, changes: Sequence[VerdictChange], *, now: datetime) -> None:
    """Keep a notice for each trial whose verdict is another word than before.

    Where only the lines that do not hold differ, nothing is told: a trial's page has them all,
    and who gets a message a day soon reads none.
    """
    for change in changes:
        before = noted_before(session, change)
        former = SILENT_AT_FIRST if before is None else before.verdict
        if change.verdict != former:
            tell(session, NoticeKind.VERDICT_CHANGED, now=now, change=change.id, before=former)


def ask_for_test(session: Session, *, actor: Person, now: datetime) -> list[Notice]:
    """Keep a test notice for each channel."""
    notices = tell(session, NoticeKind.TEST, now=now, asked_by=actor.name)
    session.flush()
    record_event(
        session, "asked for a test", "notice", None,
        actor=actor, now=now, channels=[notice.channel for notice in notices],
    )  # fmt: skip
    return notices
