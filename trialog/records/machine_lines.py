"""What a machine said in a shift, summed up: there may be a line of it to each cycle."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from sqlalchemy import ColumnElement, case, func, or_, select
from sqlalchemy.orm import Session

from trialog.records.models import Entry
from trialog.records.words import EntryKind

FEW = 40
"""As many lines of a shift are shown one by one."""

_GAP = Entry.reason != ""
_SAYS_MORE = or_(_GAP, Entry.counter_event.is_not(None))
"""Lines that say more than the count so far: readings are missing before it, or it fell."""


@dataclass(frozen=True)
class MachineLines:
    """What the machine said in one shift: how many lines, its first and last count, its gaps.

    `shown` are all lines where they are few. Of many they are the first and the last count, and
    those that say more than a count, of which there may be more than are shown.
    """

    shift_id: int
    lines: int
    gaps: int
    first: Entry | None
    last: Entry | None
    shown: tuple[Entry, ...]

    @property
    def missing(self) -> tuple[Entry, ...]:
        """Those of the lines shown that tell of readings missing before them."""
        return tuple(line for line in self.shown if line.reason)


def machine_lines(session: Session, shift_ids: Sequence[int]) -> list[MachineLines]:
    """Sum up what the machine said in some shifts, in their order; without those it was silent in.

    Takes three questions at most, however many shifts and lines there are.
    """
    counted = case((Entry.counter.is_not(None), Entry.sequence))
    statement = (
        select(
            Entry.shift_id,
            func.count().label("lines"),
            func.sum(case((_GAP, 1), else_=0)).label("gaps"),
            func.min(counted).label("first"),
            func.max(counted).label("last"),
        )
        .where(*_of_shifts(shift_ids))
        .group_by(Entry.shift_id)
    )
    sums = {row.shift_id: row for row in session.execute(statement)}
    if not sums:
        return []
    few = [shift_id for shift_id, row in sums.items() if row.lines <= FEW]
    ends = {place for row in sums.values() for place in (row.first, row.last) if place is not None}
    told = _told(session, list(sums), or_(Entry.shift_id.in_(few), _SAYS_MORE))
    for line in session.scalars(
        select(Entry).where(*_of_shifts(list(sums)), Entry.sequence.in_(ends))
    ):
        told[line.shift_id][line.sequence] = line
    return [
        MachineLines(
            shift_id=shift_id,
            lines=sums[shift_id].lines,
            gaps=sums[shift_id].gaps,
            first=told[shift_id].get(sums[shift_id].first),
            last=told[shift_id].get(sums[shift_id].last),
            shown=tuple(line for _, line in sorted(told[shift_id].items())),
        )
        for shift_id in shift_ids
        if shift_id in sums
    ]


def _of_shifts(shift_ids: Iterable[int]) -> tuple[ColumnElement[bool], ...]:
    return Entry.shift_id.in_(shift_ids), Entry.kind == EntryKind.COUNT


def _told(
    session: Session, shift_ids: Sequence[int], which: ColumnElement[bool]
) -> defaultdict[int | None, dict[int, Entry]]:
    """Return the first few of the lines asked for of each shift, by their places."""
    place = func.row_number().over(partition_by=Entry.shift_id, order_by=Entry.sequence)
    numbered = select(Entry.id, place.label("place")).where(*_of_shifts(shift_ids), which)
    first = numbered.subquery()
    statement = select(Entry).where(Entry.id.in_(select(first.c.id).where(first.c.place <= FEW)))
    found: defaultdict[int | None, dict[int, Entry]] = defaultdict(dict)
    for line in session.scalars(statement):
        found[line.shift_id][line.sequence] = line
    return found
