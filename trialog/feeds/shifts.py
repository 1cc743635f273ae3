"""What a cycle log leaves unsaid about its shifts: times, openings and closings."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from typing import Any, NamedTuple

from sqlalchemy import select
from sqlalchemy.orm import Session

from trialog.errors import InvalidValueError
from trialog.feeds.cycle_log import Draft
from trialog.feeds.identity import Identities
from trialog.feeds.tables import RejectedLine, Row
from trialog.records.entries import NewEntry
from trialog.records.models import Cell, Shift
from trialog.records.shiftlog import AFTER_CLOSE, counted_by_machine
from trialog.records.words import EntryKind, Stage


class Line(NamedTuple):
    """A line for the logbook and the row of the file that it comes from."""

    row: Row
    entry: NewEntry


class Arranged(NamedTuple):
    """A portion's lines for the logbook, and the rows that do not fit the others."""

    lines: list[Line]
    rejected: list[RejectedLine]
    new_shifts: bool
    """Whether all lines are of shifts that the records do not know yet."""


class StoredShift(NamedTuple):
    """What the records know of a shift, as far as its rows are judged by it."""

    stage: Stage
    opening_counter: int | None


def stored_shifts(session: Session, cell: Cell) -> dict[str, StoredShift]:
    """Return a cell's shifts by label."""
    columns = select(Shift.label, Shift.stage, Shift.opening_counter)
    found = session.execute(columns.where(Shift.cell_id == cell.id))
    return {label: StoredShift(stage, counter) for label, stage, counter in found}


class ShiftOfFile:
    """The rows of one shift, seen together."""

    def __init__(self, label: str, stored: StoredShift | None) -> None:
        self.label = label
        self.stored = stored
        self.kinds: set[EntryKind] = set()
        self.stage = None if stored is None else stored.stage
        self.opening = None if stored is None else stored.opening_counter
        self.closing: NewEntry | None = None
        self.times: list[datetime] = []
        self.moment: datetime | None = None

    def look_at(self, draft: Draft, undone: set[str]) -> None:
        """Take a row into account; one that is rejected still says that a shift opens or closes."""
        self.kinds.add(draft.kind)
        self.stage = self.stage or draft.stage
        entry = draft.entry
        if entry is None:
            return
        if entry.occurred_at is not None and entry.kind not in AFTER_CLOSE:
            self.times.append(entry.occurred_at)
            self.moment = self.times[0]
        if entry.kind is EntryKind.SHIFT_OPENED:
            self.opening, self.stage = entry.counter, entry.stage
        elif entry.kind is EntryKind.SHIFT_CLOSED and entry.client_id not in undone:
            self.closing = entry

    @property
    def opens_unsaid(self) -> bool:
        """Whether the shift has to be opened although no row says so."""
        return self.stored is None and EntryKind.SHIFT_OPENED not in self.kinds

    @property
    def closes_unsaid(self) -> bool:
        """Whether the shift has to be closed although no row says so."""
        return self.opens_unsaid and EntryKind.SHIFT_CLOSED not in self.kinds

    def opening_line(self) -> NewEntry:
        """Return the opening that no row says."""
        stage, moment = self.stage or Stage.BY_HAND, min(self.times, default=None)
        return self._unsaid(EntryKind.SHIFT_OPENED, stage=stage, occurred_at=moment)

    def closing_line(self) -> NewEntry:
        """Return the closing that no row says."""
        return self._unsaid(EntryKind.SHIFT_CLOSED, occurred_at=max(self.times, default=None))

    def _unsaid(self, kind: EntryKind, **fields: Any) -> NewEntry:
        return NewEntry(client_id="-", kind=kind, shift=self.label, **fields)

    def timed(self, entry: NewEntry) -> NewEntry:
        """Return a line with a time: its own, else that of the line before it with one."""
        if entry.occurred_at is None:
            return entry._replace(occurred_at=self.moment)
        if entry.kind not in AFTER_CLOSE:
            self.moment = entry.occurred_at
        return entry

    def counted(self, modulus: int | None) -> int | None:
        """Return how many cycles the machine counted, where the file's readings tell.

        They do not where a reading is corrected later, or a difference accepted in writing.
        """
        closing = self.closing
        if closing is None or closing.mismatch_accepted or EntryKind.READING in self.kinds:
            return None
        counted = counted_by_machine(self.opening, closing.counter, closing.counter_event, modulus)
        return None if counted is None or counted < 0 else counted


