"""Notices to people outside, kept in the transaction of what they tell.

Here they are only written down: composing and sending take time and may fail, and nothing of the
log may wait for that. Without a channel nothing is written.
"""

from __future__ import annotations

import secrets
from collections.abc import Mapping
from datetime import datetime, timedelta

from sqlalchemy.orm import Session
from sqlalchemy.sql import ColumnElement

from trialog.records.models import Notice, Shift
from trialog.records.words import NoticeChannel, NoticeKind

CHANNELS = "notice_channels"
"""Where a session's info says over which channels this installation tells."""

OLDEST_TOLD = timedelta(days=3)
"""A shift that ended longer ago is no news: a paper log comes in weeks later, a tablet's taps
after a weekend without a network do not. Common practice, no source."""

OPENED_AGAIN = "the shift was opened again before this notice went out"
CHANNEL_GONE = "its channel is no longer set"
SETTLED = (OPENED_AGAIN, CHANNEL_GONE)
"""Notes of notices that nobody misses: given up because they are not to be sent any more."""


def undelivered() -> ColumnElement[bool]:
    """Return the condition that a notice has yet to get through; one that is settled has not."""
    settled = Notice.next_try_at.is_(None) & Notice.last_error.in_(SETTLED)
    return Notice.delivered_at.is_(None) & ~settled


def lost() -> ColumnElement[bool]:
    """Return the condition that a notice was given up though it should have got through."""
    return undelivered() & Notice.next_try_at.is_(None)


def channels_set(environment: Mapping[str, str]) -> tuple[NoticeChannel, ...]:
    """Return the channels that TRIALOG_… variables set; whoever sends checks the rest of them."""
    deciding = {NoticeChannel.MAIL: "SMTP_HOST", NoticeChannel.WEBHOOK: "WEBHOOK_URL"}
    return tuple(
        channel for channel, name in deciding.items() if environment.get(f"TRIALOG_{name}")
    )


def channels_of(session: Session) -> tuple[NoticeChannel, ...]:
    """Return the channels that what is written in a session is told over."""
    return tuple(session.info.get(CHANNELS, ()))


def tell(session: Session, kind: NoticeKind, *, now: datetime, **facts: object) -> list[Notice]:
    """Keep a notice for each channel; its id is how a receiver knows one that comes again."""
    notices = [
        Notice(
            kind=kind,
            channel=channel,
            payload={"id": secrets.token_hex(16), **facts},
            created_at=now,
            next_try_at=now,
        )
        for channel in channels_of(session)
    ]
    session.add_all(notices)
    return notices


def tell_closing(session: Session, shift: Shift, *, now: datetime) -> None:
    """Keep a notice that a shift was closed, unless that is no news."""
    if shift.closed_at is not None and now - shift.closed_at <= OLDEST_TOLD:
        tell(session, NoticeKind.SHIFT_CLOSED, now=now, shift=shift.id)
