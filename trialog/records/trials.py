"""Trials, and the rules that are fixed with them before their first counted cycle."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from trialog.errors import ConflictError, InvalidValueError
from trialog.records.audit import record_event
from trialog.records.entries import check_name, check_time
from trialog.records.models import Cell, Device, Entry, Person, Requirement, Shift, Trial
from trialog.records.setup import NewRequirement, checked_columns, require_new
from trialog.records.shiftlog import COUNTED
from trialog.records.words import PlanKind, Stage


@dataclass(frozen=True, kw_only=True)
class PlanLines:
    """Where a sequential plan's lines begin and rise; in cycles, the last one a failure."""

    go_start: float
    no_go_start: float
    cycles_per_failure: float


@dataclass(frozen=True, kw_only=True)
class NewTrial:
    """A trial with a plan already worked out; `device` empty means the whole cell.

    `follows`: the former trial that it goes on from.

    `plan_cycles` and `plan_allowed` are where the plan ends: its most cycles, and the most
    failures for GO. `plan_lines` is what a sequential plan has besides.
    """

    name: str
    stage: Stage
    share: float
    plan_kind: PlanKind
    plan_cycles: int
    plan_allowed: int
    plan_lines: PlanLines | None = None
    good_pass: float | None
    begins_at: datetime | None
    device: Device | None
    follows: Trial | None = None

    def columns(self) -> dict[str, Any]:
        """Return what the trial's row holds of it."""
        lines = self.plan_lines
        return {
            "name": self.name,
            "device_id": None if self.device is None else self.device.id,
            "stage": self.stage,
            "share": self.share,
            "plan_kind": self.plan_kind,
            "plan_cycles": self.plan_cycles,
            "plan_allowed": self.plan_allowed,
            "plan_go_start": None if lines is None else lines.go_start,
            "plan_no_go_start": None if lines is None else lines.no_go_start,
            "plan_cycles_per_failure": None if lines is None else lines.cycles_per_failure,
            "good_pass": self.good_pass,
            "begins_at": self.begins_at,
            "follows_id": None if self.follows is None else self.follows.id,
        }


def add_trial(
    session: Session,
    requirement: Requirement,
    new: NewTrial,
    *,
    actor: Person | None,
    now: datetime,
) -> Trial:
    """Add a trial. From its first counted cycle on its requirement and plan do not change.

    Raises
    ------
    InvalidValueError
        If a field breaks its rule.
    ConflictError
        If there is a trial of that name.
    """
    columns = check_trial(requirement, new, now)
    require_new(session, Trial, "trial", columns["name"])
    lines = new.plan_lines
    trial = Trial(
        cell_id=requirement.cell_id,
        requirement_id=requirement.id,
        **columns,
        created_at=now,
        created_by_id=None if actor is None else actor.id,
    )
    session.add(trial)
    session.flush()
    record_event(
        session, "added", "trial", trial.id,
        actor=actor, now=now, name=trial.name, cycles=new.plan_cycles, allowed=new.plan_allowed,
        lines=None if lines is None else asdict(lines), follows=columns["follows_id"],
    )  # fmt: skip
    return trial


def check_trial(requirement: Requirement, new: NewTrial, now: datetime) -> dict[str, Any]:
    """Return the columns of a trial, once they keep their rules.

    Raises
    ------
    InvalidValueError
        If a field breaks its rule, or the former trial is of something else.
    """
    if not 0 < new.share <= 1:
        raise InvalidValueError("share", "be above 0 and at most 1", new.share)
    if new.begins_at is not None:
        check_time("begins at", new.begins_at, now)
    columns, former = new.columns() | {"name": check_name("trial", new.name)}, new.follows
    if former is not None:
        before, after = (former.cell_id, former.device_id), columns["device_id"]
        if before != (requirement.cell_id, after):
            raise InvalidValueError("former trial", "be of the same device or cell", former.name)
    return columns


@dataclass(frozen=True)
class FirstCounted:
    """When a trial's first counted cycle was run, and when the first one was entered."""

    occurred_at: datetime
    recorded_at: datetime


