"""Rollups: what the logbook adds up to, shift by shift, revision by revision.

`roll_up` is the only computation; the write path stores what it returns and `verify`
compares what is stored with it.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cache
from typing import Any

from sqlalchemy import delete, insert, select
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session

from trialog.records.base import Base
from trialog.records.models import (
    Cell,
    CellRollup,
    Device,
    DeviceRollup,
    FailureMode,
    FailurePosition,
    ModeRollup,
    OperatorRollup,
    Revision,
)
from trialog.records.shiftlog import Line, ShiftLog
from trialog.records.words import EntryKind

TABLES: tuple[type[Base], ...] = (
    CellRollup, DeviceRollup, ModeRollup, OperatorRollup, FailurePosition,
)  # fmt: skip

Row = dict[str, Any]

_UPSERTS: dict[str, Any] = {"sqlite": sqlite.insert, "postgresql": postgresql.insert}


@dataclass(frozen=True)
class CellLayout:
    """What the rollups need to know of a cell: its devices, modes and order of revisions."""

    device_of_mode: Mapping[int, int]
    device_ids: tuple[int, ...]
    revision_times: tuple[datetime, ...]
    revision_ids: tuple[int, ...]

    @classmethod
    def of(cls, session: Session, cell: Cell) -> CellLayout:
        """Read a cell's layout from the records."""
        modes = select(FailureMode.id, FailureMode.device_id).filter_by(cell_id=cell.id)
        devices = select(Device.id).filter_by(cell_id=cell.id).order_by(Device.id)
        revisions = session.execute(
            _in_order(select(Revision.id, Revision.effective_at), cell.id)
        ).all()
        return cls(
            device_of_mode={mode: device for mode, device in session.execute(modes)},
            device_ids=tuple(session.scalars(devices)),
            revision_times=tuple(
                revision.effective_at or datetime.min.replace(tzinfo=UTC) for revision in revisions
            ),
            revision_ids=tuple(revision.id for revision in revisions),
        )

    def revision_at(self, moment: datetime) -> int:
        """Return the revision in force at a moment."""
        return self.revision_ids[bisect_right(self.revision_times, moment) - 1]


def revisions_in_order(session: Session, cell_id: int) -> list[Revision]:
    """Return a cell's revisions that stand, in the order they took effect."""
    return list(session.scalars(_in_order(select(Revision), cell_id)))


def _in_order(statement: Any, cell_id: int) -> Any:
    return statement.where(Revision.cell_id == cell_id, ~Revision.withdrawn).order_by(
        Revision.effective_at.is_not(None), Revision.effective_at, Revision.id
    )


@dataclass
class _Tally:
    logged: int = 0
    cycles: int = 0
    failures: int = 0
    no_tests: int = 0


@dataclass
class ShiftRollup:
    """The rollup rows of one shift, by table.

    `logged_before`: cycles by revision that its other lines hold, where only those are added up
    that come on top of them.
    """

    shift_id: int
    layout: CellLayout
    opened_at: datetime
    logged_before: Mapping[int, int] = field(default_factory=dict)
    cell: dict[int, _Tally] = field(default_factory=lambda: defaultdict(_Tally))
    devices: dict[tuple[int, int], _Tally] = field(default_factory=lambda: defaultdict(_Tally))
    modes: dict[tuple[int, int], list[int]] = field(
        default_factory=lambda: defaultdict(lambda: [0, 0, 0])
    )
    operators: dict[tuple[int, int], list[int]] = field(
        default_factory=lambda: defaultdict(lambda: [0, 0])
    )
    positions: list[Row] = field(default_factory=list)
    good: dict[tuple[int, int | None], int] = field(default_factory=lambda: defaultdict(int))
    """Good cycles by revision and person, which go to every device."""

    def rows(self) -> dict[type[Base], list[Row]]:
        """Return the rows to store, keyed by table."""
        return {
            CellRollup: [
                self._row(revision, logged=tally.logged, **_counts(tally))
                for revision, tally in self.cell.items()
            ],
            DeviceRollup: [
                self._row(revision, device_id=device, **_counts(tally))
                for (revision, device), tally in self.devices.items()
            ],
            ModeRollup: [
                self._row(
                    revision,
                    failure_mode_id=mode,
                    relevant=relevant,
                    non_relevant=non_relevant,
                    unruled=unruled,
                )
                for (revision, mode), (relevant, non_relevant, unruled) in self.modes.items()
            ],
            OperatorRollup: [
                self._row(revision, person_id=person, logged=logged, failed=failed)
                for (revision, person), (logged, failed) in self.operators.items()
            ],
            FailurePosition: self.positions,
        }

    def revision_of(self, line: Line) -> int:
        """Return the revision that a line was logged under.

        A line dated before its shift was opened cannot have been seen in it then: by its own
        time a failure would escape the evidence.
        """
        return self.layout.revision_at(max(line.occurred_at, self.opened_at))

    def _row(self, revision_id: int, **columns: object) -> Row:
        return {"shift_id": self.shift_id, "revision_id": revision_id, **columns}


def _counts(tally: _Tally) -> dict[str, int]:
    return {"cycles": tally.cycles, "failures": tally.failures, "no_tests": tally.no_tests}


def roll_up(
    shift_id: int,
    log: ShiftLog,
    layout: CellLayout,
    *,
    lines: Sequence[Line] | None = None,
    logged_before: Mapping[int, int] | None = None,
) -> ShiftRollup:
    """Add up a shift's standing lines; or those `lines` alone that come on top of all others.

    A failed cycle counts as a failure of each device with a relevant mode on it; where all
    of a device's modes on it are ruled non-relevant it is a no-test for that device, and
    for the cell where all modes are. For every other device it is a counted cycle.
    """
    rollup = ShiftRollup(shift_id, layout, log.facts().opened_at, logged_before or {})
    standing = log.standing() if lines is None else lines
    rulings = _rulings(standing)
    for line in standing:
        if line.kind is EntryKind.FAILED:
            _add_failed(rollup, line, rulings)
        elif line.kind is EntryKind.GOOD:
            _add_good(rollup, line)
    _spread_good(rollup)
    return rollup


