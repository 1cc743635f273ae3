"""Which cycles and failures count for a trial, from the records' rollups."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd
from sqlalchemy import Select, func, select
from sqlalchemy.orm import Session

from trialog.evidence.reconciling import Reconciliation, compare
from trialog.records.models import (
    Cell,
    CellRollup,
    Device,
    DeviceRollup,
    Entry,
    FailureMode,
    FailurePosition,
    ModeRollup,
    OperatorRollup,
    Revision,
    Shift,
    Trial,
)
from trialog.records.queries import undone_ids
from trialog.records.rollups import revisions_in_order
from trialog.records.words import Condition, Effect, EntryKind

SHIFT_HOURS = 8
"""A shift's length where none has been logged yet; common practice, no source."""

COUNTS = ["cycles", "failures", "no_tests"]


@dataclass(frozen=True)
class Counts:
    """Cycles and failures of some shifts.

    `cell`: Series of logged, cycles, failures, no_tests. `devices`: a row a device with
    device_id, device, cycles, failures, no_tests. `modes`: a row a failure mode with mode_id,
    mode, device, effect, cycles (its device's), failures (relevant), non_relevant, unruled.
    """

    cell: pd.Series[int]
    devices: pd.DataFrame
    modes: pd.DataFrame


@dataclass(frozen=True)
class Evidence:
    """The counted cycles and relevant failures of a trial since the last resetting revision.

    `shifts`: a row a shift in order, with shift_id, label, opened_at, closed_at, logged,
    cycles, failures, no_tests, counted (by the machine; missing where it cannot tell).
    `positions`: counted-cycle numbers, from 1, of the failures whose order is known.
    """

    trial: Trial
    cycles: int
    failures: int
    no_tests: int
    unruled: int
    damage_failures: int
    counts: Counts
    shifts: pd.DataFrame
    positions: tuple[int, ...]
    since: Revision
    changes: tuple[Revision, ...]
    conditions: dict[str, int]
    reconciliations: tuple[Reconciliation, ...]
    cycles_per_shift: float
    last_failure: int
    """Place in the logbook of the newest relevant failure; 0 where there is none."""

    @property
    def failures_without_order(self) -> int:
        """Failures whose place among the cycles nobody wrote down."""
        return self.failures - len(self.positions)


def gather_evidence(session: Session, trial: Trial) -> Evidence:
    """Gather what counts for a trial."""
    revisions = revisions_in_order(session, trial.cell_id)
    since, counted, changes = _window(revisions, trial.device_id)
    revision_ids = [revision.id for revision in counted]
    shifts = _shifts(session, trial)
    shift_ids = [shift.id for shift in shifts]
    counts = count(session, trial.cell, shift_ids, revision_ids, trial.device_id)
    subject = counts.cell if trial.device is None else counts.devices.iloc[0]
    table, reconciliations = _shift_table(session, trial, shifts, revision_ids)
    failed = _failed_cycles(session, trial, shift_ids, revision_ids)
    relevant_damage = (counts.modes["effect"] == Effect.DAMAGE) * counts.modes["failures"]
    return Evidence(
        trial=trial,
        cycles=int(subject["cycles"]),
        failures=int(subject["failures"]),
        no_tests=int(subject["no_tests"]),
        unruled=int(counts.modes["unruled"].sum()),
        damage_failures=int(relevant_damage.sum()),
        counts=counts,
        shifts=table,
        positions=_positions(session, trial, shift_ids, revision_ids, failed),
        since=since,
        changes=changes,
        conditions=_conditions(session, trial, table, revision_ids, since),
        reconciliations=reconciliations,
        cycles_per_shift=_cycles_per_shift(session, trial, shifts),
        last_failure=int(failed.loc[failed["relevant"], "sequence"].max())
        if len(failed) and failed["relevant"].any()
        else 0,
    )


def _window(
    revisions: Sequence[Revision], device_id: int | None
) -> tuple[Revision, Sequence[Revision], tuple[Revision, ...]]:
    """Return the revision the evidence begins with, those that count, and changes in between."""

    def concerns(revision: Revision) -> bool:
        return device_id is None or revision.device_id in (None, device_id)

    start = max(
        place
        for place, revision in enumerate(revisions)
        if revision.resets_evidence and concerns(revision)
    )
    changes = tuple(revision for revision in revisions[start + 1 :] if concerns(revision))
    return revisions[start], revisions[start:], changes


def _shifts(session: Session, trial: Trial) -> Sequence[Shift]:
    statement = select(Shift).where(Shift.cell_id == trial.cell_id, Shift.stage == trial.stage)
    if trial.begins_at is not None:
        statement = statement.where(Shift.opened_at >= trial.begins_at)
    return session.scalars(statement.order_by(Shift.opened_at, Shift.id)).all()


