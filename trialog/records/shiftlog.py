"""One shift's lines as they stand, and which new line may follow them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import NamedTuple

from sqlalchemy import ColumnElement, select
from sqlalchemy.orm import Session

from trialog.errors import ConflictError, InvalidValueError, UnknownNameError
from trialog.records.entries import MOST_CYCLES_AT_ONCE, NewEntry, check_whole
from trialog.records.models import Cell, Entry, EntryMode, Shift
from trialog.records.words import Condition, CounterEvent, EntryKind, Reading, Stage

FIXED = (EntryKind.SHIFT_OPENED, EntryKind.UNDO)
"""What cannot be undone: the opening of a shift, and an undo (log the line again)."""

AFTER_CLOSE = (EntryKind.RULING, EntryKind.READING, EntryKind.PHOTO, EntryKind.UNDO)
"""What may still be written about a closed shift."""

COUNTED = (EntryKind.GOOD, EntryKind.FAILED)
"""The lines whose cycles were run for the record; a spot check only looks at those."""


class Line(NamedTuple):
    """A line of the logbook, as much of it as later lines and the rollups depend on."""

    # A line's own come first: `again` cuts them off.
    client_id: str
    occurred_at: datetime
    cycle_number: int | None
    kind: EntryKind
    person_id: int | None = None
    cycles: int | None = None
    mode_ids: tuple[int, ...] = ()
    counter: int | None = None
    counter_event: CounterEvent | None = None
    reading: Reading | None = None
    condition: Condition | None = None
    failure_mode_id: int | None = None
    relevant: bool | None = None
    target: str | None = None
    entry_id: int | None = None

    def again(self, client_id: str, occurred_at: datetime, number: int | None) -> Line:
        """Return another line that says the same."""
        return tuple.__new__(Line, (client_id, occurred_at, number, *self[3:]))

    @property
    def counted(self) -> int:
        """Cycles that the line adds to the shift."""
        return (self.cycles or 0) if self.kind in COUNTED else 0


@dataclass(frozen=True, slots=True)
class ShiftFacts:
    """What a shift's lines say about its opening and closing."""

    opened_at: datetime
    opening_counter: int | None
    closed_at: datetime | None
    closing_counter: int | None
    counter_event: CounterEvent | None
    good_by_counter: bool
    """Whether a reading alone vouches for good cycles of it."""

    settled: bool
    """Whether an engineer has written in what the counter read."""


def counted_by_machine(
    opening: int | None, closing: int | None, event: CounterEvent | None, modulus: int | None
) -> int | None:
    """Return how many cycles the machine counted between two readings; None if they cannot tell.

    A counter that was reset in between cannot tell: what it counted before is lost.
    """
    if opening is None or closing is None or event is CounterEvent.RESET:
        return None
    if event is CounterEvent.ROLLED_OVER:
        return None if modulus is None else closing - opening + modulus
    return closing - opening