def _rulings(standing: Sequence[Line]) -> dict[tuple[str, int | None], bool]:
    """Return the ruling in force by failed line and mode; a later one replaces an earlier."""
    rulings: dict[tuple[str, int | None], bool] = {}
    if all(line.kind is not EntryKind.RULING for line in standing):
        return rulings
    by_id = {line.client_id: line for line in standing}
    for line in standing:
        if line.kind is EntryKind.RULING and line.target in by_id:
            failed = by_id[line.target]
            modes = failed.mode_ids if line.failure_mode_id is None else (line.failure_mode_id,)
            rulings |= {(failed.client_id, mode): bool(line.relevant) for mode in modes}
    return rulings


def _add_good(rollup: ShiftRollup, line: Line) -> None:
    count = line.cycles or 0
    revision = rollup.revision_of(line)
    tally = rollup.cell[revision]
    tally.logged += count
    tally.cycles += count
    rollup.good[revision, line.person_id] += count


def _spread_good(rollup: ShiftRollup) -> None:
    for (revision, person_id), count in rollup.good.items():
        for device in rollup.layout.device_ids:
            rollup.devices[revision, device].cycles += count
        if person_id is not None:
            rollup.operators[revision, person_id][0] += count


def _add_failed(
    rollup: ShiftRollup, line: Line, rulings: Mapping[tuple[str, int | None], bool]
) -> None:
    revision = rollup.revision_of(line)
    relevant = {mode: rulings.get((line.client_id, mode), True) for mode in line.mode_ids}
    blamed: dict[int, bool] = {}
    for mode, counts in relevant.items():
        device = rollup.layout.device_of_mode[mode]
        blamed[device] = blamed.get(device, False) or counts
        ruled = (line.client_id, mode) in rulings
        _add_mode(rollup, line, revision, mode, relevant=counts, ruled=ruled)
    _count(rollup.cell[revision], any(blamed.values()))
    rollup.cell[revision].logged += 1
    for device in rollup.layout.device_ids:
        if device in blamed:
            _count(rollup.devices[revision, device], blamed[device])
        else:
            rollup.devices[revision, device].cycles += 1
    if line.person_id is not None:
        rollup.operators[revision, line.person_id][0] += 1
        rollup.operators[revision, line.person_id][1] += any(blamed.values())


def _count(tally: _Tally, relevant: bool) -> None:
    if relevant:
        tally.cycles += 1
        tally.failures += 1
    else:
        tally.no_tests += 1


def _add_mode(
    rollup: ShiftRollup, line: Line, revision: int, mode: int, *, relevant: bool, ruled: bool
) -> None:
    counts = rollup.modes[revision, mode]
    counts[0 if relevant else 1] += 1
    counts[2] += not ruled
    before = None
    if line.cycle_number is not None:
        before = rollup.logged_before.get(revision, 0) + rollup.cell[revision].logged
    rollup.positions.append(
        {
            "shift_id": rollup.shift_id,
            "revision_id": revision,
            "entry_id": line.entry_id,
            "failure_mode_id": mode,
            "logged_before": before,
            "relevant": relevant,
            "ruled": ruled,
        }
    )


def store_rollups(session: Session, rollups: Sequence[ShiftRollup]) -> None:
    """Replace the rollup rows of some shifts."""
    shift_ids = [rollup.shift_id for rollup in rollups]
    found = [rollup.rows() for rollup in rollups]
    for table in TABLES:
        session.execute(delete(table).where(table.shift_id.in_(shift_ids)))  # type: ignore[attr-defined]
        if rows := [row for of_shift in found for row in of_shift[table]]:
            session.execute(insert(table), rows)


def add_to_rollup(session: Session, rollup: ShiftRollup) -> None:
    """Add what a shift's new lines come to to its rollup rows: these are sums over its lines."""
    dialect = session.get_bind().dialect.name
    for table, rows in rollup.rows().items():
        if rows:
            session.execute(_adding(dialect, table), rows)


@cache
def _adding(dialect: str, table: type[Base]) -> Any:
    """Return the statement that adds rows to those that are there under their keys."""
    if table is FailurePosition:
        return insert(table)
    statement = _UPSERTS[dialect](table)
    keys = [column.name for column in table.__table__.primary_key]
    sums = {
        column.name: column + statement.excluded[column.name]
        for column in table.__table__.columns
        if column.name not in keys
    }
    return statement.on_conflict_do_update(index_elements=keys, set_=sums)


def logged_cycles(session: Session, shift_id: int) -> dict[int, int]:
    """Return how many cycles of a shift are logged under each revision."""
    columns = select(CellRollup.revision_id, CellRollup.logged)
    found = session.execute(columns.where(CellRollup.shift_id == shift_id))
    return {revision: logged for revision, logged in found}


def stored_rows(session: Session, shift_id: int) -> dict[type[Base], list[Row]]:
    """Return the rollup rows that are stored for a shift, keyed by table."""
    stored: dict[type[Base], list[Row]] = {}
    for table in TABLES:
        columns = table.__table__.columns
        found = session.execute(
            select(*columns).where(table.shift_id == shift_id)  # type: ignore[attr-defined]
        )
        stored[table] = [dict(row) for row in found.mappings()]
    return stored
