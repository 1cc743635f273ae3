"""Send what is due: claim it, compose it once, send it, and note what became of it.

Each step is a short transaction of its own and none is open while something is sent, so the log
waits for nothing here. Who claims a notice puts its next try off first: whoever else looks leaves
it alone meanwhile, and should the process end between sending and noting, it is sent once more,
the same to the byte and under the same id. At least once is what can be had; a receiver that must
not act twice goes by the id.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from functools import partial
from http.client import HTTPException
from typing import Any, cast

from sqlalchemy import CursorResult, Update, select, update
from sqlalchemy.orm import Session, sessionmaker

from trialog.notices.attaching import report_along
from trialog.notices.composing import NothingToTellError, Place, compose
from trialog.notices.mail import make_mail, send_mail
from trialog.notices.patience import within
from trialog.notices.settings import MailSettings, NoticeSettings, WebhookSettings
from trialog.notices.webhook import send_webhook
from trialog.notices.why import why
from trialog.records.audit import record_event
from trialog.records.base import TEXT_LIMIT
from trialog.records.database import unit_of_work
from trialog.records.models import Notice, Person
from trialog.records.outbox import CHANNEL_GONE, undelivered
from trialog.records.words import NoticeChannel
from trialog.reports.keeping import Keeper

PAUSES = tuple(timedelta(minutes=minutes) for minutes in (1, 5, 15, 60, 180, 360, 360, 360))
"""How long after each try that failed the next one comes; after the last, a bit less than a day
after the first, a notice is given up. Common practice, no source."""

TIMEOUT = 10.0
"""Seconds that one answer of a server may take."""

PATIENCE = 45.0
"""Seconds that a try may take in all, however often the server says a little."""

CLAIM = timedelta(minutes=5)
"""How long a notice is left alone that somebody is sending; longer than a try can take."""

AT_ONCE = 50
"""How many notices are looked up at a time."""

MESSAGE = "message"
"""Key of a notice's payload: what was composed, as it is sent each time."""

_log = logging.getLogger(__name__)


@dataclass(frozen=True, kw_only=True)
class Post:
    """All that sending needs; `clock` and the two limits in seconds are there for tests."""

    sessions: sessionmaker[Session]
    settings: NoticeSettings
    zone: tzinfo
    language: str = "en"
    clock: Callable[[], datetime] = lambda: datetime.now(UTC)
    timeout: float = TIMEOUT
    patience: float = PATIENCE

    @property
    def keeper(self) -> Keeper:
        """What makes the reports that notices lead to."""
        return Keeper(
            sessions=self.sessions, zone=self.zone, language=self.language, clock=self.clock
        )


def deliver_due(post: Post, *, stopped: Callable[[], bool] = lambda: False) -> int:
    """Send what is due, oldest first, until there is no more; return how many got through."""
    delivered = 0
    while due := _due(post):
        for notice_id in due:
            if stopped():
                return delivered
            delivered += _deliver(post, notice_id)
    return delivered


def _due(post: Post) -> Sequence[int]:
    statement = (
        select(Notice.id)
        .where(Notice.next_try_at <= post.clock(), Notice.channel.in_(post.settings.channels))
        .order_by(Notice.next_try_at, Notice.id)
        .limit(AT_ONCE)
    )
    with post.sessions() as session:
        return session.scalars(statement).all()


def _deliver(post: Post, notice_id: int) -> bool:
    """Try to send a notice; return whether it got through just now."""
    if not _claim(post, notice_id):
        return False  # somebody else has it
    try:
        note = _send(post, _composed(post, notice_id))
    except NothingToTellError as error:
        _settle(post, notice_id, str(error), give_up=True)
    except Exception as error:  # whatever it is, the next notice may have better luck
        if not isinstance(error, OSError | HTTPException):
            _log.exception("notice %s could not be sent", notice_id)
        _settle(post, notice_id, why(error))
    else:
        _settle(post, notice_id, note, delivered=True)
        return True
    return False


