"""Trials that go on from one another: shown beside each other, never mixed."""

import pytest

from trialog.errors import InvalidValueError
from trialog.evidence import acknowledge, judge, start_trial
from trialog.evidence.fixing import change_trial
from trialog.evidence.following import chain_of, next_stage, suggested_name, suggested_stage
from trialog.records.words import AcknowledgementKind, PlanKind, Stage

CLEAN = 656


def follow(bench, former, name, *, stage, device=None):
    return start_trial(
        bench.session, former.requirement, name=name, stage=stage, device=device, share=1.0,
        plan_kind=PlanKind.ZERO_FAILURE, follows=former, actor=bench.engineer, now=bench.clock,
    )  # fmt: skip


def test_the_evidence_of_a_former_trial_is_shown_and_does_not_count(bench):
    by_hand = bench.trial(name="by hand")
    bench.run("A", 100, [bench.drop])
    attended = follow(bench, by_hand, "attended", stage=Stage.ROBOT_ATTENDED)
    again = follow(bench, attended, "attended again", stage=Stage.ROBOT_ATTENDED)
    bench.clock = bench.clock.replace(day=3)
    bench.open("R", counter=101, stage=Stage.ROBOT_ATTENDED)
    bench.good(7)
    bench.close(counter=108)
    chain = chain_of(bench.session, again)
    assert [(one.trial, one.evidence.cycles, one.evidence.failures) for one in chain.former] == [
        ("by hand", 101, 1), ("attended", 7, 0),
    ]  # fmt: skip
    assert chain.later == ()
    assert judge(bench.session, again).evidence.cycles == 7
    assert judge(bench.session, again).evidence.failures == 0
    assert [one.trial for one in chain_of(bench.session, by_hand).later] == ["attended"]


def test_the_same_stage_again_counts_from_its_own_beginning(bench):
    first = bench.trial()
    bench.run("A", 50, [bench.drop])
    again = follow(bench, first, "again", stage=Stage.BY_HAND)
    bench.run("B", 30, first=51)
    assert judge(bench.session, again).evidence.cycles == 30
    assert judge(bench.session, first).evidence.cycles == 81, "the former one goes on by its rule"


def test_a_trial_follows_one_of_the_same_subject(bench):
    former = bench.trial()
    with pytest.raises(InvalidValueError, match="former trial must be of the same device or cell"):
        follow(bench, former, "arm", stage=Stage.UNATTENDED, device=bench.arm)
    later = follow(bench, former, "later", stage=Stage.UNATTENDED)
    with pytest.raises(InvalidValueError, match="former trial must be"):
        change_trial(
            bench.session, later, name="later", stage=Stage.UNATTENDED, device=bench.arm,
            plan_kind=PlanKind.ZERO_FAILURE, share=1.0, good_pass=None,
            actor=bench.engineer, now=bench.clock,
        )  # fmt: skip
    assert later.follows_id == former.id


@pytest.mark.parametrize(
    ("stage", "following"),
    [
        (Stage.BY_HAND, Stage.ROBOT_ATTENDED),
        (Stage.ROBOT_ATTENDED, Stage.UNATTENDED),
        (Stage.UNATTENDED, Stage.UNATTENDED),
    ],
)
def test_the_stages_follow_each_other(stage, following):
    assert next_stage(stage) is following


def test_after_a_go_the_next_stage_is_suggested_and_else_the_same(bench):
    trial = bench.trial()
    assert suggested_stage(judge(bench.session, trial)) is Stage.BY_HAND
    bench.run("A", CLEAN)
    acknowledge(
        bench.session, trial, AcknowledgementKind.CAUTIONS, "read",
        actor=bench.engineer, now=bench.clock,
    )  # fmt: skip
    assert suggested_stage(judge(bench.session, trial)) is Stage.ROBOT_ATTENDED


def test_the_suggested_name_is_new_and_tells_the_stage(bench):
    former = bench.trial(name="claw, by hand")
    plain = bench.trial(name="claw")

    def name(trial, stage):
        return suggested_name(bench.session, trial, stage)

    assert name(former, Stage.ROBOT_ATTENDED) == "claw, robot attended"
    assert name(former, Stage.BY_HAND) == "claw, by hand 2"
    assert name(plain, Stage.UNATTENDED) == "claw, unattended"
    assert name(plain, Stage.BY_HAND) == "claw 2"
    bench.trial(name="claw 2")
    assert name(plain, Stage.BY_HAND) == "claw 3"
