"""The notices as lists show them: what each is about and how far it got."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from trialog.notices.delivering import MESSAGE
from trialog.records.models import Notice

WAITING, SENT, GIVEN_UP = "waiting", "sent", "given up"


@dataclass(frozen=True)
class NoticeLine:
    """One notice; `about` is its subject, or what it will be about while nothing is composed.

    `error` says why the last try failed, or which recipients a server did not take.
    """

    id: int
    kind: str
    channel: str
    about: str
    created_at: datetime
    state: str
    tries: int
    next_try_at: datetime | None
    delivered_at: datetime | None
    error: str


def list_notices(session: Session, *, most: int) -> Sequence[NoticeLine]:
    """Return the newest notices, newest first."""
    statement = select(Notice).order_by(Notice.id.desc()).limit(most)
    return [_line(notice) for notice in session.scalars(statement)]


def count_undelivered(session: Session) -> int:
    """Return how many notices have not got through, given up or not."""
    statement = select(func.count()).select_from(Notice).where(Notice.delivered_at.is_(None))
    return session.scalar(statement) or 0


def _line(notice: Notice) -> NoticeLine:
    message = notice.payload.get(MESSAGE)
    return NoticeLine(
        id=notice.id,
        kind=str(notice.kind),
        channel=str(notice.channel),
        about=message["subject"] if message else f"{notice.kind}, not composed yet",
        created_at=notice.created_at,
        state=_state(notice),
        tries=notice.tries,
        next_try_at=notice.next_try_at,
        delivered_at=notice.delivered_at,
        error=notice.last_error,
    )


def _state(notice: Notice) -> str:
    if notice.delivered_at is not None:
        return SENT
    return GIVEN_UP if notice.next_try_at is None else WAITING
