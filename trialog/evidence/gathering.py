"""Which cycles and failures count for a trial."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby, pairwise, product
from typing import Any

import pandas as pd
from sqlalchemy import func, or_, select
from sqlalchemy.orm import Session

from trialog.evidence.counting import COUNTS, Counts, count
from trialog.evidence.coverage import Coverage, cover
from trialog.evidence.numbering import FailedCycle, Group, Numbering
from trialog.evidence.parked import ParkedCounts, count_parked_since
from trialog.evidence.readings import doubtful_readings
from trialog.evidence.reconciling import (
    CounterState,
    Reconciliation,
    compare,
    cycles_between,
)
from trialog.evidence.straddling import straddling_readings
from trialog.records.models import (
    CellRollup,
    DeviceRollup,
    Entry,
    FailureMode,
    FailurePosition,
    Revision,
    Shift,
    Trial,
)
from trialog.records.queries import shifts_of, undone_ids
from trialog.records.rollups import revisions_in_order
from trialog.records.words import Effect, EntryKind
from trialog.reliability import SHIFT_HOURS

Tallies = dict[tuple[int, int], tuple[int, int, int]]
"""Cycles, failures and no-tests of the subject, by shift and revision."""


@dataclass(frozen=True)
class Evidence:
    """The counted cycles and relevant failures of a trial since the last resetting revision.

    `shifts`: a row a shift in order, those without a counted cycle only where the counter
    does not agree with the log, with shift_id, label, opened_at, closed_at, logged,
    cycles, failures, no_tests, counted (by the machine; missing where it cannot tell).
    `positions`: counted-cycle numbers, from 1, of the failures whose order is known.
    `earliest` and `latest`: those of all failures, with each that nobody gave an order placed as
    early, or as late, in its shift as there is room.
    """

    trial: Trial
    cycles: int
    failures: int
    no_tests: int
    unruled: int
    damage_failures: int
    counts: Counts
    shifts: pd.DataFrame
    numbering: Numbering
    positions: tuple[int, ...]
    earliest: tuple[int, ...]
    latest: tuple[int, ...]
    since: Revision
    revision_ids: tuple[int, ...]
    """The revisions whose cycles count, `since` first."""

    changes: tuple[Revision, ...]
    coverage: Coverage
    reconciliations: tuple[Reconciliation, ...]
    cycles_between_shifts: int
    """Cycles that the machine counted between the closing of one shift and the opening of the
    next; no shift covers them."""

    doubtful_readings: tuple[str, ...]
    """What speaks against readings that good cycles rest on, and nobody has seen to."""

    straddling_readings: tuple[str, ...]
    """Readings that vouch for good cycles from before and after the change that began it all."""

    cycles_per_shift: float
    last_failure: int
    """Place in the logbook of the newest relevant failure, or of what may have made one of an
    older: a ruling, or one taken back. 0 where there is none."""

    parked: ParkedCounts
    """Lines from the cell's tablets that the logbook has not taken since the evidence began."""

    @property
    def conditions(self) -> dict[str, int]:
        """How often each condition that a requirement may ask for was met."""
        return self.coverage.met()

    @property
    def failures_without_order(self) -> int:
        """Failures whose place among the cycles nobody wrote down."""
        return self.failures - len(self.positions)


@dataclass(frozen=True)
class _Window:
    """Where a trial's evidence lies: its stage's shifts, under the revisions that count."""

    trial: Trial
    all_shifts: Sequence[Shift]
    """Every shift of the cell, of whatever stage, in order."""

    shifts: Sequence[Shift]
    since: Revision
    revision_ids: tuple[int, ...]
    changes: tuple[Revision, ...]

    @property
    def shift_ids(self) -> list[int]:
        return [shift.id for shift in self.shifts]

    @property
    def begins_at(self) -> datetime | None:
        """When the evidence began; None where all that there ever was belongs to it."""
        begun = (self.since.effective_at, self.trial.begins_at)
        return max((moment for moment in begun if moment is not None), default=None)

    def is_reached_by(self, shift: Shift) -> bool:
        """Say whether a shift went on after the evidence began."""
        begun = self.since.effective_at
        return begun is None or shift.closed_at is None or shift.closed_at > begun


