"""How a shift stands while it runs: what every tablet on it shows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from sqlalchemy import Row, select
from sqlalchemy.orm import Session

from trialog.records.intake import TABLET_KINDS
from trialog.records.models import Entry, Person, Shift
from trialog.records.shift_ends import end_of, standing_lines
from trialog.records.shiftlog import FIXED, modes_by_entry
from trialog.records.words import EntryKind

UNDONE_AT_THE_MACHINE = TABLET_KINDS - {*FIXED, EntryKind.SHIFT_CLOSED, EntryKind.CHECK}
"""What a tablet offers to undo. Rulings and readings are taken back where they were written, a
spot check's taps within it: they must not push the operator's own off the list."""

RECENT = 6
"""How many of the last lines a tablet offers to undo: they fill one screen."""

_LAST_LINES = (
    select(
        Entry.id, Entry.client_id, Entry.kind, Entry.cycles, Entry.cycle_number,
        Entry.clear_seconds, Entry.condition, Entry.text, Entry.counter, Entry.person_id,
        Person.name,
    )
    .outerjoin(Person, Person.id == Entry.person_id)
    .where(*standing_lines(*UNDONE_AT_THE_MACHINE))
    .order_by(Entry.sequence.desc())
    .limit(RECENT)
)  # fmt: skip


@dataclass(frozen=True)
class Running:
    """A shift's count so far; `expected_counter` is None without an opening reading,
    `checked` the cycles that a second person watched.

    `sequence` is the length of the cell's logbook: the higher one is the newer state.
    """

    shift_id: int
    label: str
    stage: str
    open: bool
    sequence: int
    logged: int
    failed: int
    last_number: int
    opening_counter: int | None
    expected_counter: int | None
    checked: int
    recent: tuple[Recent, ...]


@dataclass(frozen=True)
class Recent:
    """One of the last lines that stand, newest first."""

    client_id: str
    kind: str
    cycles: int
    cycle_number: int | None
    modes: tuple[int, ...]
    clear_seconds: int | None
    condition: str | None
    text: str
    counter: int | None
    person: dict[str, Any] | None


def running_state(session: Session, shift: Shift) -> Running:
    """Return how a shift stands."""
    # Read before all else: a state must not claim to know of more lines than it counts.
    sequence, modulus = shift.cell.chain_length, shift.cell.counter_modulus
    end = end_of(session, shift.id)
    return Running(
        shift_id=shift.id,
        label=shift.label,
        stage=str(shift.stage),
        open=shift.closed_at is None,
        sequence=sequence,
        logged=end.logged,
        failed=end.failed,
        last_number=end.last_number,
        opening_counter=shift.opening_counter,
        expected_counter=_expected(shift.opening_counter, end.logged, modulus),
        checked=end.checked,
        recent=recent_lines(session, shift),
    )


def _expected(opening: int | None, logged: int, modulus: int | None) -> int | None:
    if opening is None:
        return None
    return opening + logged if modulus is None else (opening + logged) % modulus


def recent_lines(session: Session, shift: Shift) -> tuple[Recent, ...]:
    """Return the last lines of a shift that stand and can be undone, newest first."""
    found = session.execute(_LAST_LINES, {"shift": shift.id}).all()
    failed = [line.id for line in found if line.kind is EntryKind.FAILED]
    modes = modes_by_entry(session, Entry.id.in_(failed)) if failed else {}
    return tuple(_recent(line, tuple(modes.get(line.id, ()))) for line in found)


def _recent(line: Row[*tuple[Any, ...]], modes: tuple[int, ...]) -> Recent:
    person = None if line.person_id is None else {"id": line.person_id, "name": line.name}
    return Recent(
        client_id=line.client_id,
        kind=str(line.kind),
        cycles=line.cycles or 0,
        cycle_number=line.cycle_number,
        modes=modes,
        clear_seconds=line.clear_seconds,
        condition=None if line.condition is None else str(line.condition),
        text=line.text,
        counter=line.counter,
        person=person,
    )


def as_json(state: Running) -> dict[str, Any]:
    """Return the state as plain data."""
    plain = dict(vars(state))
    plain["recent"] = [dict(vars(line)) for line in state.recent]
    return plain
