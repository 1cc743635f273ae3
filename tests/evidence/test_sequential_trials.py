"""Trials with a sequential plan: the plan is kept, and the first line that is crossed decides.

The bench requirement, see test_verdict, at a design rate of 0.03 % and 90 % chance for a good
cell: GO after 685 clean cycles, and 766 more for each failure.
"""

import dataclasses

import pytest
from sqlalchemy import select

from trialog.errors import InvalidValueError
from trialog.evidence import judge, make_plan, plan_of, requirement_of, standing_at, verdict_as_dict
from trialog.evidence.plan_words import plan_words
from trialog.records.models import AuditEvent
from trialog.records.words import PlanKind
from trialog.reliability import SequentialPlan, failure_rate_bounds, sequential_plan


@pytest.fixture
def trial(bench):
    return bench.trial(kind=PlanKind.SEQUENTIAL)


@pytest.fixture
def plan(trial):
    return plan_of(trial)


def line(verdict):
    """The verdict's first line: whether the plan reached its GO line."""
    return verdict.reasons[0]


def run(bench, label, *parts):
    """Log a shift: a number for that many good cycles, a mode for a failed one."""
    bench.open(label)
    ids = []
    for part in parts:
        if isinstance(part, int):
            bench.good(part)
        else:
            ids.append(bench.fail(part))
    bench.close()
    return ids


# The plan.


def test_the_plan_is_the_one_of_the_mathematics(trial, plan):
    stated = requirement_of(trial)
    assert plan == sequential_plan(stated.limit(), stated.design(), confidence=0.9, good_pass=0.9)


def test_the_plan_is_kept_as_it_was_fixed(bench, trial, monkeypatch):
    """A later version of the mathematics must not move the lines of a trial under way."""
    fixed = plan_of(trial)
    monkeypatch.setattr("trialog.reliability.sequential_plan", None)
    bench.session.expire_all()
    assert plan_of(trial) == fixed


def test_the_plans_lines_stand_in_the_audit(bench, trial, plan):
    event = bench.session.scalars(select(AuditEvent).where(AuditEvent.subject == "trial")).one()
    assert event.details["lines"] == {
        "go_start": plan.go_start,
        "no_go_start": plan.no_go_start,
        "cycles_per_failure": plan.cycles_per_failure,
    }


def test_a_plan_that_nobody_could_run_is_refused(trial):
    stated = dataclasses.replace(requirement_of(trial), stretch_hours=8e6, design_rate=1e-11)
    with pytest.raises(InvalidValueError, match="share must leave a plan of at most"):
        make_plan(stated, PlanKind.SEQUENTIAL, 1.0)


# The first line.


def test_clean_cycles_reach_go(bench, trial, plan):
    run(bench, "A", plan.go_line(0) - 1)
    assert not line(judge(bench.session, trial)).met
    assert judge(bench.session, trial).clean_cycles_to_go == 1
    run(bench, "B", 1)
    verdict = judge(bench.session, trial)
    assert line(verdict).met
    assert verdict.clean_cycles_to_go == 0


def test_a_failure_moves_the_go_line(bench, trial, plan):
    run(bench, "A", 600, bench.drop, 100)
    verdict = judge(bench.session, trial)
    assert verdict.verdict == "KEEP RUNNING"
    assert verdict.clean_cycles_to_go == plan.go_line(1) - 701
    run(bench, "B", plan.go_line(1) - 701)
    assert line(judge(bench.session, trial)).met


def test_a_crossed_no_go_line_stays_whatever_comes_later(bench, trial, plan):
    early = plan.no_go_line(1)
    run(bench, "A", early - 1, bench.drop, 3 * plan.max_cycles)
    verdict = judge(bench.session, trial)
    assert plan.decide(1, verdict.evidence.cycles) == "GO"
    assert verdict.verdict == "NO-GO"
    assert verdict.clean_cycles_to_go is None
    assert line(verdict).detail.endswith(
        f"; it crossed the NO-GO line at {early:,} cycles with 1 failure, "
        "and the first line decides"
    )


def test_a_ruling_that_takes_the_failure_out_takes_the_no_go_back(bench, trial, plan):
    (early,) = run(bench, "A", plan.no_go_line(1) - 1, bench.drop, 2 * plan.go_line(0))
    assert judge(bench.session, trial).verdict == "NO-GO"
    bench.rule(early, relevant=False)
    assert line(judge(bench.session, trial)).met


def test_a_failure_since_the_go_puts_it_back(bench, trial, plan):
    run(bench, "A", plan.go_line(0), bench.drop)
    verdict = judge(bench.session, trial)
    assert verdict.verdict == "KEEP RUNNING"
    assert line(verdict).detail.endswith(
        f"; it reached the GO line at {plan.go_line(0):,} cycles with 0 failures, "
        "and failures since then put it back"
    )
    assert verdict.clean_cycles_to_go == plan.go_line(1) - plan.go_line(0) - 1


def test_many_failures_since_the_go_are_no_go(bench, trial, plan):
    run(bench, "A", plan.go_line(0), *[bench.drop] * (plan.max_failures + 1))
    assert judge(bench.session, trial).verdict == "NO-GO"


# Failures whose place nobody wrote down.


def tally(bench, label, good, failed):
    """Log a shift by its counts alone."""
    bench.open(label)
    bench.good(good, order_known=False)
    for mode in failed:
        bench.fail(mode, order_known=False)
    bench.close()


