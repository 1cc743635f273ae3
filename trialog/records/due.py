"""Which reports are to be made: written down in the transaction of what makes one due.

Here they are only wanted: making one takes time and may fail, and nothing of the log may wait for
that. The cell's row is locked by whoever writes here, and by whoever says that one is made.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from itertools import islice
from typing import Any, cast

from sqlalchemy import CursorResult, select, update
from sqlalchemy.orm import Session

from trialog.records.base import TEXT_LIMIT
from trialog.records.models import Cell, DueReport, Shift, SignOff

SETTLES = timedelta(minutes=2)
"""How long after a change to a closed shift its report is made anew: who rules on five failures
makes one version of it, not five. Common practice, no source."""

CLAIM = timedelta(minutes=5)
"""How long a report is left alone that somebody is making; longer than making one can take."""

PAUSES = tuple(timedelta(minutes=minutes) for minutes in (1, 5, 15, 60, 360))
"""How long after each try that failed the next one comes; it is never given up, since the next
version of trialog may be able to. Common practice, no source."""


AT_ONCE = 500
"""Of how many shifts the reports are looked up at a time."""


def want_shift_reports(
    session: Session, cell: Cell, shifts: Iterable[Shift], *, closed_now: set[int], now: datetime
) -> None:
    """Let the reports of the closed ones among some shifts be made, or made anew.

    `closed_now`: ids of those that this very change has closed; their reports are due at once.
    """
    ahead = iter([shift.id for shift in shifts if shift.closed_at is not None])
    while some := list(islice(ahead, AT_ONCE)):
        of_some = select(DueReport).where(DueReport.shift_id.in_(some))
        wanted = {report.shift_id: report for report in session.scalars(of_some)}
        for shift_id in some:
            due = now if shift_id in closed_now else now + SETTLES
            subject = {"shift_id": shift_id}
            _want(session, wanted.get(shift_id), subject, cell.chain_length, due)


def want_dossier(session: Session, record: SignOff, *, now: datetime) -> None:
    """Let the dossier be kept that goes with a signature or refusal."""
    subject = {"sign_off_id": record.id}
    wanted = session.scalar(select(DueReport).filter_by(**subject))
    _want(session, wanted, subject, record.chain_length, now)


def _want(
    session: Session, wanted: DueReport | None, subject: Mapping[str, int], line: int, due: datetime
) -> None:
    if wanted is None:
        session.add(DueReport(**subject, line=line, next_try_at=due))
    else:
        # What is due sooner stays so: a line that comes in after the closing holds nothing up.
        wanted.line, wanted.next_try_at, wanted.tries = line, min(wanted.next_try_at, due), 0


def due_now(session: Session, *, now: datetime, most: int) -> Sequence[DueReport]:
    """Return the reports that are to be made by now, the newest first.

    Whoever imports ten years of paper logs shall not keep the shift of this morning waiting.
    """
    statement = select(DueReport).where(DueReport.next_try_at <= now)
    newest = statement.order_by(DueReport.next_try_at.desc(), DueReport.id.desc())
    return session.scalars(newest.limit(most)).all()


def claim(session: Session, due: DueReport, *, now: datetime) -> bool:
    """Take a due report to make it; of all who try at once one gets it."""
    statement = (
        update(DueReport)
        .where(DueReport.id == due.id, DueReport.next_try_at <= now)
        .values(tries=DueReport.tries + 1, next_try_at=now + CLAIM)
        .execution_options(synchronize_session=False)
    )
    return cast("CursorResult[Any]", session.execute(statement)).rowcount == 1


def put_off(session: Session, due: DueReport, why: str, *, now: datetime) -> None:
    """Note why a report could not be made, and when it is tried again."""
    wanted = session.get(DueReport, due.id, populate_existing=True)
    if wanted is not None:
        place = min(max(wanted.tries, 1), len(PAUSES)) - 1
        wanted.next_try_at, wanted.last_error = now + PAUSES[place], why[:TEXT_LIMIT]