@dataclass
class ShiftLog:
    """The lines of one shift, in order, with what is needed to judge the next one."""

    label: str
    stage: Stage
    modulus: int | None
    lines: list[Line] = field(default_factory=list)
    by_id: dict[str, Line] = field(default_factory=dict)
    undone: set[str] = field(default_factory=set)
    closing: Line | None = None
    last_number: int = 0
    logged: int = 0
    readings: list[Line] = field(default_factory=list)
    """The lines that bear on what the machine counted: corrected readings, and good cycles that
    a reading vouches for."""

    def add(self, line: Line) -> None:
        """Take a line in; it must have been admitted or be in the records already."""
        self.lines.append(line)
        self.by_id[line.client_id] = line
        if line.counter is not None:
            self.readings.append(line)
        if line.kind is EntryKind.UNDO and line.target is not None:
            self._take_back(line.target)
        elif line.kind is EntryKind.SHIFT_CLOSED:
            self.closing = line
        elif line.counted:
            self.logged += line.counted
            self.last_number = line.cycle_number or self.last_number + line.counted

    def give_keys(self, keys: Mapping[str, int]) -> None:
        """Give lines that were new the keys of their rows, by client id."""
        for place, line in enumerate(self.lines):
            if line.client_id in keys:
                self.lines[place] = line._replace(entry_id=keys[line.client_id])

    def _take_back(self, target: str) -> None:
        self.undone.add(target)
        if self.closing is not None and self.closing.client_id == target:
            self.closing = None
        self.logged -= self.by_id[target].counted
        if self.by_id[target].counted:
            self.last_number = self._highest_number()

    def _highest_number(self) -> int:
        number = 0
        for line in self.standing():
            if line.counted:
                number = line.cycle_number or number + line.counted
        return number

    def standing(self) -> list[Line]:
        """Return the lines that nobody has undone, undo lines left out."""
        return [
            line
            for line in self.lines
            if line.kind is not EntryKind.UNDO and line.client_id not in self.undone
        ]

    def facts(self) -> ShiftFacts:
        """Return the opening and closing, with corrected counter readings."""
        opening, closing = self.lines[0], self.closing
        readings = [line for line in self.readings if line.client_id not in self.undone]
        corrected = {line.reading: line.counter for line in readings if line.reading}
        closing_counter = None if closing is None else closing.counter
        return ShiftFacts(
            opened_at=opening.occurred_at,
            opening_counter=corrected.get(Reading.OPENING, opening.counter),
            closed_at=None if closing is None else closing.occurred_at,
            closing_counter=None
            if closing is None
            else corrected.get(Reading.CLOSING, closing_counter),
            counter_event=None if closing is None else closing.counter_event,
            good_by_counter=any(
                line.kind is EntryKind.GOOD and bool(line.cycles) for line in readings
            ),
            settled=bool(corrected),
        )

    def goods_by(self, counter: int) -> int:
        """Return how many cycles the machine counted, by a reading now, that nobody logged.

        Raises
        ------
        InvalidValueError
            If the reading cannot tell, or less was counted than logged.
        """
        opening = self.facts().opening_counter
        if opening is None:
            raise InvalidValueError(
                "counter", "follow an opening reading, which this shift lacks", counter
            )
        rolled = counter < opening and self.modulus is not None
        event = CounterEvent.ROLLED_OVER if rolled else None
        counted = counted_by_machine(opening, counter, event, self.modulus) or 0
        if counted < self.logged:
            raise InvalidValueError(
                "counter",
                f"cover the {self.logged} logged cycles (opening reading {opening})",
                counter,
            )
        check_whole("cycles by the counter", counted - self.logged, 0, MOST_CYCLES_AT_ONCE)
        return counted - self.logged

    def admit(self, entry: NewEntry, *, late: bool = False) -> int | None:
        """Check that a new line may follow, and return its cycle number if it has one.

        `late`: it was tapped on a tablet that had not heard of the shift's closing yet.

        Raises
        ------
        InvalidValueError
            If a field of the line does not fit the lines before it.
        ConflictError
            If the shift's state does not allow the line.
        """
        may_follow = entry.kind in AFTER_CLOSE or (
            late and entry.kind is not EntryKind.SHIFT_CLOSED
        )
        if self.closing is not None and not may_follow:
            raise ConflictError(f"shift {self.label!r} is closed; no {entry.kind} line can follow")
        check = _ADMISSIONS.get(entry.kind)
        if check is not None:
            check(self, entry, late)
        return self.number(entry)

    def number(self, entry: NewEntry) -> int | None:
        """Return a new line's cycle number if it has one, checked to follow those before it.

        Raises
        ------
        InvalidValueError
            If a cycle of that number or a higher one is logged already.
        """
        if entry.kind is EntryKind.CHECK:
            return entry.cycle_number
        if entry.cycles is None or not entry.order_known:
            return None
        if entry.cycle_number is None:
            return self.last_number + entry.cycles
        if entry.cycle_number - entry.cycles < self.last_number:
            raise InvalidValueError(
                "cycle number",
                f"be above {self.last_number + entry.cycles - 1}: cycle {self.last_number} "
                f"of shift {self.label!r} is already logged",
                entry.cycle_number,
            )
        return entry.cycle_number

    def _target(self, entry: NewEntry) -> Line:
        target = self.by_id.get(entry.target or "")
        if target is None:
            raise UnknownNameError("target", f"be a line of shift {self.label!r}", entry.target)
        if target.client_id in self.undone:
            raise ConflictError(f"line {entry.target!r} is already undone")
        return target

    def _check_undo(self, entry: NewEntry, late: bool) -> None:
        target = self._target(entry)
        if target.kind in FIXED:
            raise ConflictError(f"a line of kind '{target.kind}' cannot be undone")
        stays = target.kind not in (*AFTER_CLOSE, EntryKind.SHIFT_CLOSED)
        if self.closing is not None and stays and not late:
            raise ConflictError(
                f"shift {self.label!r} is closed; undo its closing before other lines"
            )

    def _check_photo(self, entry: NewEntry, _late: bool) -> None:
        self._failed_target(entry)

    def _failed_target(self, entry: NewEntry) -> Line:
        target = self._target(entry)
        if target.kind is not EntryKind.FAILED:
            raise InvalidValueError("target", "be a failed cycle", f"a {target.kind} line")
        return target

    def _check_ruling(self, entry: NewEntry, _late: bool) -> None:
        target = self._failed_target(entry)
        if entry.failure_mode_id not in (None, *target.mode_ids):
            raise InvalidValueError(
                "failure mode", "be one of the failed cycle's", entry.failure_mode_id
            )

    def _check_reading(self, entry: NewEntry, _late: bool) -> None:
        if entry.reading is Reading.CLOSING and self.closing is None:
            raise ConflictError(f"shift {self.label!r} is not closed; it has no closing reading")
        facts = self.facts()
        readings = {
            Reading.OPENING: facts.opening_counter,
            Reading.CLOSING: facts.closing_counter,
        } | {entry.reading: entry.counter}
        counted = counted_by_machine(
            readings[Reading.OPENING], readings[Reading.CLOSING], facts.counter_event, self.modulus
        )
        if counted is not None and counted < 0:
            raise InvalidValueError(
                f"{entry.reading} reading",
                f"leave the closing reading at or above the opening one "
                f"({facts.opening_counter} and {facts.closing_counter} stand)",
                entry.counter,
            )

    def _check_close(self, entry: NewEntry, _late: bool) -> None:
        opening = self.facts().opening_counter
        if opening is None or entry.counter is None:
            return
        self._check_event(entry, opening)
        counted = counted_by_machine(opening, entry.counter, entry.counter_event, self.modulus)
        if counted is not None and counted < self.logged and not entry.mismatch_accepted:
            raise InvalidValueError(
                "closing counter",
                f"cover the {self.logged} logged cycles (opening reading {opening}, so at least "
                f"{opening + self.logged}), unless the difference is accepted in writing",
                entry.counter,
            )

    def _check_event(self, entry: NewEntry, opening: int) -> None:
        counter = entry.counter or 0
        if entry.counter_event is None and counter < opening:
            raise InvalidValueError(
                "closing counter",
                f"be at least the opening reading {opening}, unless the counter rolled over "
                "or was reset",
                counter,
            )
        if entry.counter_event is CounterEvent.ROLLED_OVER:
            self._check_rolled_over(counter, opening)

    def _check_rolled_over(self, counter: int, opening: int) -> None:
        if self.modulus is None:
            raise InvalidValueError(
                "counter event",
                "be allowed by the cell: say there after how many cycles its counter restarts",
                CounterEvent.ROLLED_OVER.value,
            )
        if max(counter, opening) >= self.modulus or counter >= opening:
            raise InvalidValueError(
                "closing counter",
                f"lie below the opening reading {opening} and both below {self.modulus} "
                "where the counter rolled over",
                counter,
            )


