"""How many of what there are at a moment: the numbers by which a server's watch sees its work."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import func, select
from sqlalchemy.orm import Session
from sqlalchemy.sql import ColumnElement

from trialog.records.base import Base
from trialog.records.models import Cell, Client, ClientToken, DueReport, Notice, Shift, Tablet
from trialog.records.outbox import lost
from trialog.records.parking import count_by_outcome

SEEN_LATELY = timedelta(minutes=10)
"""A tablet or client that was here within it counts as one that is. Common practice, no source."""


@dataclass(frozen=True)
class Pulse:
    """The numbers of a moment; no names, and nothing of any cell, person or program alone."""

    lines: int
    """Lines in all logbooks; it only grows."""

    parked: int
    """Lines that were ever parked; it only grows."""

    parked_waiting: int
    open_shifts: int
    tablets: int
    tablets_seen: int
    clients_seen: int
    reports_due: int
    notices_waiting: int
    notices_given_up: int


def pulse(session: Session, *, now: datetime) -> Pulse:
    """Count everything that is counted, in a few statements that no long logbook slows down."""
    parked = count_by_outcome(session)
    lately = now - SEEN_LATELY
    in_use = Tablet.revoked_at.is_(None)
    return Pulse(
        lines=session.scalar(select(func.sum(Cell.chain_length))) or 0,
        parked=parked.total(),
        parked_waiting=parked[None],
        open_shifts=_count(session, Shift, Shift.closed_at.is_(None)),
        tablets=_count(session, Tablet, in_use),
        tablets_seen=_count(session, Tablet, in_use, Tablet.seen_at >= lately),
        clients_seen=session.scalar(
            select(func.count(Client.id.distinct()))
            .join(ClientToken, ClientToken.client_id == Client.id)
            .where(ClientToken.last_used_at >= lately)
        )
        or 0,
        reports_due=_count(session, DueReport, DueReport.next_try_at <= now),
        notices_waiting=_count(session, Notice, Notice.next_try_at.is_not(None)),
        notices_given_up=_count(session, Notice, lost()),
    )


def _count(session: Session, table: type[Base], *which: ColumnElement[bool]) -> int:
    return session.scalar(select(func.count()).select_from(table).where(*which)) or 0
