"""Good cycles for which one counter reading vouches on both sides of a change.

Where only failures are tapped, a reading tells how many cycles ran since the one before it. Where
a device was changed in between, nobody can tell how many of them ran before the change: none of
them may speak for what is new.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import datetime, timedelta

from sqlalchemy import Row, select
from sqlalchemy.orm import Session

from trialog.languages import t
from trialog.records.machine_goods import line_id
from trialog.records.models import Entry, Revision, Shift
from trialog.records.words import EntryKind

AT_ONCE = timedelta(minutes=1)
"""How long before a change a reading may lie to be the one that was taken at it; or one planned
cycle, if that is longer. Forms tell times by the minute; our choice, no source."""


def straddling_readings(
    session: Session, shifts: Sequence[Shift], since: Revision, undone: Collection[str]
) -> tuple[str, ...]:
    """Name the readings that vouch for cycles before and after the change that began the evidence.

    `shifts`: those that may hold evidence; `undone`: lines that do not stand any more.
    """
    changed = since.effective_at
    if changed is None:
        return ()
    recorded = session.scalar(select(Entry.sequence).where(Entry.id == since.entry_id)) or 0
    found: list[str] = []
    for shift in shifts:
        if not shift.good_by_counter or shift.opened_at >= changed:
            continue
        lines = [line for line in _of(session, shift) if line.client_id not in undone]
        near = max(AT_ONCE, timedelta(seconds=shift.cell.planned_cycle_seconds))
        parted = _made_by_closings(session, shift, len(lines))
        begun = shift.opened_at
        for line in lines:
            told_apart = line.client_id in parted and recorded < line.sequence
            if begun < changed - near and changed <= line.occurred_at and not told_apart:
                found.append(t("{shift} at {counter}", shift=shift.label, counter=line.counter))
            begun = line.occurred_at
    return tuple(found)


def _of(session: Session, shift: Shift) -> Sequence[Row[tuple[str, int, datetime, int]]]:
    """Return a shift's lines of good cycles by a reading, in order."""
    statement = (
        select(Entry.client_id, Entry.sequence, Entry.occurred_at, Entry.counter)
        .where(Entry.shift_id == shift.id)
        .where(Entry.kind == EntryKind.GOOD, Entry.counter.is_not(None))
        .order_by(Entry.sequence)
    )
    return session.execute(statement).all()  # type: ignore[return-value]  # each has a counter


def _made_by_closings(session: Session, shift: Shift, most: int) -> set[str]:
    """Return the ids of lines by the machine's own count, which a closing parts at each change."""
    closings = select(Entry.client_id).where(
        Entry.shift_id == shift.id, Entry.kind == EntryKind.SHIFT_CLOSED
    )
    return {
        line_id(closing, number) for closing in session.scalars(closings) for number in range(most)
    }
