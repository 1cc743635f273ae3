"""Take in what a machine says: in order, once, and with why its count fell.

Whoever hears a machine may hear it late, twice or by a clock that is wrong. Here that is put in
order, as `intake` does for tablets; the logbook's rules stay the logbook's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from trialog.errors import ConflictError
from trialog.records.counting import last_two
from trialog.records.entries import NewEntry
from trialog.records.logbook import write_entries
from trialog.records.models import Cell, Entry, Person, Shift
from trialog.records.words import CounterEvent, EntryKind


@dataclass(frozen=True, kw_only=True)
class Said:
    """What a machine said: its count so far, one part more, what it does, or that it was not heard.

    `gap` says why readings before this one are missing. `reset`: the machine itself says that its
    count began anew. `at` empty: now; of a gap alone, right after what was heard before it.
    """

    client_id: str
    at: datetime | None = None
    counter: int | None = None
    pulse: bool = False
    state: str = ""
    gap: str = ""
    reset: bool = False


@dataclass(frozen=True)
class Heard:
    """What became of it: lines added, lines that were there, and whether a closed shift is reached.

    `still`: readings that only repeat the count before them, and are left out where that is asked.
    """

    added: tuple[str, ...]
    repeated: tuple[str, ...]
    still: tuple[str, ...]
    late: bool


def hear(
    session: Session,
    cell: Cell,
    said: Sequence[Said],
    *,
    actor: Person | None,
    now: datetime,
    leave_out_still: bool = False,
) -> Heard:
    """Write what a machine said into its cell's logbook, in the order given.

    A time is held between the machine's line before and `now`, as a tablet's is. A count that fell
    was reset, unless starting again at 0 is the shorter way for the cell's counter than running
    back. What stands there already under its id changes nothing.

    Raises
    ------
    ConflictError
        If an id stands for something else.
    RejectedEntriesError
        If something breaks a rule. Nothing has been written.
    """
    session.refresh(cell, with_for_update=True)
    known = _known(session, cell, said)
    lines: list[NewEntry] = []
    still: list[str] = []
    voice = _Voice(session, cell, now)
    for one in said:
        if one.client_id in known:
            continue
        if leave_out_still and voice.is_still(one):
            still.append(one.client_id)
            continue
        lines.append(voice.line(one))
    if lines:
        # A server's clock that was set back is behind what it stamped before: then that holds.
        write_entries(session, cell, lines, actor=actor, now=max(now, voice.at or now))
    late = bool(lines) and _is_late(session, cell, lines)
    return Heard(
        tuple(line.client_id for line in lines),
        tuple(one.client_id for one in said if one.client_id in known),
        tuple(still),
        late,
    )


class _Voice:
    """A machine that speaks: where its count and its clock stand."""

    def __init__(self, session: Session, cell: Cell, now: datetime) -> None:
        self.modulus, self.now = cell.counter_modulus, now
        last = last_two(session, cell.id)
        self.at = max((line.at for line in last), default=None)
        self.counter = next((line.counter for line in last if line.counter is not None), None)
        self.gap = any(line.gap for line in last[:1])

    def is_still(self, one: Said) -> bool:
        """Say whether a reading says nothing that is not known."""
        about_more = one.state or one.gap or one.reset or one.pulse or self.gap
        return not about_more and one.counter is not None and one.counter == self.counter

    def line(self, one: Said) -> NewEntry:
        """Return the line for what was said, and remember it."""
        behind = self.at if one.gap and one.counter is None else None
        moment = min(one.at or behind or self.now, self.now)
        self.at = moment if self.at is None else max(moment, self.at)
        counter, event = self._counted(one)
        if counter is not None:
            self.counter = counter
        self.gap = bool(one.gap) or (self.gap and counter is None)
        return NewEntry(
            client_id=one.client_id, kind=EntryKind.COUNT, occurred_at=self.at, counter=counter,
            counter_event=event, text=one.state, reason=one.gap,
        )  # fmt: skip

    def _counted(self, one: Said) -> tuple[int | None, CounterEvent | None]:
        before = self.counter
        if one.pulse:
            after = (before or 0) + 1
            if after == self.modulus:
                return 0, CounterEvent.ROLLED_OVER
            return after, None
        if one.counter is None:
            return None, None
        if one.reset:
            return one.counter, CounterEvent.RESET
        if before is None or one.counter >= before:
            return one.counter, None
        went_round = self.modulus is not None and (
            before < self.modulus and 2 * (before - one.counter) > self.modulus
        )
        return one.counter, CounterEvent.ROLLED_OVER if went_round else CounterEvent.RESET


def _known(session: Session, cell: Cell, said: Sequence[Said]) -> set[str]:
    """Return the ids that stand in the logbook; what stands there must say the same."""
    given = {one.client_id: one for one in said}
    columns = (Entry.client_id, Entry.cell_id, Entry.kind, Entry.counter, Entry.text)
    found = session.execute(select(*columns).where(Entry.client_id.in_(list(given)))).all()
    for client_id, cell_id, kind, counter, state in found:
        one = given[client_id]
        same = one.pulse or (one.counter, one.state) == (counter, state)
        if (cell_id, kind) != (cell.id, EntryKind.COUNT) or not same:
            raise ConflictError(f"id must be new for a new reading, but {client_id!r} is taken")
    return {row.client_id for row in found}


def _is_late(session: Session, cell: Cell, lines: Sequence[NewEntry]) -> bool:
    """Say whether lines bear on a shift that is closed."""
    first = min(line.occurred_at for line in lines if line.occurred_at is not None)
    closed = select(Shift.id).where(Shift.cell_id == cell.id, Shift.closed_at >= first)
    gap = any(line.reason for line in lines)
    return gap or session.scalar(closed.limit(1)) is not None
