"""What stands behind a line of a verdict: shifts, lines of the logbook, acknowledgements."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from sqlalchemy import ColumnElement, select
from sqlalchemy.orm import Session, selectinload

from trialog.evidence.gathering import Evidence
from trialog.evidence.numbering import FailedCycle
from trialog.records.machine_lines import MachineLines, machine_lines
from trialog.records.models import Acknowledgement, Entry, Shift
from trialog.records.queries import undone_ids
from trialog.records.words import AcknowledgementKind, Effect, EntryKind

READINGS = (EntryKind.SHIFT_OPENED, EntryKind.READING, EntryKind.SHIFT_CLOSED)

NEWEST = 20
"""Of how many shifts, the newest, the machine's own lines are summed up."""


@dataclass(frozen=True)
class Behind:
    """The shifts and lines that a line of a verdict rests on, in order, and acknowledgements.

    Good cycles are not listed one by one: they are in their shifts, each of which lists all of
    its lines.
    """

    shifts: tuple[Shift, ...]
    entries: tuple[Entry, ...]
    acknowledged: tuple[Acknowledgement, ...]
    machine: tuple[MachineLines, ...] = ()
    """What the machine itself said in the newest of the shifts."""


def behind(session: Session, evidence: Evidence, key: str) -> Behind:
    """Return what a line of a trial's verdict rests on, by the line's key."""
    return _FINDERS[key](_Search(session, evidence))


class _Search:
    """The records of a trial's evidence, looked through for one line of its verdict."""

    def __init__(self, session: Session, evidence: Evidence) -> None:
        self.session, self.evidence = session, evidence
        self.cell_id = evidence.trial.cell_id
        table = evidence.shifts
        self.bearing = [int(shift_id) for shift_id in table["shift_id"]]
        self.counted = [int(one) for one in table.loc[table["cycles"] > 0, "shift_id"]]

    def found(
        self,
        shift_ids: Sequence[int] = (),
        entries: Sequence[Entry] = (),
        acknowledged: AcknowledgementKind | None = None,
        *,
        machine: bool = False,
    ) -> Behind:
        """Put together what was found, shifts in order; `machine`: with what it said itself."""
        statement = select(Shift).where(Shift.id.in_(shift_ids))
        shifts = self.session.scalars(statement.order_by(Shift.opened_at, Shift.id)).all()
        newest = [shift.id for shift in shifts[-NEWEST:]] if machine else []
        noted = select(Acknowledgement).where(
            Acknowledgement.trial_id == self.evidence.trial.id, Acknowledgement.kind == acknowledged
        )
        return Behind(
            tuple(shifts),
            tuple(entries),
            tuple(self.session.scalars(noted.order_by(Acknowledgement.id))),
            tuple(machine_lines(self.session, newest)),
        )

    def lines(self, *which: ColumnElement[bool]) -> list[Entry]:
        """Return lines of the cell that nobody has undone, in the order of the logbook."""
        undone = undone_ids(self.session, self.cell_id)
        statement = (
            select(Entry)
            .where(Entry.cell_id == self.cell_id, *which)
            .order_by(Entry.sequence)
            .options(selectinload(Entry.modes), selectinload(Entry.person))
        )
        return [entry for entry in self.session.scalars(statement) if entry.client_id not in undone]

    def failures(self, counts: Callable[[FailedCycle], bool]) -> list[FailedCycle]:
        """Return the failed cycles of the evidence that are asked for."""
        return [cycle for cycle in self.evidence.numbering.failed if counts(cycle)]

    def of_failures(
        self,
        cycles: Iterable[FailedCycle],
        *also: EntryKind,
        shift_ids: Sequence[int] | None = None,
        acknowledged: AcknowledgementKind | None = None,
    ) -> Behind:
        """Return failed cycles with the lines about them, and their shifts if no others."""
        cycles = list(cycles)
        ids = [cycle.entry for cycle in cycles]
        about: ColumnElement[bool] = Entry.client_id.in_(ids)
        if also:
            about |= Entry.kind.in_(also) & Entry.target.in_(ids)
        shifts = shift_ids if shift_ids is not None else [cycle.shift_id for cycle in cycles]
        return self.found(shifts, self.lines(about), acknowledged)


def _plan(search: _Search) -> Behind:
    failures = search.failures(lambda cycle: cycle.relevant)
    return search.of_failures(failures, shift_ids=search.counted)


def _damage(search: _Search) -> Behind:
    modes = search.evidence.counts.modes
    damaging = set(modes.loc[modes["effect"] == Effect.DAMAGE, "mode_id"])
    return search.of_failures(search.failures(lambda cycle: bool(damaging & set(cycle.modes))))


def _rulings(search: _Search) -> Behind:
    return search.of_failures(search.failures(lambda _: True), EntryKind.RULING)


def _counter(search: _Search) -> Behind:
    lines = search.lines(Entry.shift_id.in_(search.bearing), Entry.kind.in_(READINGS))
    return search.found(search.bearing, lines, machine=True)


def _changes(search: _Search) -> Behind:
    evidence = search.evidence
    ids = [revision.entry_id for revision in (evidence.since, *evidence.changes)]
    made = [entry_id for entry_id in ids if entry_id is not None]
    return search.found((), search.lines(Entry.id.in_(made)))


def _conditions(search: _Search) -> Behind:
    lines = search.lines(
        Entry.shift_id.in_(search.counted), Entry.kind == EntryKind.CONDITION, *_since(search)
    )
    return search.found(search.counted, lines)


def _since(search: _Search) -> list[ColumnElement[bool]]:
    begun = search.evidence.since.effective_at
    return [] if begun is None else [Entry.occurred_at >= begun]


def _patterns(search: _Search) -> Behind:
    failures = search.failures(lambda cycle: cycle.relevant)
    return search.of_failures(
        failures, shift_ids=search.counted, acknowledged=AcknowledgementKind.PATTERN
    )


def _cautions(search: _Search) -> Behind:
    return search.found(acknowledged=AcknowledgementKind.CAUTIONS)


_FINDERS: dict[str, Callable[[_Search], Behind]] = {
    "plan": _plan,
    "damage": _damage,
    "rulings": _rulings,
    "counter": _counter,
    "changes": _changes,
    "conditions": _conditions,
    "patterns": _patterns,
    "cautions": _cautions,
}
