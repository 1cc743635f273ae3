"""How a shift stands while it runs: what every tablet on it shows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session, selectinload

from trialog.records.intake import TABLET_KINDS
from trialog.records.models import Entry, Shift
from trialog.records.shiftlog import FIXED, ShiftLog, read_log
from trialog.records.words import EntryKind

UNDONE_AT_THE_MACHINE = TABLET_KINDS - {*FIXED, EntryKind.SHIFT_CLOSED, EntryKind.CHECK}
"""What a tablet offers to undo. Rulings and readings are taken back where they were written, a
spot check's taps within it: they must not push the operator's own off the list."""

RECENT = 6
"""How many of the last lines a tablet offers to undo: they fill one screen."""


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
    # Read before the lines: a state must not claim to know of more lines than it counts.
    sequence = shift.cell.chain_length
    log = read_log(session, shift, shift.cell)
    opening = log.facts().opening_counter
    return Running(
        shift_id=shift.id,
        label=shift.label,
        stage=str(shift.stage),
        open=log.closing is None,
        sequence=sequence,
        logged=log.logged,
        failed=sum(line.kind is EntryKind.FAILED for line in log.standing()),
        last_number=log.last_number,
        opening_counter=opening,
        expected_counter=_expected(opening, log),
        checked=sum(line.cycles or 0 for line in log.standing() if line.kind is EntryKind.CHECK),
        recent=tuple(_recent(entry) for entry in recent_lines(session, log)),
    )


def _expected(opening: int | None, log: ShiftLog) -> int | None:
    if opening is None:
        return None
    expected = opening + log.logged
    return expected if log.modulus is None else expected % log.modulus


def recent_lines(session: Session, log: ShiftLog) -> Sequence[Entry]:
    """Return the last lines of a shift that stand and can be undone, newest first."""
    lines = [line for line in log.standing() if line.kind in UNDONE_AT_THE_MACHINE][-RECENT:]
    statement = (
        select(Entry)
        .where(Entry.client_id.in_([line.client_id for line in lines]))
        .order_by(Entry.sequence.desc())
        .options(selectinload(Entry.modes), selectinload(Entry.person))
    )
    return session.scalars(statement).all()


def _recent(entry: Entry) -> Recent:
    person = entry.person
    return Recent(
        client_id=entry.client_id,
        kind=str(entry.kind),
        cycles=entry.cycles or 0,
        cycle_number=entry.cycle_number,
        modes=tuple(mode.id for mode in entry.modes),
        clear_seconds=entry.clear_seconds,
        condition=None if entry.condition is None else str(entry.condition),
        text=entry.text,
        counter=entry.counter,
        person=None if person is None else {"id": person.id, "name": person.name},
    )


def as_json(state: Running) -> dict[str, Any]:
    """Return the state as plain data."""
    plain = dict(vars(state))
    plain["recent"] = [dict(vars(line)) for line in state.recent]
    return plain
