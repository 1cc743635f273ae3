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

    `by_readings` is what the readings say that people typed, `by_machine` what the machine's own
    count says, None where either cannot tell. `counted` is the larger: where the two differ, the
    verdict is held against more unlogged cycles, not fewer. `opening` and `closing` are the typed
    readings where both are there, else the machine's. `unlogged` is counted minus logged; negative
    where more was logged than counted, None where nothing can tell.
    """

    label: str
    logged: int
    opening: int | None
    closing: int | None
    event: CounterEvent | None
    counted: int | None
    by_readings: int | None
    by_machine: int | None
    state: CounterState

    @property
    def difference(self) -> int | None:
        """What the machine counted more than the typed readings say; None where one is missing."""
        if self.by_readings is None or self.by_machine is None:
            return None
        return self.by_machine - self.by_readings

    @property
    def unlogged(self) -> int | None:
        """Cycles that the machine counted and nobody logged."""
        return None if self.counted is None else self.counted - self.logged


def reconcile(session: Session, shift: Shift) -> Reconciliation:
    """Compare a shift's log with the machine counter."""
    statement = select(func.sum(CellRollup.logged)).where(CellRollup.shift_id == shift.id)
    return compare(shift, session.scalar(statement) or 0)


def compare(shift: Shift, logged: int) -> Reconciliation:
    """Compare a shift's readings, and the machine's own count, with a number of logged cycles."""
    by_readings = counted_by_machine(
        shift.opening_counter,
        shift.closing_counter,
        shift.counter_event,
        shift.cell.counter_modulus,
    )
    by_machine = shift.machine_counted
    counted = max((one for one in (by_readings, by_machine) if one is not None), default=None)
    machines = by_readings is None and by_machine is not None
    return Reconciliation(
        label=shift.label,
        logged=logged,
        opening=shift.machine_opening if machines else shift.opening_counter,
        closing=shift.machine_closing if machines else shift.closing_counter,
        event=None if machines else shift.counter_event,
        counted=counted,
        by_readings=by_readings,
        by_machine=by_machine,
        state=_state(shift, counted, logged),
    )


def readings_between(before: Shift, after: Shift) -> tuple[int, int] | None:
    """Return the counter at a shift's closing and at the next one's opening; None: not both known.

    Both typed, or both the machine's own: what people read may be another counter.
    """
    for closing, opening in (
        (before.closing_counter, after.opening_counter),
        (before.machine_closing, after.machine_opening),
    ):
        if closing is not None and opening is not None:
            return closing, opening
    return None


def cycles_between(before: Shift, after: Shift) -> int | None:
    """Return the cycles between a shift's closing and the next one's opening, in no shift.

    None where the readings cannot tell: one is missing, or the counter fell and did not go round.
    At 0 it was reset, as many shops do.
    """
    readings = readings_between(before, after)
    if readings is None:
        return None
    closing, opening = readings
    if opening >= closing:
        return opening - closing
    modulus = after.cell.counter_modulus
    if modulus is None or opening == 0 or not went_round(closing, opening, modulus):
        return None
    return opening + modulus - closing


def went_round(closing: int, opening: int, modulus: int) -> bool:
    """Say whether starting again at 0 is the shorter way for a counter than running back."""
    return closing < modulus < 2 * (closing - opening)


def _state(shift: Shift, counted: int | None, logged: int) -> CounterState:
    if shift.closed_at is None:
        return CounterState.OPEN
    if counted is None:
        reset = shift.counter_event is CounterEvent.RESET
        return CounterState.RESET if reset else CounterState.NO_READING
    if counted == logged:
        return CounterState.AGREES
    return CounterState.UNLOGGED if counted > logged else CounterState.TOO_MANY