def _claim(post: Post, notice_id: int) -> bool:
    """Take a notice to send it; of all who try at once one gets it."""
    now = post.clock()
    claim = (
        update(Notice)
        .where(Notice.id == notice_id, Notice.next_try_at <= now)
        .values(tries=Notice.tries + 1, next_try_at=now + CLAIM)
    )
    with post.sessions() as session, unit_of_work(session):
        return _rows_of(session, claim) == 1


def _composed(post: Post, notice_id: int) -> Notice:
    """Return a notice with its message and file, made once and kept: each try sends the same."""
    with post.sessions() as session:
        notice = session.get_one(Notice, notice_id)
        if MESSAGE not in notice.payload:
            place = Place(post.settings.public_url, post.zone, post.clock())
            along = report_along(post, session, notice)
            made = compose(session, notice, place, along)
            file = None if along is None else along.file
            with unit_of_work(session):
                notice.payload = {**notice.payload, MESSAGE: made.as_dict(notice, place)}
                notice.attachment = None if file is None else file.content
        session.refresh(notice, [column.name for column in Notice.__table__.columns])
        return notice


def _send(post: Post, notice: Notice) -> str:
    """Send a composed notice over its channel; return what is worth a note though it was taken."""
    message, timeout = notice.payload[MESSAGE], post.timeout
    # Only what goes over a channel that is set is due, so its settings are there.
    if notice.channel is NoticeChannel.MAIL:
        to = cast(MailSettings, post.settings.mail)
        mail = make_mail(to, message, at=notice.created_at, attachment=notice.attachment)
        return within(post.patience, partial(send_mail, to, mail, timeout=timeout))
    hook, now = cast(WebhookSettings, post.settings.webhook), post.clock()
    within(post.patience, partial(send_webhook, hook, message, now=now, timeout=timeout))
    return ""


def _settle(
    post: Post, notice_id: int, note: str, *, delivered: bool = False, give_up: bool = False
) -> None:
    """Note what became of a try, and when the next one comes if there is one."""
    now = post.clock()
    with post.sessions() as session, unit_of_work(session):
        notice = session.get_one(Notice, notice_id)
        last = give_up or delivered or notice.tries > len(PAUSES)
        notice.next_try_at = None if last else now + PAUSES[notice.tries - 1]
        notice.delivered_at = now if delivered else None
        if delivered:
            notice.attachment = None  # the report is kept, and there is no further try
        notice.last_error = note[:TEXT_LIMIT]


def try_again(
    session: Session,
    channels: Sequence[NoticeChannel],
    *,
    actor: Person | None,
    now: datetime,
) -> int:
    """Make what has not got through over these channels due at once, with all its tries.

    Return how many that are. Whatever waits for another channel would wait without end.
    """
    again = (
        update(Notice)
        .where(undelivered(), Notice.channel.in_(channels))
        .values(tries=0, next_try_at=now)
    )
    count = _rows_of(session, again)
    if count:
        record_event(session, "tried again", "notice", None, actor=actor, now=now, notices=count)
    return count


def settle_unset(sessions: sessionmaker[Session], channels: Sequence[NoticeChannel]) -> int:
    """Settle what has not got through over a channel that is no longer set; return how many.

    Set again, it would tell old news; and what cannot be sent would count as lost for ever.
    """
    unset = undelivered() & Notice.channel.not_in(channels)
    with sessions() as session:
        if session.scalar(select(Notice.id).where(unset).limit(1)) is None:
            return 0
        with unit_of_work(session):
            values = {"next_try_at": None, "last_error": CHANNEL_GONE, "attachment": None}
            return _rows_of(session, update(Notice).where(unset).values(values))


def _rows_of(session: Session, statement: Update) -> int:
    """Run an update and return how many rows it changed."""
    result = session.execute(statement.execution_options(synchronize_session=False))
    return cast("CursorResult[Any]", result).rowcount
