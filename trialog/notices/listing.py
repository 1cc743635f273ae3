"""The notices as lists show them: what each is about and how far it got."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from trialog.notices.delivering import MESSAGE
from trialog.records.models import Notice
from trialog.records.outbox import SETTLED as SETTLED_NOTES
from trialog.records.outbox import undelivered
from trialog.records.words import NoticeChannel
from trialog.reports.words import counted

WAITING, SENT, GIVEN_UP, SETTLED = "waiting", "sent", "given up", "settled"


@dataclass(frozen=True)
class NoticeLine:
    """One notice; `about` is its subject, or what it will be about while nothing is composed.

    `error` says why the last try failed, which recipients a server did not take, or why it is
    settled.
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

    @property
    def undelivered(self) -> bool:
        """Whether it has yet to get through."""
        return self.state in (WAITING, GIVEN_UP)


def list_notices(session: Session, *, most: int) -> Sequence[NoticeLine]:
    """Return the newest notices, newest first."""
    statement = select(Notice).order_by(Notice.id.desc()).limit(most)
    return [_line(notice) for notice in session.scalars(statement)]


def count_undelivered(session: Session) -> int:
    """Return how many notices have yet to get through, given up or not."""
    return session.scalar(select(func.count()).select_from(Notice).where(undelivered())) or 0


def left_untried(session: Session, channels: Sequence[NoticeChannel]) -> list[str]:
    """Say which notices another try leaves, and why: those of channels that are not set."""
    statement = (
        select(Notice.channel, func.count())
        .where(undelivered(), Notice.channel.not_in(channels))
        .group_by(Notice.channel)
        .order_by(Notice.channel)
    )
    return [
        f"Not tried again: {counted(number, 'notice')} over {channel}, which is not set here. "
        f"A server that starts without {channel} settles what waits for it."
        for channel, number in session.execute(statement)
    ]


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
    if notice.next_try_at is not None:
        return WAITING
    return SETTLED if notice.last_error in SETTLED_NOTES else GIVEN_UP
