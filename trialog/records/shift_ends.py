"""A shift as far as it has come, from its few lines that matter: however many cycles it holds.

What all of its lines make of a shift `ShiftLog` says; a test holds both to the same answers. The
statements are built once: building them takes longer than the database does.
"""

from __future__ import annotations

from typing import NamedTuple

from sqlalchemy import ColumnElement, bindparam, exists, func, select
from sqlalchemy.orm import Session, aliased

from trialog.records.models import CellRollup, Entry, Shift
from trialog.records.shiftlog import COUNTED, LINE_COLUMNS, Line, ShiftLog
from trialog.records.words import EntryKind

APPENDING = frozenset(
    {
        EntryKind.GOOD,
        EntryKind.FAILED,
        EntryKind.STOP,
        EntryKind.NOTE,
        EntryKind.CHECK,
        EntryKind.CONDITION,
        EntryKind.COUNT,
    }
)
"""Lines that only come on top of a shift's others: none of those changes by them, and of those only
the end matters to them."""

_undo = aliased(Entry)
STANDING = ~exists().where(_undo.target == Entry.client_id, _undo.kind == EntryKind.UNDO)
"""The condition that nobody has undone a line of `Entry`."""


def standing_lines(*kinds: EntryKind) -> tuple[ColumnElement[bool], ...]:
    """Return the conditions for lines of some kinds that stand, of the `shift` that is given."""
    return Entry.shift_id == bindparam("shift"), Entry.kind.in_(kinds), STANDING


class ShiftEnd(NamedTuple):
    """How many cycles of a shift are logged, failed and were watched by a second person, and the
    number of the last one; where nobody knows that one's place, the number that it fills."""

    logged: int
    failed: int
    checked: int
    last_number: int


_counted = standing_lines(*COUNTED)
_numbered = (*_counted, Entry.cycle_number.is_not(None))
_newest = Entry.sequence.desc()
_place = select(Entry.sequence).where(*_numbered).order_by(_newest).limit(1).scalar_subquery()
_number = select(Entry.cycle_number).where(*_numbered).order_by(_newest).limit(1).scalar_subquery()
_unplaced = select(func.sum(Entry.cycles)).where(
    *_counted, Entry.cycle_number.is_(None), Entry.sequence > func.coalesce(_place, 0)
)
_checked = select(func.sum(Entry.cycles)).where(*standing_lines(EntryKind.CHECK))
_END = select(
    func.sum(CellRollup.logged),
    func.sum(CellRollup.failures + CellRollup.no_tests),
    _checked.scalar_subquery(),
    _number,
    _unplaced.scalar_subquery(),
).where(CellRollup.shift_id == bindparam("shift"))

_COLUMNS = [getattr(Entry, name) for name in LINE_COLUMNS]
_FRAME = (
    select(*_COLUMNS)
    .where(*standing_lines(EntryKind.SHIFT_OPENED, EntryKind.READING, EntryKind.SHIFT_CLOSED))
    .order_by(Entry.sequence)
)


def end_of(session: Session, shift_id: int) -> ShiftEnd:
    """Return how far a shift has come."""
    found = session.execute(_END, {"shift": shift_id}).one()
    logged, failed, checked, number, unplaced = (int(value or 0) for value in found)
    return ShiftEnd(logged, failed, checked, number + unplaced)


def read_end(session: Session, shift: Shift, modulus: int | None) -> ShiftLog:
    """Read what of a shift's lines bears on lines that only come on top of them.

    What is read can say how the shift was opened and closed, and number cycles that follow. Lines
    before cannot be found in it, so that none of them can be undone or ruled on.
    """
    log = ShiftLog(shift.label, shift.stage, modulus)
    for values in session.execute(_FRAME, {"shift": shift.id}):
        log.add(Line(**dict(zip(LINE_COLUMNS, values, strict=True))))
    end = end_of(session, shift.id)
    log.logged, log.last_number = end.logged, end.last_number
    return log
