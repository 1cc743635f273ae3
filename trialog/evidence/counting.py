"""Cycles and failures of some shifts, from the records' rollups."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Any

import pandas as pd
from sqlalchemy import Select, select
from sqlalchemy.orm import Session

from trialog.records.models import (
    Cell,
    CellRollup,
    Device,
    DeviceRollup,
    FailureMode,
    ModeRollup,
)

AnySelect = Select[*tuple[Any, ...]]


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


def frame(session: Session, statement: AnySelect) -> pd.DataFrame:
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

    def within(statement: AnySelect, table: type[Any]) -> AnySelect:
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


def _device_names(cell: Cell, device_id: int | None) -> AnySelect:
    statement = select(Device.id.label("device_id"), Device.name.label("device"))
    statement = statement.where(Device.cell_id == cell.id).order_by(Device.id)
    return statement if device_id is None else statement.where(Device.id == device_id)


def _mode_names(cell: Cell, device_id: int | None) -> AnySelect:
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


def _named(session: Session, names: AnySelect, rows: pd.DataFrame, key: str) -> pd.DataFrame:
    """Sum rows by key and put names to them; what has no rows counts zero."""
    sums = rows.groupby(key, as_index=False).sum()
    table = frame(session, names).merge(sums, on=key, how="left")
    numbers = [name for name in rows.columns if name != key]
    table[numbers] = table[numbers].fillna(0).astype(int)
    return table