def frame(session: Session, statement: Select[Any]) -> pd.DataFrame:
    """Run a query and return its rows as a table that keeps its columns when it is empty."""
    result = session.execute(statement)
    return pd.DataFrame(result.all(), columns=list(result.keys()))


def count(
    session: Session,
    cell: Cell,
    shift_ids: Collection[int],
    revision_ids: Collection[int] | None = None,
    device_id: int | None = None,
) -> Counts:
    """Count cycles and failures over some shifts, for one device or all of the cell's."""

    def within(statement: Select[Any], table: type[Any]) -> Select[Any]:
        statement = statement.where(table.shift_id.in_(shift_ids))
        return (
            statement
            if revision_ids is None
            else statement.where(table.revision_id.in_(revision_ids))
        )

    columns = [CellRollup.logged, CellRollup.cycles, CellRollup.failures, CellRollup.no_tests]
    cell_rows = frame(session, within(select(*columns), CellRollup))
    of_devices = frame(
        session,
        within(select(DeviceRollup.device_id, DeviceRollup.cycles, DeviceRollup.failures,
                      DeviceRollup.no_tests), DeviceRollup),
    )  # fmt: skip
    of_modes = frame(
        session,
        within(select(ModeRollup.failure_mode_id.label("mode_id"),
                      ModeRollup.relevant.label("failures"), ModeRollup.non_relevant,
                      ModeRollup.unruled), ModeRollup),
    )  # fmt: skip
    devices = _named(session, _device_names(cell, device_id), of_devices, "device_id")
    modes = _named(session, _mode_names(cell, device_id), of_modes, "mode_id")
    cycles = devices.set_index("device_id")["cycles"]
    modes["cycles"] = modes["device_id"].map(cycles).astype(int)
    return Counts(cell_rows.sum().astype(int), devices, modes)


def _device_names(cell: Cell, device_id: int | None) -> Select[Any]:
    statement = select(Device.id.label("device_id"), Device.name.label("device"))
    statement = statement.where(Device.cell_id == cell.id).order_by(Device.id)
    return statement if device_id is None else statement.where(Device.id == device_id)


def _mode_names(cell: Cell, device_id: int | None) -> Select[Any]:
    statement = (
        select(
            FailureMode.id.label("mode_id"),
            FailureMode.name.label("mode"),
            FailureMode.effect,
            Device.id.label("device_id"),
            Device.name.label("device"),
        )
        .join(Device, Device.id == FailureMode.device_id)
        .where(FailureMode.cell_id == cell.id)
        .order_by(Device.id, FailureMode.id)
    )
    return statement if device_id is None else statement.where(Device.id == device_id)


def _named(session: Session, names: Select[Any], rows: pd.DataFrame, key: str) -> pd.DataFrame:
    """Sum rows by key and put names to them; what has no rows counts zero."""
    sums = rows.groupby(key, as_index=False).sum()
    table = frame(session, names).merge(sums, on=key, how="left")
    numbers = [name for name in rows.columns if name != key]
    table[numbers] = table[numbers].fillna(0).astype(int)
    return table


def _shift_table(
    session: Session, trial: Trial, shifts: Sequence[Shift], revision_ids: Collection[int]
) -> tuple[pd.DataFrame, tuple[Reconciliation, ...]]:
    """Return the shifts that hold evidence, in order, and their counter reconciliations."""
    rollup: type[Any] = CellRollup if trial.device_id is None else DeviceRollup
    statement = select(rollup.shift_id, rollup.cycles, rollup.failures, rollup.no_tests).where(
        rollup.shift_id.in_([shift.id for shift in shifts]), rollup.revision_id.in_(revision_ids)
    )
    if trial.device_id is not None:
        statement = statement.where(DeviceRollup.device_id == trial.device_id)
    sums = frame(session, statement).groupby("shift_id")[COUNTS].sum()
    logged = _logged_by_shift(session, [shift.id for shift in shifts])
    rows = []
    reconciliations = []
    for shift in shifts:
        if shift.id not in sums.index:
            continue
        reconciliation = compare(shift, int(logged.get(shift.id, 0)))
        reconciliations.append(reconciliation)
        rows.append(
            {
                "shift_id": shift.id,
                "label": shift.label,
                "opened_at": shift.opened_at,
                "closed_at": shift.closed_at,
                "logged": reconciliation.logged,
                **{name: int(sums.loc[shift.id, name]) for name in COUNTS},  # type: ignore[arg-type]
                "counted": reconciliation.counted,
            }
        )
    columns = ["shift_id", "label", "opened_at", "closed_at", "logged", *COUNTS, "counted"]
    table = pd.DataFrame(rows, columns=columns).astype({"counted": "Int64"})
    return table, tuple(reconciliations)


