"""Which machines are listened to, and how far: written together with what was heard.

One follower holds a feed at a time, on a lease that each thing it writes extends. Where it dies,
the next one goes on from where its last lines stand.
"""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import cast
from urllib.parse import urlsplit

from sqlalchemy import CursorResult, or_, select, update
from sqlalchemy.orm import Session, joinedload

from trialog.errors import ConflictError, InvalidValueError, TrialogError, UnknownNameError, cut
from trialog.records.audit import record_event
from trialog.records.base import TEXT_LIMIT
from trialog.records.entries import check_name
from trialog.records.hearing import Heard, Said, hear
from trialog.records.models import Cell, Feed, Person
from trialog.records.words import FeedMode

LEASE = timedelta(seconds=60)
"""How long a follower that says nothing keeps others away."""

LONGEST_URL = 500
LARGEST_SEQUENCE = 2**63 - 1


class LeaseLostError(TrialogError):
    """Another follower has taken the feed over, or it is there no more."""


@dataclass(frozen=True, kw_only=True)
class NewFeed:
    """An agent to listen to; see `Feed` for the columns."""

    url: str
    count_item: str
    state_item: str | None = None
    device: str | None = None
    mode: FeedMode = FeedMode.STREAMING


@dataclass(frozen=True)
class Position:
    """How far an agent has been heard: go on at `next` of this instance; empty: at what holds."""

    instance: str | None = None
    next: int | None = None
    rewinds: int = 0


def add_feed(
    session: Session, cell: Cell, new: NewFeed, *, actor: Person | None, now: datetime
) -> Feed:
    """Let a cell's machine be listened to.

    Raises
    ------
    InvalidValueError
        If a field breaks its rule.
    ConflictError
        If the cell is listened to already.
    """
    if session.scalar(select(Feed.id).where(Feed.cell_id == cell.id)) is not None:
        raise ConflictError(f"cell {cell.name!r} has a feed; remove it first to add another")
    feed = Feed(
        key=secrets.token_hex(4),
        cell_id=cell.id,
        url=check_url(new.url),
        device=None if new.device is None else check_name("device", new.device),
        count_item=check_name("count item", new.count_item),
        state_item=None if new.state_item is None else check_name("state item", new.state_item),
        mode=new.mode,
        enabled=True,
        added_at=now,
        added_by_id=None if actor is None else actor.id,
    )
    session.add(feed)
    session.flush()
    record_event(
        session, "added", "feed", feed.id, actor=actor, now=now, cell=cell.name, url=feed.url
    )
    return feed


def check_url(url: str) -> str:
    """Return an agent's address without the stroke at its end.

    Raises
    ------
    InvalidValueError
        If it is not one of http or https with a host, or carries a password or a query.
    """
    parts = urlsplit(url.strip())
    if parts.username is not None or parts.password is not None:
        # What is refused is not shown: it holds a secret.
        raise InvalidValueError("url", "carry no user name or password", "one with them")
    try:
        fits = parts.scheme in ("http", "https") and parts.hostname and (parts.port or 1) > 0
    except ValueError:
        fits = False
    if not fits or parts.query or parts.fragment or len(url) > LONGEST_URL or not url.isascii():
        rule = "be http:// or https:// with a host, and neither query nor fragment"
        raise InvalidValueError("url", rule, url)
    return url.strip().rstrip("/")


def remove_feed(session: Session, feed: Feed, *, actor: Person | None, now: datetime) -> None:
    """Listen to a machine no more. What was heard stays in the logbook."""
    record_event(
        session, "removed", "feed", feed.id, actor=actor, now=now, cell=feed.cell.name, url=feed.url
    )
    session.delete(feed)


def switch_feed(
    session: Session, feed: Feed, *, on: bool, actor: Person | None, now: datetime
) -> None:
    """Pause a feed, or go on with it where it stood."""
    if feed.enabled is not on:
        feed.enabled = on
        record_event(
            session, "changed", "feed", feed.id, actor=actor, now=now, before={"enabled": not on}
        )


def all_feeds(session: Session) -> Sequence[Feed]:
    """Return every feed with its cell, in the order in which they were added."""
    return session.scalars(select(Feed).options(joinedload(Feed.cell)).order_by(Feed.id)).all()


def feed_of(session: Session, cell: Cell) -> Feed:
    """Return a cell's feed.

    Raises
    ------
    UnknownNameError
        If it has none.
    """
    feed = session.scalar(select(Feed).where(Feed.cell_id == cell.id))
    if feed is None:
        raise UnknownNameError("cell", "have a feed", cell.name)
    return feed


def is_followed(session: Session, cell_id: int) -> bool:
    """Say whether a cell's machine is listened to by a feed that is not paused."""
    found = select(Feed.id).where(Feed.cell_id == cell_id, Feed.enabled)
    return session.scalar(found) is not None


def take_feed(session: Session, feed_id: int, holder: str, *, now: datetime) -> Position | None:
    """Take a feed to follow; return how far it was heard, or None while another follows it."""
    over = or_(Feed.held_until < now, Feed.held_until > now + 3 * LEASE)  # by a wrong clock
    free = or_(Feed.holder.is_(None), Feed.holder == holder, over)
    taken = session.execute(
        update(Feed)
        .where(Feed.id == feed_id, Feed.enabled, free)
        .values(holder=holder, held_until=now + LEASE)
        .execution_options(synchronize_session=False)
    )
    if cast("CursorResult[object]", taken).rowcount != 1:
        return None
    columns = (Feed.instance, Feed.next_sequence, Feed.rewinds)
    return Position(*session.execute(select(*columns).where(Feed.id == feed_id)).one())


def let_go(session: Session, feed_id: int, holder: str) -> None:
    """Let others follow a feed at once."""
    session.execute(
        update(Feed)
        .where(Feed.id == feed_id, Feed.holder == holder)
        .values(holder=None, held_until=None)
        .execution_options(synchronize_session=False)
    )


def keep_heard(
    session: Session,
    feed_id: int,
    holder: str,
    said: Sequence[Said],
    position: Position,
    *,
    gaps: int = 0,
    clock_ahead: float | None = None,
    now: datetime,
) -> tuple[Heard, Cell]:
    """Write what was heard, and how far, in one transaction.

    Raises
    ------
    LeaseLostError
        If another follower holds the feed now. Nothing has been written.
    """
    feed = _held(session, feed_id, holder)
    heard = hear(session, feed.cell, said, actor=None, now=now, leave_out_still=True)
    feed.instance, feed.next_sequence, feed.rewinds = (
        position.instance, position.next, position.rewinds,
    )  # fmt: skip
    feed.heard_at, feed.held_until = now, now + LEASE
    feed.gaps += gaps
    feed.last_error, feed.failing_since = "", None
    if clock_ahead is not None:
        feed.clock_ahead_seconds = clock_ahead
    return heard, feed.cell


def note_failure(session: Session, feed_id: int, holder: str, words: str, *, now: datetime) -> None:
    """Note why a feed is not heard; it stays with its follower, which tries again."""
    feed = _held(session, feed_id, holder)
    feed.last_error = cut(words, TEXT_LIMIT)
    feed.failing_since = feed.failing_since or now
    feed.held_until = now + LEASE


def _held(session: Session, feed_id: int, holder: str) -> Feed:
    statement = select(Feed).where(Feed.id == feed_id).with_for_update()
    feed = session.scalar(statement.execution_options(populate_existing=True))
    if feed is None or feed.holder != holder or not feed.enabled:
        raise LeaseLostError("the feed is followed by somebody else, paused or removed")
    return feed
