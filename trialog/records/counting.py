"""The machine's own count: which of its readings may follow, and what they say of a shift.

A reading tells how many parts the machine has counted by itself, at a moment. Readings stand in
the order of their times, whoever sends them, so that a shift's opening and closing lie between two
of them. Where readings are on record as missing between those two, and the count moved, nobody can
tell what the machine had counted at that moment, and nothing is said.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Row, Select, select
from sqlalchemy.orm import Session

from trialog.errors import InvalidValueError
from trialog.records.entries import NewEntry
from trialog.records.models import Cell, Entry, Shift
from trialog.records.shiftlog import ShiftLog
from trialog.records.words import CounterEvent, EntryKind


@dataclass(frozen=True, slots=True)
class MachineReading:
    """A line of the machine's: its place in the logbook, its time, its count if it has one."""

    sequence: int
    at: datetime
    counter: int | None
    event: CounterEvent | None
    gap: bool
    """Whether the line says that readings before it are missing."""


@dataclass(frozen=True, slots=True)
class MachineCount:
    """What the machine's own count says of a shift; None where it cannot tell.

    `counted` goes over a counter that was reset to 0, or rolled over, while somebody listened.
    """

    opening: int | None = None
    closing: int | None = None
    counted: int | None = None


UNCOUNTED = MachineCount()
"""What is said of a shift whose machine nobody follows."""


def check_follows(entry: NewEntry, last: Sequence[MachineReading], modulus: int | None) -> None:
    """Check that a line of the machine's may follow those before it: `last_two` of them.

    Raises
    ------
    InvalidValueError
        If its time lies before theirs, or its count fell and it does not say why.
    """
    moment, counter = entry.occurred_at, entry.counter
    latest = max((line.at for line in last), default=None)
    if moment is not None and latest is not None and moment < latest:
        rule = f"not lie before the machine's reading before it ({latest.isoformat()})"
        raise InvalidValueError("time", rule, moment.isoformat())
    before = next((line.counter for line in last if line.counter is not None), None)
    if counter is None:
        return
    if before is not None and counter < before and entry.counter_event is None:
        rule = f"be at least the machine's last reading {before}, or say that it was reset"
        raise InvalidValueError("counter", rule, counter)
    if entry.counter_event is CounterEvent.ROLLED_OVER:
        largest = max(counter, before or 0)
        if modulus is None or before is None or counter >= before or largest >= modulus:
            raise InvalidValueError(
                "counter event",
                "be allowed by the cell's counter restart, and come with a lower reading",
                entry.counter_event.value,
            )


def last_two(session: Session, cell_id: int) -> list[MachineReading]:
    """Return the machine's newest line and its newest one with a count, where there are any."""
    newest = _first(session, _newest_first(cell_id), counted=False)
    if newest is None or newest.counter is not None:
        return [] if newest is None else [newest]
    counted = last_reading(session, cell_id)
    return [newest] if counted is None else [newest, counted]


def last_reading(session: Session, cell_id: int) -> MachineReading | None:
    """Return the machine's newest reading with a count, if there is any."""
    return _first(session, _newest_first(cell_id))


@dataclass(frozen=True, slots=True)
class Moment:
    """A time, and the place in the logbook near which what was said at that time stands."""

    at: datetime
    near: int


def machine_was_heard(session: Session, cell: Cell) -> bool:
    """Say whether the machine has told a count at all: else it tells nothing of any shift."""
    return last_reading(session, cell.id) is not None


def set_shift_facts(session: Session, cell: Cell, shifts: Iterable[tuple[Shift, ShiftLog]]) -> None:
    """Derive the facts of some shifts, each given with its log."""
    heard = machine_was_heard(session, cell)
    for shift, log in shifts:
        with session.no_autoflush:  # many shifts are written at once
            for name, value in shift_facts(session, cell, log, heard=heard).items():
                setattr(shift, name, value)


def shift_facts(session: Session, cell: Cell, log: ShiftLog, *, heard: bool) -> dict[str, Any]:
    """Return all that is derived of a shift from lines of people and of the machine, by column.

    Where an engineer has written a reading in, that one settles what was counted. `heard`:
    `machine_was_heard`.
    """
    facts = log.facts()
    said = UNCOUNTED
    if heard:
        opened, closed = _moment(session, log.lines[0].client_id, facts.opened_at), None
        if log.closing is not None and facts.closed_at is not None:
            closed = _moment(session, log.closing.client_id, facts.closed_at)
        said = machine_count(session, cell, opened, closed)
    return asdict(facts) | {
        "machine_opening": said.opening,
        "machine_closing": said.closing,
        "machine_counted": None if facts.settled else said.counted,
    }