def first_counted(session: Session, trial: Trial) -> FirstCounted | None:
    """Return when a trial began to count; None while nothing has been.

    A cycle that was undone since, or ruled out, has been counted all the same: somebody knew of
    it. Asked shift by shift, an index answers at once, however many cycles a shift has.
    """
    of_shift = Entry.shift_id == Shift.id
    earliest = [
        select(func.min(Entry.occurred_at)).where(of_shift, Entry.kind == kind).scalar_subquery()
        for kind in COUNTED
    ]
    entered = (
        select(Entry.recorded_at)
        .where(of_shift, Entry.kind.in_(COUNTED))
        .order_by(Entry.sequence)
        .limit(1)
        .scalar_subquery()
    )
    statement = select(entered, *earliest).where(
        Shift.cell_id == trial.cell_id, Shift.stage == trial.stage
    )
    if trial.begins_at is not None:
        statement = statement.where(Shift.opened_at >= trial.begins_at)
    rows = [row for row in session.execute(statement) if row[0] is not None]
    if not rows:
        return None
    occurred = min(moment for row in rows for moment in row[1:] if moment is not None)
    return FirstCounted(occurred, min(row[0] for row in rows))


def trials_under(session: Session, requirement: Requirement) -> list[Trial]:
    """Return the trials that a requirement is the measure of, oldest first."""
    statement = select(Trial).where(Trial.requirement_id == requirement.id).order_by(Trial.id)
    return list(session.scalars(statement))


def counting(session: Session, requirement: Requirement) -> Trial | None:
    """Return a trial of a requirement that has begun to count, if one has."""
    found = trials_under(session, requirement)
    return next((trial for trial in found if first_counted(session, trial) is not None), None)


def require_open(session: Session, cell: Cell, *trials: Trial) -> None:
    """Refuse to change a rule once a cycle counts under it. The cell's row is locked, so that
    none comes in between.

    Raises
    ------
    ConflictError
        If one of the trials has a counted cycle.
    """
    session.refresh(cell, with_for_update=True)
    for trial in trials:
        if first_counted(session, trial) is not None:
            raise ConflictError(
                f"requirement and plan are fixed: trial {trial.name!r} has counted cycles, and a "
                "rule that is changed after them proves nothing; start a next trial instead"
            )


def change_requirement(
    session: Session,
    requirement: Requirement,
    new: NewRequirement,
    *,
    actor: Person | None,
    now: datetime,
) -> None:
    """Change a requirement while no trial counts under it; the planned cycle time is the cell's
    of now. Its rates and times must have been checked by the statistics.

    Raises
    ------
    InvalidValueError
        If a field breaks its rule.
    ConflictError
        If a trial of it has a counted cycle, or there is another requirement of that name.
    """
    cell = session.get_one(Cell, requirement.cell_id)
    require_open(session, cell, *trials_under(session, requirement))
    columns = checked_columns(new) | {"cycle_seconds": cell.planned_cycle_seconds}
    if columns["name"] != requirement.name:
        require_new(session, Requirement, "requirement", columns["name"], cell_id=cell.id)
    _change(session, requirement, "requirement", columns, actor=actor, now=now)


def change_trial(
    session: Session, trial: Trial, new: NewTrial, *, actor: Person | None, now: datetime
) -> None:
    """Change a trial while nothing counts for it.

    Raises
    ------
    InvalidValueError
        If a field breaks its rule.
    ConflictError
        If the trial has a counted cycle, or there is another trial of that name.
    """
    require_open(session, session.get_one(Cell, trial.cell_id), trial)
    columns = check_trial(trial.requirement, new, now)
    if columns["name"] != trial.name:
        require_new(session, Trial, "trial", columns["name"])
    _change(session, trial, "trial", columns, actor=actor, now=now)


def _change(
    session: Session,
    row: Requirement | Trial,
    subject: str,
    columns: dict[str, Any],
    *,
    actor: Person | None,
    now: datetime,
) -> None:
    """Set columns, and put on record those that are not what they were, before and after."""
    before = {name: getattr(row, name) for name in columns if getattr(row, name) != columns[name]}
    if not before:
        return
    for name in before:
        setattr(row, name, columns[name])
    session.flush()
    record_event(
        session, "changed", subject, row.id, actor=actor, now=now,
        before=_plain(before), after=_plain({name: columns[name] for name in before}),
    )  # fmt: skip


def _plain(columns: dict[str, Any]) -> dict[str, Any]:
    return {
        name: value.isoformat() if isinstance(value, datetime) else value
        for name, value in columns.items()
    }
