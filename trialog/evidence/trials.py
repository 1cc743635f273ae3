"""Requirements and trials: from what a shop asks for to a limit and a plan, and back."""

from __future__ import annotations

from datetime import datetime
from typing import cast

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from trialog import reliability
from trialog.errors import ConflictError, InvalidValueError
from trialog.languages import t
from trialog.records import setup
from trialog.records.models import Cell, Device, Entry, Person, Requirement, Shift, Trial
from trialog.records.setup import NewRequirement
from trialog.records.shiftlog import COUNTED
from trialog.records.trials import NewTrial, PlanLines, add_trial
from trialog.records.words import PlanKind, Stage
from trialog.reliability import FixedPlan, Plan, SequentialPlan

DEFAULT_GOOD_PASS = 0.9
"""Chance that a device at the design rate passes a plan that allows failures; common practice, no
source."""

DESIGN_MARGIN = 10
"""How many times rarer than the limit failures are at the design rate, where nobody says;
common practice, no source."""

LEAST_CONFIDENCE, MOST_CONFIDENCE = 0.6, 0.999999
"""With less, a GO would be little better than a coin's; with more, the bounds run out of digits
and the shop out of cycles. Common practice, no source."""

MOST_PLANNED = 1_000_000_000
"""No machine runs more cycles in a trial, and the records' columns hold not much more."""


def define_requirement(
    session: Session, cell: Cell, new: NewRequirement, *, actor: Person | None, now: datetime
) -> Requirement:
    """Add a requirement to a cell, once the statistics accept its numbers.

    Raises
    ------
    InvalidValueError
        If a number lies outside its range, the confidence is below 0.6 or above 0.999999, or
        the design rate is not below the limit.
    """
    check_requirement(cell, new)
    return setup.add_requirement(session, cell, new, actor=actor, now=now)


def check_requirement(cell: Cell, new: NewRequirement) -> reliability.Requirement:
    """Return a requirement of a cell as the statistics know it, once they accept its numbers.

    Raises
    ------
    InvalidValueError
        As `define_requirement` says.
    """
    checked = reliability.Requirement(
        stretch_hours=new.stretch_hours,
        cycle_seconds=cell.planned_cycle_seconds,
        chance=new.chance,
        confidence=new.confidence,
        design_rate=new.design_rate,
    )
    if not LEAST_CONFIDENCE <= new.confidence <= MOST_CONFIDENCE:
        rule = f"be between {LEAST_CONFIDENCE} and {MOST_CONFIDENCE}"
        raise InvalidValueError("confidence", rule, new.confidence)
    if not new.design_rate < checked.cell_limit:
        raise InvalidValueError(
            "design rate", f"be below the limit {checked.cell_limit:.3g}", new.design_rate
        )
    return checked


def make_plan(
    requirement: reliability.Requirement,
    plan_kind: PlanKind,
    share: float,
    good_pass: float | None = None,
) -> Plan:
    """Work out the plan for one trial's share of a requirement.

    Raises
    ------
    InvalidValueError
        If no plan holds the risks, or none that anybody could run.
    """
    plan = _planned(requirement, plan_kind, share, good_pass)
    if plan.max_cycles > MOST_PLANNED:
        raise InvalidValueError(
            "share", f"leave a plan of at most {MOST_PLANNED:,} cycles ({plan.max_cycles:,})", share
        )
    return plan


def _planned(
    requirement: reliability.Requirement,
    plan_kind: PlanKind,
    share: float,
    good_pass: float | None,
) -> Plan:
    limit, design = requirement.limit(share), requirement.design(share)
    confidence = requirement.confidence
    if plan_kind is PlanKind.ZERO_FAILURE:
        return reliability.zero_failure_plan(limit, confidence, design)
    good_pass = DEFAULT_GOOD_PASS if good_pass is None else good_pass
    if plan_kind is PlanKind.FIXED_SIZE:
        return reliability.fixed_plan(limit, design, confidence=confidence, good_pass=good_pass)
    return reliability.sequential_plan(limit, design, confidence=confidence, good_pass=good_pass)


def equal_share(devices: int) -> float:
    """Return each device's share where all of a cell's devices share its allowance equally."""
    return 1.0 / max(1, devices)


def start_trial(
    session: Session,
    requirement: Requirement,
    *,
    name: str,
    stage: Stage,
    plan_kind: PlanKind,
    device: Device | None = None,
    share: float | None = None,
    good_pass: float | None = None,
    begins_at: datetime | None = None,
    follows: Trial | None = None,
    actor: Person | None,
    now: datetime,
) -> Trial:
    """Add a trial with its plan worked out. It counts nothing that was logged before it.

    `share` empty means an equal share for each of the cell's devices, and all of it for a
    trial of the whole cell. `begins_at` empty means from now on where the stage has cycles
    already, and otherwise all shifts of the stage: those of paper logs yet to be imported too.

    Raises
    ------
    InvalidValueError
        If no plan can be made, or a field breaks its rule.
    ConflictError
        If cycles logged already would count, or there is a trial of that name.
    """
    new = planned_trial(
        session, requirement, name=name, stage=stage, plan_kind=plan_kind, device=device,
        share=share, good_pass=good_pass, begins_at=begins_at, follows=follows, now=now,
    )  # fmt: skip
    return add_trial(session, requirement, new, actor=actor, now=now)


