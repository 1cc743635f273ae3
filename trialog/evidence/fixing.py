"""Rules fixed beforehand: when requirement and plan were fixed, and whether before any result."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Select, and_, or_, select
from sqlalchemy.orm import Session

from trialog.evidence.trials import check_requirement, planned_trial
from trialog.records import trials as stored
from trialog.records.models import AuditEvent, Cell, Device, Person, Requirement, Trial
from trialog.records.setup import NewRequirement
from trialog.records.trials import FirstCounted, first_counted, trials_under
from trialog.records.words import PlanKind, Stage


@dataclass(frozen=True)
class Rechanged:
    """A change to a trial's rules that the records show after its first counted cycle."""

    what: str
    at: datetime
    person: str | None
    columns: tuple[str, ...]


@dataclass(frozen=True)
class Fixed:
    """When a trial's requirement and plan were last stated, and what came after.

    `first`: its first counted cycle; None while there is none, and the rules may be changed.
    `late`: changes made all the same after that one was entered.
    """

    at: datetime
    first: FirstCounted | None
    late: tuple[Rechanged, ...]

    @property
    def beforehand(self) -> bool:
        """Whether nobody can have known a result when the rules were fixed."""
        return not self.late and (self.first is None or self.at <= self.first.occurred_at)


def fixing_of(session: Session, trial: Trial) -> Fixed:
    """Look up in the audit when a trial's rules were fixed."""
    first = first_counted(session, trial)
    stated = [trial.created_at, trial.requirement.created_at]
    late = []
    for event, name in session.execute(_changes(trial)):
        if first is not None and event.at > first.recorded_at:
            columns = tuple(event.details.get("after", ()))
            late.append(Rechanged(event.subject, event.at, name, columns))
        else:
            stated.append(event.at)
    return Fixed(at=max(stated), first=first, late=tuple(late))


def _changes(trial: Trial) -> Select[AuditEvent, str]:
    own = and_(AuditEvent.subject == "trial", AuditEvent.subject_id == trial.id)
    asked = and_(AuditEvent.subject == "requirement", AuditEvent.subject_id == trial.requirement_id)
    return (
        select(AuditEvent, Person.name)
        .outerjoin(Person, Person.id == AuditEvent.person_id)
        .where(AuditEvent.action == "changed", or_(own, asked))
        .order_by(AuditEvent.at, AuditEvent.id)
    )


def change_requirement(
    session: Session,
    requirement: Requirement,
    new: NewRequirement,
    *,
    actor: Person | None,
    now: datetime,
) -> None:
    """Change a requirement before a cycle counts under it, and plan its trials anew.

    Raises
    ------
    InvalidValueError
        As `define_requirement`; or if one of its trials can no longer be planned.
    ConflictError
        If one of its trials has a counted cycle, or there is another of that name.
    """
    check_requirement(session.get_one(Cell, requirement.cell_id), new)
    stored.change_requirement(session, requirement, new, actor=actor, now=now)
    for trial in trials_under(session, requirement):
        change_trial(
            session, trial, name=trial.name, stage=trial.stage, plan_kind=trial.plan_kind,
            device=trial.device, share=trial.share, good_pass=trial.good_pass,
            actor=actor, now=now,
        )  # fmt: skip


def change_trial(
    session: Session,
    trial: Trial,
    *,
    name: str,
    stage: Stage,
    plan_kind: PlanKind,
    device: Device | None,
    share: float | None,
    good_pass: float | None,
    actor: Person | None,
    now: datetime,
) -> None:
    """Change a trial before a cycle counts for it; its plan is worked out anew.

    Raises
    ------
    InvalidValueError
        As `start_trial`.
    ConflictError
        If the trial has a counted cycle, or there is another of that name.
    """
    stored.require_open(session, session.get_one(Cell, trial.cell_id), trial)
    former = None if trial.follows_id is None else session.get_one(Trial, trial.follows_id)
    begins_at = trial.begins_at if stage is trial.stage else None
    new = planned_trial(
        session, trial.requirement, name=name, stage=stage, plan_kind=plan_kind, device=device,
        share=share, good_pass=good_pass, begins_at=begins_at, follows=former, now=now,
    )  # fmt: skip
    stored.change_trial(session, trial, new, actor=actor, now=now)
