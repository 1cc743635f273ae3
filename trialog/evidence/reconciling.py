"""The log against the machine's own part counter."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from trialog.records.models import CellRollup, Shift
from trialog.records.shiftlog import counted_by_machine
from trialog.records.words import CounterEvent


class CounterState(StrEnum):
    """How a shift's log compares with the machine counter."""

    AGREES = "agrees"
    UNLOGGED = "unlogged cycles"
    TOO_MANY = "more logged than counted"
    NO_READING = "no reading"
    RESET = "counter reset"
    OPEN = "shift open"


@dataclass(frozen=True)
class Reconciliation:
    """One shift's logged cycles beside what the machine counted.

    `unlogged` is counted minus logged; negative where more was logged than counted, None
    where the counter cannot tell.
    """

    label: str
    logged: int
    opening: int | None
    closing: int | None
    event: CounterEvent | None
    counted: int | None
    state: CounterState

    @property
    def unlogged(self) -> int | None:
        """Cycles that the machine counted and nobody logged."""
        return None if self.counted is None else self.counted - self.logged


def reconcile(session: Session, shift: Shift) -> Reconciliation:
    """Compare a shift's log with the machine counter."""
    statement = select(func.sum(CellRollup.logged)).where(CellRollup.shift_id == shift.id)
    return compare(shift, session.scalar(statement) or 0)


def compare(shift: Shift, logged: int) -> Reconciliation:
    """Compare a shift's readings with a number of logged cycles."""
    counted = counted_by_machine(
        shift.opening_counter,
        shift.closing_counter,
        shift.counter_event,
        shift.cell.counter_modulus,
    )
    return Reconciliation(
        label=shift.label,
        logged=logged,
        opening=shift.opening_counter,
        closing=shift.closing_counter,
        event=shift.counter_event,
        counted=counted,
        state=_state(shift, counted, logged),
    )


def _state(shift: Shift, counted: int | None, logged: int) -> CounterState:
    if shift.closed_at is None:
        return CounterState.OPEN
    if shift.counter_event is CounterEvent.RESET:
        return CounterState.RESET
    if counted is None:
        return CounterState.NO_READING
    if counted == logged:
        return CounterState.AGREES
    return CounterState.UNLOGGED if counted > logged else CounterState.TOO_MANY