def _moment(session: Session, client_id: str, at: datetime) -> Moment:
    sequence = session.scalar(select(Entry.sequence).where(Entry.client_id == client_id))
    return Moment(at, sequence or 1)


def machine_count(
    session: Session, cell: Cell, opened: Moment, closed: Moment | None
) -> MachineCount:
    """Return what the machine's own count says of a stretch; `closed` empty: it goes on."""
    first = reading_at(session, cell.id, opened)
    if first is None:
        return UNCOUNTED
    last = None if closed is None else reading_at(session, cell.id, closed)
    if last is None:
        return MachineCount(opening=first.counter)
    counted = counted_between(session, cell, first, last)
    return MachineCount(first.counter, last.counter, counted)


def counted_between(
    session: Session, cell: Cell, first: MachineReading, last: MachineReading
) -> int | None:
    """Return how many parts the machine counted from one of its readings to another.

    None after a reset that was not seen at 0: what came before and after it is lost.
    """
    start, total = first.counter or 0, 0
    between = _lines(cell.id).where(
        Entry.sequence > first.sequence,
        Entry.sequence <= last.sequence,
        Entry.counter_event.is_not(None),
    )
    for line in session.execute(between.order_by(Entry.sequence)).all():
        event = _reading(line)
        before = _newest_before(session, cell.id, event.sequence)
        reached = start if before is None or before.counter is None else before.counter
        if event.event is CounterEvent.ROLLED_OVER:
            if cell.counter_modulus is None:
                return None
            start -= cell.counter_modulus
        elif event.counter == 0 and not event.gap:
            total += reached - start
            start = 0
        else:
            return None
    return total + (last.counter or 0) - start


def reading_at(session: Session, cell_id: int, moment: Moment) -> MachineReading | None:
    """Return the reading that held at a moment; None where nobody can tell.

    Those of a cell stand in the order of their times. The search begins near the place where the
    moment is to be expected, so that it takes as long in ten million lines as in ten.
    """
    before = _newest_before(session, cell_id, moment.near)
    if before is not None and before.at > moment.at:  # the shift's own line came late
        earlier = Entry.sequence < before.sequence, Entry.occurred_at <= moment.at
        before = _first(session, _newest_first(cell_id), *earlier)
        after = _first(session, _oldest_first(cell_id), *_behind(before))
    else:  # what stands behind may have happened before: it came late
        later = Entry.sequence >= moment.near, Entry.occurred_at > moment.at
        after = _first(session, _oldest_first(cell_id), *later)
        before = (
            last_reading(session, cell_id)
            if after is None
            else _newest_before(session, cell_id, after.sequence)
        )
    if before is None or _is_missing(session, cell_id, before, after):
        return None
    return before


def _behind(reading: MachineReading | None) -> tuple[ColumnElement[bool], ...]:
    return () if reading is None else (Entry.sequence > reading.sequence,)


def _is_missing(
    session: Session, cell_id: int, before: MachineReading, after: MachineReading | None
) -> bool:
    """Say whether readings between two are on record as missing, and the count moved."""
    if after is not None and after.counter == before.counter and after.event is None:
        return False
    between = [Entry.sequence > before.sequence, Entry.reason != ""]
    if after is not None:
        between.append(Entry.sequence <= after.sequence)
    return _first(session, _oldest_first(cell_id), *between, counted=False) is not None


def _newest_before(session: Session, cell_id: int, sequence: int) -> MachineReading | None:
    return _first(session, _newest_first(cell_id), Entry.sequence < sequence)


def _first(
    session: Session, lines: Lines, *which: ColumnElement[bool], counted: bool = True
) -> MachineReading | None:
    """Return the first of some lines; `counted`: of those with a count."""
    if counted:
        lines = lines.where(Entry.counter.is_not(None))
    line = session.execute(lines.where(*which).limit(1)).first()
    return None if line is None else _reading(line)


Lines = Select[int, datetime, int | None, CounterEvent | None, str]


def _lines(cell_id: int) -> Lines:
    return select(
        Entry.sequence, Entry.occurred_at, Entry.counter, Entry.counter_event, Entry.reason
    ).where(Entry.cell_id == cell_id, Entry.kind == EntryKind.COUNT)


def _newest_first(cell_id: int) -> Lines:
    return _lines(cell_id).order_by(Entry.sequence.desc())


def _oldest_first(cell_id: int) -> Lines:
    return _lines(cell_id).order_by(Entry.sequence)


def _reading(line: Row[int, datetime, int | None, CounterEvent | None, str]) -> MachineReading:
    return MachineReading(
        line.sequence, line.occurred_at, line.counter, line.counter_event, bool(line.reason)
    )
