"""Cycles and failures of some shifts, from the records' rollups."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from sqlalchemy import ColumnElement, Label, Select, and_, func, select
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

COUNTS = ("cycles", "failures", "no_tests")
TEXTS = ("device", "mode", "effect")
"""The columns of the tables here that are not numbers."""


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


def count(
    session: Session,
    cell: Cell,
    shift_ids: Collection[int],
    revision_ids: Collection[int] | None = None,
    device_id: int | None = None,
) -> Counts:
    """Count cycles and failures over some shifts, for one device or all of the cell's.

    The database does the sums and puts the names to them: a verdict is asked for by every page.
    """

    def within(table: type[Any]) -> ColumnElement[bool]:
        which = [table.shift_id.in_(shift_ids)]
        if revision_ids is not None:
            which.append(table.revision_id.in_(revision_ids))
        return and_(*which)

    own = [Device.cell_id == cell.id]
    if device_id is not None:
        own.append(Device.id == device_id)
    totals = select(*_sums(CellRollup, "logged", *COUNTS)).where(within(CellRollup))
    devices = _table(session, _of_devices(within(DeviceRollup), own))
    modes = _table(session, _of_modes(within(ModeRollup), own))
    cycles = dict(zip(devices["device_id"].tolist(), devices["cycles"].tolist(), strict=True))
    modes["cycles"] = np.array([cycles[one] for one in modes["device_id"].tolist()], np.int64)
    total = session.execute(totals).one()._asdict()
    return Counts(pd.Series(total, dtype=np.int64), devices, modes)


def _of_devices(within: ColumnElement[bool], own: Collection[ColumnElement[bool]]) -> AnySelect:
    """Select the devices' sums; what has no rows counts zero."""
    return (
        select(
            Device.id.label("device_id"),
            Device.name.label("device"),
            *_sums(DeviceRollup, *COUNTS),
        )
        .outerjoin(DeviceRollup, and_(DeviceRollup.device_id == Device.id, within))
        .where(*own)
        .group_by(Device.id, Device.name)
        .order_by(Device.id)
    )


def _of_modes(within: ColumnElement[bool], own: Collection[ColumnElement[bool]]) -> AnySelect:
    """Select the failure modes' sums; what has no rows counts zero."""
    return (
        select(
            FailureMode.id.label("mode_id"),
            FailureMode.name.label("mode"),
            FailureMode.effect.label("effect"),
            Device.id.label("device_id"),
            Device.name.label("device"),
            _sum(ModeRollup.relevant).label("failures"),
            *_sums(ModeRollup, "non_relevant", "unruled"),
        )
        .join(Device, Device.id == FailureMode.device_id)
        .outerjoin(ModeRollup, and_(ModeRollup.failure_mode_id == FailureMode.id, within))
        .where(*own)
        .group_by(FailureMode.id, FailureMode.name, FailureMode.effect, Device.id, Device.name)
        .order_by(Device.id, FailureMode.id)
    )


def _sum(column: ColumnElement[int] | Any) -> ColumnElement[int]:
    return func.coalesce(func.sum(column), 0)


def _sums(table: type[Any], *names: str) -> list[Label[int]]:
    return [_sum(getattr(table, name)).label(name) for name in names]


def _table(session: Session, statement: AnySelect) -> pd.DataFrame:
    """Run a query and return its rows as a table that keeps its columns when it is empty."""
    result = session.execute(statement)
    names, rows = list(result.keys()), result.all()
    columns = zip(*rows, strict=True) if rows else ((),) * len(names)
    return pd.DataFrame(
        {
            name: list(values) if name in TEXTS else np.array(values, np.int64)
            for name, values in zip(names, columns, strict=True)
        }
    )
