"""Cells, devices, failure modes and requirements: made, renamed, and locked in time."""

from __future__ import annotations

import uuid
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from trialog.errors import ConflictError, InvalidValueError
from trialog.records.audit import record_event
from trialog.records.entries import NewEntry, check_name, check_whole
from trialog.records.logbook import write_entries
from trialog.records.models import (
    Cell,
    Device,
    Entry,
    FailureMode,
    Person,
    Requirement,
    Revision,
    Shift,
)
from trialog.records.people import check_sign_roles
from trialog.records.shiftlog import COUNTED
from trialog.records.storing import rebuild_rollups
from trialog.records.words import CounterEvent, Effect, EntryKind, Role

LONGEST_CYCLE_SECONDS = 24 * 3600
DEFAULT_MODES = (
    ("dropped part", Effect.STOPS),
    ("chips left", Effect.DAMAGE),
    ("ejection miss", Effect.STOPS),
)
"""What most cells watch for, and what it does; common practice, no source."""


@dataclass(frozen=True, kw_only=True)
class NewRequirement:
    """What "ready" means, for the cell as a whole; see `Requirement` for the columns."""

    name: str
    stretch_hours: float
    chance: float
    confidence: float
    design_rate: float
    min_shifts: int = 0
    min_operators: int = 0
    min_cold_starts: int = 0
    min_material_lots: int = 0
    min_tool_changes: int = 0
    sign_roles: tuple[Role, ...] = (Role.ENGINEER, Role.APPROVER)


def add_cell(
    session: Session,
    *,
    name: str,
    machine: str,
    part: str,
    operation: str,
    planned_cycle_seconds: float,
    counter_modulus: int | None,
    good_by_machine: bool | None = None,
    actor: Person | None,
    now: datetime,
) -> Cell:
    """Add a cell, with the revision that stands for its state before any recorded change.

    `good_by_machine`: as a shift closes, its good cycles are taken from the machine's own count.

    Raises
    ------
    InvalidValueError
        If a field breaks its rule.
    ConflictError
        If there is a cell of that name.
    """
    name = check_name("cell name", name)
    require_new(session, Cell, "cell name", name)
    cell = Cell(
        name=name,
        machine=check_name("machine", machine),
        part=check_name("part", part),
        operation=check_name("operation", operation),
        planned_cycle_seconds=_check_cycle_time(planned_cycle_seconds),
        counter_modulus=_check_modulus(counter_modulus),
        good_by_machine=good_by_machine or None,
        created_at=now,
        chain_length=0,
        chain_head="",
    )
    session.add(cell)
    session.flush()
    session.add(Revision(cell_id=cell.id, what="as first set up", resets_evidence=True))
    record_event(session, "added", "cell", cell.id, actor=actor, now=now, name=name)
    return cell


def change_cell(
    session: Session,
    cell: Cell,
    *,
    name: str,
    machine: str,
    part: str,
    operation: str,
    planned_cycle_seconds: float,
    counter_modulus: int | None,
    good_by_machine: bool | None = None,
    actor: Person | None,
    now: datetime,
) -> None:
    """Mend a cell's particulars. Requirements keep the cycle time they were fixed with.

    `good_by_machine` empty: it stays as it is. It bears on shifts that close from now on.

    Raises
    ------
    InvalidValueError
        If a field breaks its rule.
    ConflictError
        If there is a cell of the new name, or a closed shift was counted by the restart.
    """
    name = check_name("cell name", name)
    if name != cell.name:
        require_new(session, Cell, "cell name", name)
    if counter_modulus != cell.counter_modulus:
        _require_no_rollover(session, cell)
    replaced = (
        "name", "machine", "part", "operation", "planned_cycle_seconds", "counter_modulus",
        "good_by_machine",
    )  # fmt: skip
    before = {column: getattr(cell, column) for column in replaced}
    cell.name = name
    cell.machine = check_name("machine", machine)
    cell.part = check_name("part", part)
    cell.operation = check_name("operation", operation)
    cell.planned_cycle_seconds = _check_cycle_time(planned_cycle_seconds)
    cell.counter_modulus = _check_modulus(counter_modulus)
    if good_by_machine is not None:
        # Empty for no: a row's seal covers what is filled in, and older cells have none.
        cell.good_by_machine = good_by_machine or None
    record_event(session, "changed", "cell", cell.id, actor=actor, now=now, before=before)


def add_device(
    session: Session, cell: Cell, name: str, *, actor: Person | None, now: datetime
) -> Device:
    """Add a device to a cell.

    On a cell that has logged cycles this is a change like any other: it writes a
    revision, so that the device gets no credit for cycles before it was there.
    """
    name = check_name("device", name)
    require_new(session, Device, "device", name, cell_id=cell.id)
    device = Device(cell_id=cell.id, name=name, created_at=now)
    session.add(device)
    session.flush()
    record_event(session, "added", "device", device.id, actor=actor, now=now, name=name)
    if has_cycles(session, cell):
        added = NewEntry(
            client_id=str(uuid.uuid4()),
            kind=EntryKind.REVISION,
            person_id=None if actor is None else actor.id,
            device_id=device.id,
            resets_evidence=True,
            text=f"{name} added to the cell",
        )
        write_entries(session, cell, [added], actor=actor, now=now)
        every = select(Shift.id).where(Shift.cell_id == cell.id)
        rebuild_rollups(session, cell, session.scalars(every))
    return device


