"""What a machine counts just now, for whoever is about to type its reading."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session

from trialog.records.counting import Moment, reading_at
from trialog.records.models import Cell, Feed

LATELY = timedelta(minutes=10)
"""How old a count may be that is offered in place of a typed one. Common practice, no source."""


@dataclass(frozen=True)
class CountNow:
    """A machine's count, when it was known to stand there, and until when it may be offered."""

    counter: int
    at: datetime
    until: datetime


def count_now(session: Session, cell: Cell, *, now: datetime) -> CountNow | None:
    """Return a machine's own count, where it has told one lately; None where nobody can tell.

    A machine that stands still says nothing new: as long as its feed hears it, its count stands.
    """
    reading = reading_at(session, cell.id, Moment(now, cell.chain_length + 1))
    if reading is None or reading.counter is None:
        return None
    heard = select(Feed.heard_at).where(
        Feed.cell_id == cell.id, Feed.enabled, Feed.failing_since.is_(None)
    )
    known = max(reading.at, session.scalar(heard) or reading.at)
    if now - known > LATELY:
        return None
    return CountNow(reading.counter, known, known + LATELY)