def _logged_by_shift(session: Session, shift_ids: Collection[int]) -> pd.Series[int]:
    statement = (
        select(CellRollup.shift_id, func.sum(CellRollup.logged).label("logged"))
        .where(CellRollup.shift_id.in_(shift_ids))
        .group_by(CellRollup.shift_id)
    )
    return frame(session, statement).set_index("shift_id")["logged"]


def _failed_cycles(
    session: Session, trial: Trial, shift_ids: Collection[int], revision_ids: Collection[int]
) -> pd.DataFrame:
    """Return the subject's failed cycles in order: a row each, with whether any mode counts."""
    statement = (
        select(
            FailurePosition.entry_id,
            FailurePosition.shift_id,
            FailurePosition.revision_id,
            FailurePosition.logged_before,
            FailurePosition.relevant,
            Entry.sequence,
        )
        .join(FailureMode, FailureMode.id == FailurePosition.failure_mode_id)
        .join(Entry, Entry.id == FailurePosition.entry_id)
        .where(
            FailurePosition.shift_id.in_(shift_ids), FailurePosition.revision_id.in_(revision_ids)
        )
    )
    if trial.device_id is not None:
        statement = statement.where(FailureMode.device_id == trial.device_id)
    rows = frame(session, statement)
    keys = ["shift_id", "revision_id", "entry_id", "sequence", "logged_before"]
    failed = rows.groupby(keys, as_index=False, dropna=False)["relevant"].any()
    return failed.sort_values("sequence")


def _positions(
    session: Session,
    trial: Trial,
    shift_ids: Sequence[int],
    revision_ids: Sequence[int],
    failed: pd.DataFrame,
) -> tuple[int, ...]:
    """Return the counted-cycle numbers of relevant failures, no-tests left out of the count."""
    rollup: type[Any] = CellRollup if trial.device_id is None else DeviceRollup
    statement = select(rollup.shift_id, rollup.revision_id, rollup.cycles).where(
        rollup.shift_id.in_(shift_ids), rollup.revision_id.in_(revision_ids)
    )
    if trial.device_id is not None:
        statement = statement.where(DeviceRollup.device_id == trial.device_id)
    cycles = {(shift, revision): n for shift, revision, n in session.execute(statement)}
    order = [(s, r) for s in shift_ids for r in revision_ids if (s, r) in cycles]
    known = failed.dropna(subset=["logged_before"])
    groups = {key: group for key, group in known.groupby(["shift_id", "revision_id"])}
    positions: list[int] = []
    before = 0
    for key in order:
        no_tests = 0
        group = groups.get(key)
        if group is not None:
            for logged_before, relevant in zip(
                group["logged_before"], group["relevant"], strict=True
            ):
                if relevant:
                    positions.append(before + int(logged_before) + 1 - no_tests)
                no_tests += not relevant
        before += cycles[key]
    return tuple(positions)


def _conditions(
    session: Session,
    trial: Trial,
    shifts: pd.DataFrame,
    revision_ids: Collection[int],
    since: Revision,
) -> dict[str, int]:
    """Return how often each condition that a requirement may ask for was met."""
    shift_ids = [int(shift_id) for shift_id in shifts["shift_id"]]
    operators = select(func.count(OperatorRollup.person_id.distinct())).where(
        OperatorRollup.shift_id.in_(shift_ids), OperatorRollup.revision_id.in_(revision_ids)
    )
    marks = select(Entry.condition, Entry.text, Entry.client_id).where(
        Entry.shift_id.in_(shift_ids), Entry.kind == EntryKind.CONDITION
    )
    if since.effective_at is not None:
        marks = marks.where(Entry.occurred_at >= since.effective_at)
    rows = frame(session, marks)
    rows = rows[~rows["client_id"].isin(undone_ids(session, trial.cell_id))]
    met = rows["condition"].value_counts()
    lots = rows[rows["condition"] == Condition.MATERIAL_LOT]
    unnamed = int((lots["text"] == "").sum())
    return {
        "shifts": len(shift_ids),
        "operators": session.scalar(operators) or 0,
        "cold starts": int(met.get(Condition.COLD_START, 0)),
        "material lots": lots.loc[lots["text"] != "", "text"].nunique() + unnamed,
        "tool changes": int(met.get(Condition.TOOL_CHANGE, 0)),
    }


def _cycles_per_shift(session: Session, trial: Trial, shifts: Sequence[Shift]) -> float:
    """Return the mean of the closed shifts, or what a shift of 8 h would make at the plan."""
    logged = _logged_by_shift(session, [shift.id for shift in shifts if shift.closed_at])
    logged = logged[logged > 0]
    if len(logged):
        return float(logged.mean())
    return SHIFT_HOURS * 3600 / trial.requirement.cycle_seconds