def add_mode(
    session: Session,
    device: Device,
    name: str,
    effect: Effect,
    *,
    actor: Person | None,
    now: datetime,
) -> FailureMode:
    """Add a failure mode to a device; its name must be new on the whole cell."""
    name = check_name("failure mode", name)
    if any(sign in name for sign in ";+"):
        raise InvalidValueError("failure mode", "not hold ; or + (they part modes in files)", name)
    require_new(session, FailureMode, "failure mode", name, cell_id=device.cell_id)
    mode = FailureMode(
        cell_id=device.cell_id, device_id=device.id, name=name, effect=effect, created_at=now
    )
    session.add(mode)
    session.flush()
    record_event(
        session, "added", "failure mode", mode.id, actor=actor, now=now, name=name, effect=effect
    )
    return mode


def change_device(
    session: Session, device: Device, name: str, *, actor: Person | None, now: datetime
) -> None:
    """Rename a device."""
    name = check_name("device", name)
    if name != device.name:
        require_new(session, Device, "device", name, cell_id=device.cell_id)
        before, device.name = device.name, name
        record_event(
            session, "changed", "device", device.id, actor=actor, now=now, before=before, name=name
        )


def change_mode(
    session: Session,
    mode: FailureMode,
    name: str,
    effect: Effect,
    *,
    actor: Person | None,
    now: datetime,
) -> None:
    """Rename a failure mode, or change its effect while the cell has no logged cycles.

    Raises
    ------
    ConflictError
        If the effect would change after the first cycle: the rule is fixed beforehand.
    """
    name = check_name("failure mode", name)
    if name != mode.name:
        require_new(session, FailureMode, "failure mode", name, cell_id=mode.cell_id)
    if effect != mode.effect and has_cycles(session, session.get_one(Cell, mode.cell_id)):
        raise ConflictError(
            f"effect of {mode.name!r} must stay '{mode.effect}': cycles have been logged"
        )
    before = {"name": mode.name, "effect": mode.effect}
    mode.name, mode.effect = name, effect
    record_event(
        session, "changed", "failure mode", mode.id,
        actor=actor, now=now, before=before, name=name, effect=effect,
    )  # fmt: skip


def add_requirement(
    session: Session, cell: Cell, new: NewRequirement, *, actor: Person | None, now: datetime
) -> Requirement:
    """Add a requirement. Its rates and times must have been checked by the statistics."""
    fields = checked_columns(new)
    require_new(session, Requirement, "requirement", fields["name"], cell_id=cell.id)
    requirement = Requirement(
        cell_id=cell.id, cycle_seconds=cell.planned_cycle_seconds, created_at=now, **fields
    )
    session.add(requirement)
    session.flush()
    record_event(session, "added", "requirement", requirement.id, actor=actor, now=now, **fields)
    return requirement


def checked_columns(new: NewRequirement) -> dict[str, Any]:
    """Return the columns of a requirement, once they keep the records' own rules.

    Raises
    ------
    InvalidValueError
        If a field breaks its rule.
    """
    fields = asdict(new) | {
        "name": check_name("requirement", new.name),
        "sign_roles": check_sign_roles(new.sign_roles),
    }
    for field in (field for field in fields if field.startswith("min_")):
        check_whole(field, fields[field], 0, 1000)
    return fields


def has_cycles(session: Session, cell: Cell) -> bool:
    """Say whether any cycle has been logged on a cell."""
    found = select(Entry.id).where(Entry.cell_id == cell.id, Entry.kind.in_(COUNTED)).limit(1)
    return session.scalar(found) is not None


def _require_no_rollover(session: Session, cell: Cell) -> None:
    """Refuse a change that would make the counter say something else of a past shift."""
    rolled = select(Shift.label).where(
        Shift.cell_id == cell.id, Shift.counter_event == CounterEvent.ROLLED_OVER
    )
    label = session.scalar(rolled.limit(1))
    if label is not None:
        raise ConflictError(
            f"counter restarts after must stay {cell.counter_modulus}: shift {label!r} was "
            "counted by it"
        )


def _check_cycle_time(seconds: float) -> float:
    if not 0 < seconds <= LONGEST_CYCLE_SECONDS:
        raise InvalidValueError(
            "planned cycle time", f"be above 0 and at most {LONGEST_CYCLE_SECONDS} s", seconds
        )
    return seconds


def _check_modulus(modulus: int | None) -> int | None:
    if modulus is not None:
        check_whole("counter restarts after", modulus, 2, 10**12)
    return modulus


def require_new(session: Session, table: type[Any], field: str, name: str, **where: int) -> None:
    """Refuse a name that is taken.

    Raises
    ------
    ConflictError
        If there is a row of that name.
    """
    found = select(table.id).where(table.name == name).filter_by(**where)
    if session.scalar(found) is not None:
        raise ConflictError(f"{field} must be new, but there is already one named {name!r}")
