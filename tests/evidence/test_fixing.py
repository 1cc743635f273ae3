"""Requirement and plan are fixed with the first counted cycle, and what came after is told."""

from datetime import timedelta

import pytest
from sqlalchemy import select

from trialog.errors import ConflictError, InvalidValueError
from trialog.evidence import make_plan, plan_of, statistics_of
from trialog.evidence.fixing import change_requirement, change_trial, fixing_of
from trialog.records.audit import record_event
from trialog.records.models import AuditEvent
from trialog.records.setup import NewRequirement
from trialog.records.words import EntryKind, PlanKind, Role, Stage

NUMBERS = {"stretch_hours": 1.0, "chance": 0.95, "confidence": 0.9, "design_rate": 0.0003}


def asked(name="an hour", **changes):
    return NewRequirement(name=name, **(NUMBERS | changes))


def by(bench):
    return {"actor": bench.engineer, "now": bench.clock}


def restate(bench, trial, **changes):
    same = {
        "name": trial.name, "stage": trial.stage, "plan_kind": trial.plan_kind,
        "device": trial.device, "share": trial.share, "good_pass": trial.good_pass,
    }  # fmt: skip
    change_trial(bench.session, trial, **(same | changes), **by(bench))


def last_event(bench):
    statement = select(AuditEvent).order_by(AuditEvent.id.desc()).limit(1)
    return bench.session.scalar(statement)


def test_a_requirement_may_be_changed_before_the_first_cycle_and_its_trials_are_planned_anew(bench):
    trial = bench.trial()
    other = bench.trial(bench.arm, name="arm")
    new = asked(min_shifts=2, sign_roles=(Role.ADMIN,))
    change_requirement(bench.session, trial.requirement, new, **by(bench))
    requirement = trial.requirement
    assert (requirement.name, requirement.min_shifts) == ("an hour", 2)
    assert requirement.sign_roles == ["admin"]
    anew = make_plan(statistics_of(requirement), PlanKind.ZERO_FAILURE, 1.0)
    assert (plan_of(trial).cycles, plan_of(trial).limit) == (anew.cycles, anew.limit)
    assert other.requirement.name == "for arm", "that of another trial is as it was"


def test_a_change_is_audited_with_what_was_there_before(bench):
    trial = bench.trial()
    requirement = trial.requirement
    change_requirement(bench.session, requirement, asked(), **by(bench))
    event = bench.session.scalars(
        select(AuditEvent).where(
            AuditEvent.action == "changed", AuditEvent.subject == "requirement"
        )
    ).one()
    assert event.details["before"]["name"] == "for trial"
    assert event.details["after"] == {"name": "an hour", "stretch_hours": 1.0, "chance": 0.95}
    assert last_event(bench).subject == "trial", "the plan that followed from it"
    before = last_event(bench).id
    change_requirement(bench.session, requirement, asked(), **by(bench))
    assert last_event(bench).id == before, "nothing changed, nothing is told"


def test_the_planned_cycle_time_is_the_cells_of_now(bench):
    trial = bench.trial()
    bench.cell.planned_cycle_seconds = 30.0
    change_requirement(bench.session, trial.requirement, asked("for trial"), **by(bench))
    assert trial.requirement.cycle_seconds == 30.0


def test_a_trial_may_become_another_one_before_the_first_cycle(bench):
    trial = bench.trial()
    restate(
        bench, trial, name="jet, attended", stage=Stage.ROBOT_ATTENDED, device=bench.jet,
        plan_kind=PlanKind.SEQUENTIAL, share=0.25, good_pass=0.8,
    )  # fmt: skip
    assert (trial.name, trial.stage, trial.share) == ("jet, attended", Stage.ROBOT_ATTENDED, 0.25)
    requirement = statistics_of(trial.requirement)
    assert plan_of(trial) == make_plan(requirement, PlanKind.SEQUENTIAL, 0.25, 0.8)
    assert bench.trial(name="another").name == "another"
    with pytest.raises(ConflictError, match="trial must be new"):
        restate(bench, trial, name="another")
    with pytest.raises(InvalidValueError, match="share"):
        restate(bench, trial, share=2)


def test_nothing_changes_after_the_first_counted_cycle(bench):
    trial = bench.trial()
    bench.open("A", counter=0)
    restate(bench, trial, share=0.5)
    undone = bench.good(1)
    bench.undo(undone)
    for change in (
        lambda: restate(bench, trial, share=1.0),
        lambda: change_requirement(bench.session, trial.requirement, asked(), **by(bench)),
    ):
        with pytest.raises(ConflictError, match=r"'trial' has counted cycles.*start a next trial"):
            change()
    assert (trial.share, trial.requirement.name) == (0.5, "for trial")


def test_cycles_of_other_stages_and_of_before_do_not_fix_a_trial(bench):
    bench.run("early", 5)
    trial = bench.trial()
    begins_at = trial.begins_at
    bench.clock += timedelta(minutes=5)
    restate(bench, trial, share=0.5)
    assert trial.begins_at == begins_at
    bench.open("robot", counter=5, stage=Stage.ROBOT_ATTENDED)
    bench.good(5)
    bench.close(counter=10)
    restate(bench, trial, share=0.75)
    restate(bench, trial, stage=Stage.ROBOT_ATTENDED)
    assert trial.begins_at == bench.clock, "the cycles of its new stage must not count"


def test_rules_that_were_fixed_beforehand_say_so(bench):
    trial = bench.trial()
    fixed = fixing_of(bench.session, trial)
    assert (fixed.at, fixed.first, fixed.late) == (trial.created_at, None, ())
    assert fixed.beforehand
    bench.open("A", counter=0)
    restate(bench, trial, share=0.5)
    changed = bench.clock
    bench.good(1)
    first = bench.clock
    bench.good(1)
    fixed = fixing_of(bench.session, trial)
    assert fixed.at == changed
    assert (fixed.first.occurred_at, fixed.first.recorded_at) == (first, first)
    assert fixed.beforehand


def test_a_paper_log_entered_later_was_there_before_the_rules(bench):
    early = bench.clock
    bench.clock += timedelta(days=3)
    trial = bench.trial()
    bench.write(EntryKind.SHIFT_OPENED, shift="paper", stage=Stage.BY_HAND, occurred_at=early)
    bench.write(EntryKind.GOOD, shift="paper", cycles=5, occurred_at=early)
    fixed = fixing_of(bench.session, trial)
    assert fixed.first.occurred_at == early < fixed.at < fixed.first.recorded_at
    assert not fixed.beforehand
    assert fixed.late == ()


def test_a_change_that_the_audit_shows_after_the_first_cycle_is_told(bench):
    trial = bench.trial()
    bench.run("A", 5)
    for subject, number in (("requirement", trial.requirement_id), ("trial", trial.id + 1)):
        record_event(
            bench.session, "changed", subject, number, actor=bench.approver, now=bench.clock,
            after={"chance": 0.5},
        )  # fmt: skip
    bench.session.flush()
    fixed = fixing_of(bench.session, trial)
    (late,) = fixed.late
    assert (late.what, late.at, late.person) == ("requirement", bench.clock, "Approver")
    assert late.columns == ("chance",)
    assert not fixed.beforehand
    assert fixed.at == trial.created_at