def planned_trial(
    session: Session,
    requirement: Requirement,
    *,
    name: str,
    stage: Stage,
    plan_kind: PlanKind,
    device: Device | None,
    share: float | None,
    good_pass: float | None,
    begins_at: datetime | None,
    follows: Trial | None,
    now: datetime,
) -> NewTrial:
    """Work out a trial's plan, and from when on it counts, as `start_trial` says."""
    if share is None:
        devices = 1 if device is None else _count_devices(session, requirement.cell_id)
        share = equal_share(devices)
    plan = make_plan(statistics_of(requirement), plan_kind, share, good_pass)
    if _has_cycles(session, requirement.cell_id, stage, since=begins_at):
        if begins_at is not None:
            raise ConflictError(
                f"begins at must leave out the cycles already logged, got {begins_at.isoformat()}: "
                "a plan made after the results proves nothing"
            )
        begins_at = now
    return NewTrial(
        name=name,
        stage=stage,
        share=share,
        plan_kind=plan_kind,
        plan_cycles=plan.max_cycles,
        plan_allowed=plan.max_failures,
        plan_lines=_lines_of(plan),
        good_pass=None if plan_kind is PlanKind.ZERO_FAILURE else plan.good_pass,
        begins_at=begins_at,
        device=device,
        follows=follows,
    )


def _lines_of(plan: Plan) -> PlanLines | None:
    """Return what a sequential plan has to be kept of, besides where it ends."""
    if isinstance(plan, FixedPlan):
        return None
    return PlanLines(
        go_start=plan.go_start,
        no_go_start=plan.no_go_start,
        cycles_per_failure=plan.cycles_per_failure,
    )


def _count_devices(session: Session, cell_id: int) -> int:
    statement = select(func.count()).select_from(Device).where(Device.cell_id == cell_id)
    return session.scalar(statement) or 0


def _has_cycles(session: Session, cell_id: int, stage: Stage, since: datetime | None) -> bool:
    statement = (
        select(Entry.id)
        .join(Shift, Shift.id == Entry.shift_id)
        .where(Entry.cell_id == cell_id, Shift.stage == stage, Entry.kind.in_(COUNTED))
    )
    if since is not None:
        statement = statement.where(Shift.opened_at >= since)
    return session.scalar(statement.limit(1)) is not None


def statistics_of(requirement: Requirement) -> reliability.Requirement:
    """Return a stored requirement as the statistics know it."""
    return reliability.Requirement(
        stretch_hours=requirement.stretch_hours,
        cycle_seconds=requirement.cycle_seconds,
        chance=requirement.chance,
        confidence=requirement.confidence,
        design_rate=requirement.design_rate,
    )


def requirement_of(trial: Trial) -> reliability.Requirement:
    """Return a trial's requirement as the statistics know it."""
    return statistics_of(trial.requirement)


def limit_of(trial: Trial) -> float:
    """Return the largest tolerable failure rate per cycle of a trial's subject."""
    return requirement_of(trial).limit(trial.share)


def design_of(trial: Trial) -> float:
    """Return the failure rate per cycle at which a trial's subject should pass."""
    return requirement_of(trial).design(trial.share)


def plan_of(trial: Trial) -> Plan:
    """Return the plan that a trial was fixed with, from the numbers kept then."""
    if trial.plan_kind is not PlanKind.SEQUENTIAL:
        return FixedPlan(
            cycles=trial.plan_cycles,
            allowed_failures=trial.plan_allowed,
            limit=limit_of(trial),
            design=design_of(trial),
            confidence=trial.requirement.confidence,
            good_pass=trial.good_pass,
        )
    # A rule of the table keeps all of these with every sequential plan.
    return SequentialPlan(
        go_start=cast(float, trial.plan_go_start),
        no_go_start=cast(float, trial.plan_no_go_start),
        cycles_per_failure=cast(float, trial.plan_cycles_per_failure),
        max_cycles=trial.plan_cycles,
        max_failures=trial.plan_allowed,
        limit=limit_of(trial),
        design=design_of(trial),
        confidence=trial.requirement.confidence,
        good_pass=cast(float, trial.good_pass),
    )


def subject_of(trial: Trial) -> str:
    """Return the name of what a trial is about: its device, or the whole cell."""
    return t("whole cell") if trial.device is None else trial.device.name
