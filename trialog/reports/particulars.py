"""Which cell a document is about."""

from __future__ import annotations

from dataclasses import dataclass

from trialog.records.models import Cell


@dataclass(frozen=True)
class Particulars:
    """A cell's name and operation; the cycle time is the planned one in seconds."""

    name: str
    machine: str
    part: str
    operation: str
    planned_cycle_seconds: float


def particulars(cell: Cell) -> Particulars:
    """Return the particulars of a cell."""
    return Particulars(
        name=cell.name,
        machine=cell.machine,
        part=cell.part,
        operation=cell.operation,
        planned_cycle_seconds=cell.planned_cycle_seconds,
    )
