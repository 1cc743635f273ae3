"""What was said of a trial over time: a line for each verdict that differed from the last."""

from sqlalchemy import select

from trialog.evidence import acknowledge, judge, note_verdicts, noted_before, verdict_history
from trialog.records.models import AuditEvent
from trialog.records.words import AcknowledgementKind, PlanKind

CLEAN = 656


def note(bench):
    return note_verdicts(bench.session, bench.cell, now=bench.clock, actor=bench.engineer)


def cautions(bench, trial):
    acknowledge(
        bench.session, trial, AcknowledgementKind.CAUTIONS, "read",
        actor=bench.engineer, now=bench.clock,
    )  # fmt: skip


def test_the_first_verdict_is_noted_with_what_it_rests_on(bench):
    trial = bench.trial()
    (change,) = note(bench)
    verdict = judge(bench.session, trial)
    assert (change.trial_id, change.at) == (trial.id, bench.clock)
    assert (change.verdict, change.cycles, change.failures) == ("KEEP RUNNING", 0, 0)
    assert change.proven_seconds == verdict.proven_stretch_seconds
    assert change.unmet == [reason.name for reason in verdict.unmet]
    assert change.chain_length == bench.cell.chain_length
    assert noted_before(bench.session, change) is None


def test_nothing_is_noted_while_the_verdict_and_its_lines_stay(bench):
    bench.trial()
    note(bench)
    assert note(bench) == []
    bench.open("A", counter=0)
    bench.good(5)
    bench.close(counter=5)
    first = note(bench)
    assert len(first) == 1, "the log agrees with the counter from here on"
    bench.run("B", 7, first=5)
    assert note(bench) == [], "more cycles alone are nothing new"


def test_the_way_to_go_and_back_is_told_in_order(bench):
    trial = bench.trial(bench.arm, kind=PlanKind.FIXED_SIZE, design_rate=0.002)
    other = bench.trial(bench.jet, name="other")
    note(bench)
    bench.run("A", judge(bench.session, trial).plan.max_cycles)
    cautions(bench, trial)
    note(bench)
    (failed,) = bench.run("B", 9, [bench.drop])
    note(bench)
    bench.rule(failed, relevant=True)
    changes = note(bench)
    told = [(one.verdict, one.failures) for one in verdict_history(bench.session, trial)]
    assert told == [
        ("KEEP RUNNING", 0), ("GO", 0), ("KEEP RUNNING", 1), ("GO", 1),
    ]  # fmt: skip
    assert [change.trial_id for change in changes] == [trial.id], "the other trial is as it was"
    assert noted_before(bench.session, changes[0]).unmet == ["every failure ruled on"]
    assert verdict_history(bench.session, other)[-1].verdict == "KEEP RUNNING"


def test_each_note_is_audited_under_whoever_made_the_change(bench):
    trial = bench.trial()
    note(bench)
    found = bench.session.scalars(
        select(AuditEvent).where(AuditEvent.action == "noted verdict")
    ).one()
    assert (found.subject, found.subject_id) == ("trial", trial.id)
    assert found.person_id == bench.engineer.id
    assert found.details["verdict"] == "KEEP RUNNING"
