"""Which reports are to be made: written down in the transaction of what makes one due.

Here they are only wanted: making one takes time and may fail, and nothing of the log may wait for
that. The cell's row is locked by whoever writes here, and by whoever says that one is made.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session

from trialog.records.models import Cell, DueReport, Shift, SignOff

SETTLES = timedelta(minutes=2)
"""How long after the last change to a closed shift its report is made anew: who rules on five
failures makes one version of it, not five. Common practice, no source."""


def want_shift_reports(
    session: Session, cell: Cell, shifts: Iterable[Shift], *, closed_now: set[int], now: datetime
) -> None:
    """Let the reports of the closed ones among some shifts be made, or made anew.

    `closed_now`: ids of those that this very change has closed; their reports are due at once.
    """
    for shift in shifts:
        if shift.closed_at is not None:
            due = now if shift.id in closed_now else now + SETTLES
            _want(session, {"shift_id": shift.id}, cell.chain_length, due)


def want_dossier(session: Session, record: SignOff, *, now: datetime) -> None:
    """Let the dossier be kept that goes with a signature or refusal."""
    _want(session, {"sign_off_id": record.id}, record.chain_length, now)


def _want(session: Session, subject: Mapping[str, int], line: int, due: datetime) -> None:
    wanted = session.scalar(select(DueReport).filter_by(**subject))
    if wanted is None:
        session.add(DueReport(**subject, line=line, next_try_at=due))
    else:
        wanted.line, wanted.next_try_at, wanted.tries = line, due, 0