_ADMISSIONS: dict[EntryKind, Callable[[ShiftLog, NewEntry, bool], None]] = {
    EntryKind.PHOTO: ShiftLog._check_photo,
    EntryKind.SHIFT_CLOSED: ShiftLog._check_close,
    EntryKind.READING: ShiftLog._check_reading,
    EntryKind.RULING: ShiftLog._check_ruling,
    EntryKind.UNDO: ShiftLog._check_undo,
}


LINE_COLUMNS = (
    "client_id", "kind", "occurred_at", "person_id", "cycles", "cycle_number", "counter",
    "counter_event", "reading", "condition", "failure_mode_id", "relevant", "target",
)  # fmt: skip


def read_log(session: Session, shift: Shift, cell: Cell) -> ShiftLog:
    """Read a shift's lines from the records, but for those of the machine: it logs no cycles."""
    log = ShiftLog(shift.label, shift.stage, cell.counter_modulus)
    modes = modes_by_entry(session, Entry.shift_id == shift.id)
    columns = [getattr(Entry, name) for name in LINE_COLUMNS]
    lines = select(Entry.id, *columns).where(
        Entry.shift_id == shift.id, Entry.kind != EntryKind.COUNT
    )
    for entry_id, *values in session.execute(lines.order_by(Entry.sequence)):
        facts = dict(zip(LINE_COLUMNS, values, strict=True))
        log.add(Line(entry_id=entry_id, mode_ids=tuple(modes.get(entry_id, ())), **facts))
    return log


def modes_by_entry(session: Session, which: ColumnElement[bool]) -> dict[int, list[int]]:
    """Return the failure modes of some failed cycles, by entry, in ascending order."""
    statement = (
        select(EntryMode.entry_id, EntryMode.failure_mode_id)
        .join(Entry, Entry.id == EntryMode.entry_id)
        .where(which)
        .order_by(EntryMode.failure_mode_id)
    )
    modes: dict[int, list[int]] = {}
    for entry_id, mode_id in session.execute(statement):
        modes.setdefault(entry_id, []).append(mode_id)
    return modes