def gather_evidence(session: Session, trial: Trial) -> Evidence:
    """Gather what counts for a trial."""
    window = _open_window(session, trial)
    undone = undone_ids(session, trial.cell_id)
    counts = count(session, trial.cell, window.shift_ids, window.revision_ids, trial.device_id)
    subject = counts.cell if trial.device is None else counts.devices.iloc[0]
    damage = counts.modes.loc[counts.modes["effect"] == Effect.DAMAGE, "failures"]
    groups = _subject_rollup(session, window)
    logged = _logged_by_shift(session, window)
    table, reconciliations = _shift_table(window, groups, logged)
    failed = _failed_cycles(session, window)
    numbering = _number(window, groups, failed)
    return Evidence(
        trial=trial,
        cycles=int(subject["cycles"]),
        failures=int(subject["failures"]),
        no_tests=int(subject["no_tests"]),
        unruled=int(counts.modes["unruled"].sum()),
        damage_failures=int(damage.sum()),
        counts=counts,
        shifts=table,
        numbering=numbering,
        positions=numbering.known(),
        earliest=numbering.places(late=False),
        latest=numbering.places(late=True),
        since=window.since,
        revision_ids=window.revision_ids,
        changes=window.changes,
        coverage=_coverage(session, window, table, undone),
        reconciliations=reconciliations,
        cycles_between_shifts=_cycles_between(window.all_shifts, table),
        doubtful_readings=doubtful_readings(window.all_shifts, logged, set(table["shift_id"])),
        straddling_readings=straddling_readings(session, window.shifts, window.since, undone),
        cycles_per_shift=_cycles_per_shift(window, logged),
        last_failure=_last_failure(session, window, failed),
        parked=count_parked_since(session, trial.cell_id, window.begins_at),
    )


def _open_window(session: Session, trial: Trial) -> _Window:
    revisions = revisions_in_order(session, trial.cell_id)

    def concerns(revision: Revision) -> bool:
        return trial.device_id is None or revision.device_id in (None, trial.device_id)

    start = max(
        place
        for place, revision in enumerate(revisions)
        if revision.resets_evidence and concerns(revision)
    )
    shifts = shifts_of(session, trial.cell)
    return _Window(
        trial=trial,
        all_shifts=shifts,
        shifts=[shift for shift in shifts if _is_for(trial, shift)],
        since=revisions[start],
        revision_ids=tuple(revision.id for revision in revisions[start:]),
        changes=tuple(revision for revision in revisions[start + 1 :] if concerns(revision)),
    )


def _is_for(trial: Trial, shift: Shift) -> bool:
    begun = trial.begins_at is None or shift.opened_at >= trial.begins_at
    return shift.stage == trial.stage and begun


def _subject_rollup(session: Session, window: _Window) -> Tallies:
    """Return the subject's counts in each shift of the window, under each of its revisions."""
    device_id = window.trial.device_id
    rollup: type[Any] = CellRollup if device_id is None else DeviceRollup
    columns = [getattr(rollup, name) for name in ("shift_id", "revision_id", *COUNTS)]
    statement = select(*columns).where(
        rollup.shift_id.in_(window.shift_ids), rollup.revision_id.in_(window.revision_ids)
    )
    if device_id is not None:
        statement = statement.where(DeviceRollup.device_id == device_id)
    return {(row[0], row[1]): (row[2], row[3], row[4]) for row in session.execute(statement)}


def _logged_by_shift(session: Session, window: _Window) -> dict[int, int]:
    """Return all cycles logged in each shift of the window, under whatever revision."""
    statement = (
        select(CellRollup.shift_id, func.sum(CellRollup.logged))
        .where(CellRollup.shift_id.in_(window.shift_ids))
        .group_by(CellRollup.shift_id)
    )
    return {shift_id: int(logged) for shift_id, logged in session.execute(statement)}


def _shift_table(
    window: _Window, groups: Tallies, logged: dict[int, int]
) -> tuple[pd.DataFrame, tuple[Reconciliation, ...]]:
    """Return the shifts that bear on the evidence, in order, and their counter reconciliations.

    Besides those that hold evidence, they are those that could: without a counted cycle, but
    with a counter that does not agree with the log.
    """
    sums: dict[int, list[int]] = defaultdict(lambda: [0] * len(COUNTS))
    for (shift_id, _), tally in groups.items():
        sums[shift_id] = [before + more for before, more in zip(sums[shift_id], tally, strict=True)]
    compared = [(shift, compare(shift, logged.get(shift.id, 0))) for shift in window.shifts]
    bearing = [
        (shift, item)
        for shift, item in compared
        if shift.id in sums
        or (item.state is not CounterState.AGREES and window.is_reached_by(shift))
    ]
    rows = [
        (shift.id, shift.label, shift.opened_at, shift.closed_at, item.logged, *sums[shift.id],
         item.counted)
        for shift, item in bearing
    ]  # fmt: skip
    columns = ["shift_id", "label", "opened_at", "closed_at", "logged", *COUNTS, "counted"]
    table = pd.DataFrame(rows, columns=columns).astype({"counted": "Int64"})
    return table, tuple(item for _, item in bearing)