def test_failures_without_a_place_are_placed_at_both_ends_of_their_shift(bench, trial):
    run(bench, "A", 10, bench.drop)
    tally(bench, "B", 18, [bench.drop, bench.drop])
    run(bench, "C", bench.drop, 5)
    evidence = judge(bench.session, trial).evidence
    assert evidence.positions == (11, 32)
    assert evidence.earliest == (11, 12, 13, 32)
    assert evidence.latest == (11, 30, 31, 32)


def test_go_and_no_go_must_hold_wherever_they_were(bench, trial, plan):
    tally(bench, "A", plan.go_line(1) + 50, [bench.drop])
    verdict = judge(bench.session, trial)
    assert plan.decide(1, verdict.evidence.cycles) == "GO"
    assert verdict.verdict == "KEEP RUNNING"
    assert verdict.clean_cycles_to_go is None
    assert line(verdict).detail.endswith(
        "; the order of 1 failure is not known, and in the worst one the plan says NO-GO"
    )


def test_an_order_that_does_not_matter_is_not_asked_for(bench, trial, plan):
    run(bench, "A", plan.no_go_line(1))
    tally(bench, "B", plan.go_line(1), [bench.drop])
    assert line(judge(bench.session, trial)).met


# The bound that is shown.


def test_between_shifts_it_is_the_peek_safe_bound(bench, trial):
    run(bench, "A", 600)
    verdict = judge(bench.session, trial)
    expected = failure_rate_bounds(0, 600, confidence=0.9, method="peek_safe").upper
    assert verdict.upper == expected > verdict.bounds.upper
    assert verdict_as_dict(verdict)["bound_method"] == "peek_safe"


def test_after_go_it_is_the_bound_of_the_stop(bench, trial, plan):
    run(bench, "A", 600, bench.drop, 3_000)
    verdict = judge(bench.session, trial)
    assert verdict.upper == plan.bound_after_stop(1, plan.go_line(1), 0.9)
    assert verdict.upper <= verdict.limit
    assert verdict.proven_stretch_seconds >= verdict.required_stretch_seconds
    assert verdict_as_dict(verdict)["bound_method"] == "after_stop"
    assert verdict_as_dict(verdict)["exact_upper"] == verdict.bounds.upper


@pytest.mark.parametrize("kind", list(PlanKind))
def test_a_go_and_the_stretch_it_proves_never_disagree(bench, kind):
    trial = bench.trial(kind=kind)
    run(bench, "A", plan_of(trial).max_cycles + 37)
    verdict = judge(bench.session, trial)
    assert line(verdict).met
    assert verdict.proven_stretch_seconds >= verdict.required_stretch_seconds


def test_how_it_stood_earlier(bench, trial, plan):
    run(bench, "A", 600, bench.drop, 3_000)
    evidence = judge(bench.session, trial).evidence
    assert standing_at(evidence, 600).decision == "KEEP RUNNING"
    assert standing_at(evidence, 0).upper == 1.0
    assert standing_at(evidence, plan.go_line(1)).decision == "GO"


def test_the_plan_in_plain_data(bench, trial, plan):
    assert isinstance(plan, SequentialPlan)
    assert verdict_as_dict(judge(bench.session, trial))["plan"] == {
        "kind": "sequential",
        "first_go_cycles": plan.first_go_cycles,
        "cycles_per_failure": plan.cycles_per_failure,
        "max_cycles": plan.max_cycles,
        "max_failures": plan.max_failures,
        "in_words": plan_words(plan),
    }


def test_an_order_that_only_delays_go_is_mended_by_clean_cycles(bench, trial, plan):
    run(bench, "A", 290)
    tally(bench, "B", plan.go_line(0), [bench.drop])
    verdict = judge(bench.session, trial)
    assert (verdict.standing.worst.decision, verdict.standing.best.decision) == (
        "KEEP RUNNING",
        "GO",
    )
    assert line(verdict).detail.endswith("in the worst one the plan says KEEP RUNNING")
    assert verdict.clean_cycles_to_go == plan.go_line(1) - verdict.evidence.cycles
    run(bench, "C", verdict.clean_cycles_to_go)
    assert line(judge(bench.session, trial)).met


# Cycles that the machine counted and nobody logged.


def counter_line(verdict):
    return next(reason for reason in verdict.reasons if reason.name.startswith("log agrees"))


def test_an_unlogged_cycle_is_tried_as_the_first_failure_of_its_shift(bench, trial, plan):
    """By its count alone it would leave the GO as it is; at its worst place it ends the plan."""
    bench.run("A", 50, missing=1)
    bench.run("B", 3 * plan.go_line(1), first=51)
    verdict = judge(bench.session, trial)
    assert verdict.standing.decision == "GO"
    assert plan.decide(1, verdict.evidence.cycles + 1) == "GO"
    assert not counter_line(verdict).met
    assert "were each a failure, the plan would say NO-GO" in counter_line(verdict).detail


def test_an_unlogged_cycle_that_comes_late_enough_changes_nothing(bench, trial, plan):
    bench.run("A", plan.go_line(1))
    bench.run("B", plan.go_line(1), missing=1, first=plan.go_line(1))
    assert counter_line(judge(bench.session, trial)).met


def test_unlogged_cycles_stand_beside_the_failures_that_were_logged(bench, trial, plan):
    run(bench, "A", 400)
    bench.open("B", counter=400)
    bench.good(300)
    bench.fail(bench.drop)
    bench.good(3_000)
    bench.close(counter=400 + 3_301 + 1)
    verdict = judge(bench.session, trial)
    assert verdict.evidence.positions == (701,)
    assert not counter_line(verdict).met
