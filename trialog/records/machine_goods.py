"""Good cycles by the machine's own count, written as a shift closes, in the same transaction.

Where only failures are tapped, what the machine counted and nobody logged was good: whoever
closes a shift has tapped its failures before. The lines belong to nobody. They are parted where a
revision took effect, so that no cycle from before a change speaks for what was changed; and where
the machine cannot tell what it had counted at one of those moments, none are written at all.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta
from itertools import accumulate, count, pairwise

from sqlalchemy import select
from sqlalchemy.orm import Session

from trialog.records.counting import Moment, counted_between, reading_at
from trialog.records.entries import MOST_CYCLES_AT_ONCE, NewEntry
from trialog.records.models import Cell, Entry
from trialog.records.shiftlog import ShiftLog, counted_by_machine
from trialog.records.words import EntryKind

_NAMESPACE = uuid.UUID("0e9d2c1b-6a0e-5b86-9a35-7f0c6f2d4c11")


def goods_at_close(
    session: Session,
    cell: Cell,
    log: ShiftLog,
    closing: NewEntry,
    revision_times: Sequence[datetime],
) -> list[NewEntry]:
    """Return the good cycles that the machine counted in a shift and nobody logged.

    Never more than the readings that people typed allow: what the two differ by stays unlogged.
    """
    opened, closed = log.facts().opened_at, closing.occurred_at
    if closed is None:
        return []
    changes = sorted({moment for moment in revision_times if opened < moment <= closed})
    parts = _parts(session, cell, log, [*changes, closed])
    room = _room(log, closing)
    lines: list[NewEntry] = []
    for at, counter, goods in parts:
        cycles = min(goods, MOST_CYCLES_AT_ONCE, goods if room is None else room)
        if cycles > 0:
            lines.append(
                NewEntry(
                    client_id=line_id(closing.client_id, len(lines)),
                    kind=EntryKind.GOOD,
                    shift=log.label,
                    occurred_at=at,
                    cycles=cycles,
                    counter=counter,
                    order_known=False,
                )
            )
            room = None if room is None else room - cycles
    return lines


def undone_with(log: ShiftLog, undoing: NewEntry) -> Iterator[NewEntry]:
    """Undo the good cycles that a closing brought when that is undone: it will bring its own."""
    target = log.by_id.get(undoing.target or "")
    if target is None or target.kind is not EntryKind.SHIFT_CLOSED:
        return
    for number in count():
        line = line_id(target.client_id, number)
        if line not in log.by_id:
            return
        if line not in log.undone:
            yield NewEntry(
                client_id=line_id(undoing.client_id, number), kind=EntryKind.UNDO,
                target=line, occurred_at=undoing.occurred_at,
            )  # fmt: skip


def _parts(
    session: Session, cell: Cell, log: ShiftLog, ends: Sequence[datetime]
) -> list[tuple[datetime, int | None, int]]:
    """Return good cycles nobody logged, up to each end: when, the machine's count, how many."""
    first = reading_at(session, cell.id, Moment(log.facts().opened_at, _place(session, log, cell)))
    found: list[tuple[datetime, int | None]] = []
    unlogged: list[int] = []
    for end in ends:
        last = reading_at(session, cell.id, Moment(end, cell.chain_length + 1))
        if first is None or last is None:
            return []
        counted = counted_between(session, cell, first, last)
        if counted is None:
            return []
        changed = end != ends[-1]
        # Just before a change: at its very moment they would count for what is new.
        found.append((end - timedelta(microseconds=1) if changed else end, last.counter))
        unlogged.append(counted - _logged(log, end if changed else None))
    # What was logged beyond the count in a later part was counted, not good, in an earlier one.
    most = list(accumulate(reversed(unlogged), min))[::-1]
    goods = [more - before for before, more in pairwise([0, *accumulate(most, max)])]
    return [(at, counter, number) for (at, counter), number in zip(found, goods, strict=True)]


def _logged(log: ShiftLog, until: datetime | None) -> int:
    if until is None:
        return log.logged
    return sum(line.counted for line in log.standing() if line.occurred_at < until)


def _place(session: Session, log: ShiftLog, cell: Cell) -> int:
    opening = select(Entry.sequence).where(Entry.client_id == log.lines[0].client_id)
    return session.scalar(opening) or cell.chain_length + 1


def _room(log: ShiftLog, closing: NewEntry) -> int | None:
    """Return how many cycles the typed readings leave; None where they cannot tell."""
    counted = counted_by_machine(
        log.facts().opening_counter, closing.counter, closing.counter_event, log.modulus
    )
    return None if counted is None else max(0, counted - log.logged)


def line_id(closing: str, number: int) -> str:
    """Return the id of one of the lines that a closing brings, counted from 0."""
    return str(uuid.uuid5(_NAMESPACE, f"{closing}\x1f{number}"))