def _failed_cycles(session: Session, window: _Window) -> list[FailedCycle]:
    """Return the subject's failed cycles, in the order of the logbook."""
    position = FailurePosition
    statement = (
        select(Entry.sequence, Entry.client_id, position)
        .join(FailureMode, FailureMode.id == position.failure_mode_id)
        .join(Entry, Entry.id == position.entry_id)
        .where(
            position.shift_id.in_(window.shift_ids), position.revision_id.in_(window.revision_ids)
        )
        .order_by(Entry.sequence, position.failure_mode_id)
    )
    if window.trial.device_id is not None:
        statement = statement.where(FailureMode.device_id == window.trial.device_id)
    rows = groupby(session.execute(statement), lambda row: (row.sequence, row.client_id))
    return [
        _failed_cycle(sequence, entry, [row.FailurePosition for row in modes])
        for (sequence, entry), modes in rows
    ]


def _failed_cycle(sequence: int, entry: str, modes: Sequence[FailurePosition]) -> FailedCycle:
    counted = [mode for mode in modes if mode.relevant]
    return FailedCycle(
        sequence=sequence,
        entry=entry,
        shift_id=modes[0].shift_id,
        revision_id=modes[0].revision_id,
        logged_before=modes[0].logged_before,
        modes=tuple(mode.failure_mode_id for mode in counted),
        unruled=tuple(mode.failure_mode_id for mode in counted if not mode.ruled),
    )


def _last_failure(session: Session, window: _Window, failed: Sequence[FailedCycle]) -> int:
    if not any(cycle.relevant for cycle in failed):
        return 0
    ruled = select(func.max(Entry.sequence)).where(
        Entry.cell_id == window.trial.cell_id,
        or_(Entry.shift_id.in_(window.shift_ids), Entry.shift_id.is_(None)),
        Entry.kind.in_((EntryKind.RULING, EntryKind.UNDO)),
    )
    newest = max(cycle.sequence for cycle in failed if cycle.relevant)
    return max(newest, session.scalar(ruled) or 0)


def _number(window: _Window, groups: Tallies, failed: Sequence[FailedCycle]) -> Numbering:
    """Number the counted cycles from 1, shift by shift and revision by revision."""
    failed_in = defaultdict(list)
    for cycle in failed:
        failed_in[cycle.shift_id, cycle.revision_id].append(cycle)
    return Numbering(
        tuple(
            Group(groups[key][0], groups[key][1], tuple(failed_in[key]))
            for key in product(window.shift_ids, window.revision_ids)
            if key in groups
        )
    )


def _coverage(
    session: Session, window: _Window, shifts: pd.DataFrame, undone: set[str]
) -> Coverage:
    return cover(
        session,
        window.trial.cell_id,
        [int(shift_id) for shift_id in shifts.loc[shifts["cycles"] > 0, "shift_id"]],
        window.revision_ids,
        since=window.since.effective_at,
        undone=undone,
    )


def _cycles_per_shift(window: _Window, logged: dict[int, int]) -> float:
    """Return the mean of the closed shifts, or what a shift of 8 h would make at the plan."""
    closed = [
        logged[shift.id] for shift in window.shifts if shift.closed_at and logged.get(shift.id)
    ]
    if closed:
        return sum(closed) / len(closed)
    return SHIFT_HOURS * 3600 / window.trial.requirement.cycle_seconds


def _cycles_between(shifts: Sequence[Shift], table: pd.DataFrame) -> int:
    """Sum what the machine counted between each shift of the evidence and the shift before it."""
    held = set(table["shift_id"])
    return sum(
        cycles_between(before, after) or 0 for before, after in pairwise(shifts) if after.id in held
    )


def moment_of(value: datetime | None) -> datetime | None:
    """Return a time from the table of shifts, where "none" is not equal to itself."""
    return value if value == value else None  # noqa: PLR0124 - the point of it