def arrange(
    drafts: Sequence[Draft],
    identities: Identities,
    *,
    stored: Mapping[str, StoredShift],
    modulus: int | None,
) -> Arranged:
    """Complete a cycle log's lines: give each its time, and open and close shifts unsaid.

    `stored`: the shifts that the records have; `modulus`: where the machine's counter restarts.

    A line whose cycle number lies beyond what the machine counted in the shift is rejected,
    unless a later line undoes it.
    """
    undone = _undone(drafts)
    shifts = _shifts_of_file(stored, drafts, undone)
    counted = {label: shift.counted(modulus) for label, shift in shifts.items()}
    kept: list[Draft] = []
    rejected: list[RejectedLine] = []
    for draft in drafts:
        try:
            if draft.entry is not None:
                if draft.shift is not None and draft.entry.client_id not in undone:
                    _require_fitting(draft, shifts[draft.shift], counted[draft.shift])
                kept.append(draft)
        except InvalidValueError as error:
            rejected.append(RejectedLine(draft.row.line, str(error), draft.row.text))
    lines = list(_lines(kept, shifts, identities))
    unknown = all(shift.stored is None for shift in shifts.values())
    return Arranged(lines, rejected, unknown and all(draft.shift is not None for draft in kept))


def _undone(drafts: Sequence[Draft]) -> set[str]:
    return {
        draft.entry.target
        for draft in drafts
        if draft.kind is EntryKind.UNDO and draft.entry and draft.entry.target
    }


def _shifts_of_file(
    stored: Mapping[str, StoredShift], drafts: Sequence[Draft], undone: set[str]
) -> dict[str, ShiftOfFile]:
    shifts: dict[str, ShiftOfFile] = {}
    for draft in drafts:
        if draft.shift is not None:
            if draft.shift not in shifts:
                shifts[draft.shift] = ShiftOfFile(draft.shift, stored.get(draft.shift))
            shifts[draft.shift].look_at(draft, undone)
    return shifts


def _require_fitting(draft: Draft, shift: ShiftOfFile, counted: int | None) -> None:
    if draft.stage not in (None, shift.stage):
        raise InvalidValueError(
            "stage", f"be that of shift {shift.label!r}, {str(shift.stage)!r}", str(draft.stage)
        )
    entry = draft.entry
    # A tablet that was out of reach adds to a shift whose closing reading agreed without it, and
    # a check carries the number that its page showed.
    if entry is None or entry.late or entry.kind is EntryKind.CHECK:
        return
    number = entry.cycle_number
    if counted is not None and number is not None and number > counted:
        raise InvalidValueError(
            "cycle",
            f"be at most {counted}, the cycles that the machine counted in shift {shift.label!r}",
            number,
        )


def _lines(
    drafts: Sequence[Draft], shifts: Mapping[str, ShiftOfFile], identities: Identities
) -> Iterator[Line]:
    last = {draft.shift: place for place, draft in enumerate(drafts)}
    begun: set[str] = set()
    for place, draft in enumerate(drafts):
        if draft.entry is None:
            continue
        shift = None if draft.shift is None else shifts[draft.shift]
        if shift is None:
            yield Line(draft.row, draft.entry)
            continue
        if shift.label not in begun and shift.opens_unsaid:
            yield Line(draft.row, identities.named(shift.opening_line()))
        begun.add(shift.label)
        yield Line(draft.row, shift.timed(draft.entry))
        if last[shift.label] == place and shift.closes_unsaid:
            yield Line(draft.row, identities.named(shift.closing_line()))
