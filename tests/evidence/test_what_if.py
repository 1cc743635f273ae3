"""What the verdict would be if: the same as if it had happened, and nothing has."""

from __future__ import annotations

import pytest
from sqlalchemy import select

from trialog.errors import ConflictError, InvalidValueError, UnknownNameError
from trialog.evidence import judge, verdict_as_dict
from trialog.evidence.what_if import MOST_CLEAN_CYCLES, MOST_FAILURES, what_if
from trialog.records.base import Base
from trialog.records.models import Notice
from trialog.records.outbox import CHANNELS
from trialog.records.queries import revisions_in_order
from trialog.records.verify import verify
from trialog.records.words import NoticeChannel, PlanKind, Stage

GO_CYCLES = 656
"""What the bench's zero-failure plan asks for: 30 cycles alone at 90 % and 90 %."""


@pytest.fixture
def running(bench):
    """A trial with 100 cycles and one failed cycle of two modes, not ruled on."""
    bench.on_trial = bench.trial(kind=PlanKind.SEQUENTIAL, design_rate=0.001)
    bench.open("A", counter=0)
    bench.failed = bench.fail(bench.drop, bench.slow)
    bench.good(99)
    bench.close(counter=100)
    bench.session.commit()
    return bench


def everything(session):
    """Return all rows of all tables."""
    session.rollback()
    return {
        table.name: sorted(map(repr, session.execute(select(table)).all()))
        for table in Base.metadata.sorted_tables
    }


def figures(verdict):
    """Return all that a verdict says, but for the lines' own words."""
    told = verdict_as_dict(verdict)
    return told | {"reasons": [(line["name"], line["met"]) for line in told["reasons"]]}


def test_without_a_question_the_verdict_is_that_of_now(running):
    now = judge(running.session, running.on_trial)
    assert figures(what_if(running.session, running.on_trial)) == figures(now)


def test_clean_cycles_count_as_if_they_had_run(running):
    supposed = what_if(running.session, running.on_trial, clean_cycles=250)
    running.run("B", 250, first=100)
    assert figures(supposed) == figures(judge(running.session, running.on_trial))
    assert supposed.evidence.cycles == 350


def test_failures_come_first_and_are_ruled_relevant(running):
    supposed = what_if(
        running.session, running.on_trial, clean_cycles=20, failures=[running.drop.id] * 2
    )
    failed = running.run("B", 20, [running.drop, running.drop], first=100)
    for line in failed:
        running.rule(line, True)
    happened = judge(running.session, running.on_trial)
    assert figures(supposed) == figures(happened)
    assert supposed.evidence.positions == happened.evidence.positions == (1, 101, 102)


def test_a_failure_that_can_damage_is_a_no_go(running):
    supposed = what_if(running.session, running.on_trial, failures=[running.chips.id])
    assert supposed.verdict == "NO-GO"
    assert supposed.evidence.damage_failures == 1


def test_a_ruling_counts_as_if_it_were_written(running):
    both = [(running.failed, mode.id, False) for mode in (running.drop, running.slow)]
    supposed = what_if(running.session, running.on_trial, rulings=both)
    running.rule(running.failed, False)
    assert figures(supposed) == figures(judge(running.session, running.on_trial))
    assert (supposed.evidence.failures, supposed.evidence.no_tests) == (0, 1)


def test_a_ruling_is_supposed_to_be_taken_back(running):
    ruling = running.rule(running.failed, False)
    supposed = what_if(running.session, running.on_trial, taken_back=[ruling])
    running.undo(ruling)
    assert figures(supposed) == figures(judge(running.session, running.on_trial))
    assert supposed.evidence.unruled == 2


def test_the_clean_cycles_that_the_verdict_asks_for_lead_to_the_plans_go_line(running):
    running.rule(running.failed, True)
    to_go = judge(running.session, running.on_trial).clean_cycles_to_go
    short = what_if(running.session, running.on_trial, clean_cycles=to_go - 1)
    enough = what_if(running.session, running.on_trial, clean_cycles=to_go)
    assert [short.standing.decision, enough.standing.decision] == ["KEEP RUNNING", "GO"]


def test_of_a_device_the_failures_of_others_are_clean_cycles(running):
    trial = running.trial(running.jet, name="jet alone", stage=Stage.ROBOT_ATTENDED)
    supposed = what_if(running.session, trial, failures=[running.drop.id, running.chips.id])
    assert (supposed.evidence.cycles, supposed.evidence.failures) == (2, 1)


def test_supposed_cycles_run_under_the_newest_revision(running):
    running.revise(running.arm, "new claw")
    supposed = what_if(running.session, running.on_trial, clean_cycles=7)
    assert supposed.evidence.cycles == 7
    assert supposed.evidence.since == revisions_in_order(running.session, running.cell.id)[-1]


def test_a_shift_under_way_stays_open(running):
    running.open("B", counter=100)
    running.good(5)
    supposed = what_if(running.session, running.on_trial, clean_cycles=10)
    assert supposed.evidence.cycles == 115
    assert "log agrees with the machine counter" in {line.name for line in supposed.unmet}


def test_the_supposed_shift_finds_a_name_of_its_own(running):
    running.run("what if 1", 10, first=100)
    assert what_if(running.session, running.on_trial, clean_cycles=1).evidence.cycles == 111


def test_the_counter_goes_round_as_often_as_it_must(running):
    supposed = what_if(running.session, running.on_trial, clean_cycles=25_000)
    assert supposed.evidence.cycles == 25_100
    # 25,000 cycles are too many for one shift of a counter that starts again after 10,000.
    assert list(supposed.evidence.shifts["cycles"]) == [100, 9_999, 9_999, 5_002]
    assert all(supposed.evidence.shifts["counted"] == supposed.evidence.shifts["logged"])


def test_a_counter_without_an_end_needs_one_shift(running):
    running.cell.counter_modulus = None
    supposed = what_if(running.session, running.on_trial, clean_cycles=250_000)
    assert list(supposed.evidence.shifts["logged"]) == [100, 250_000]
    assert supposed.evidence.shifts["counted"].iloc[1] == 250_000


QUESTIONS = {
    "cycles": {"clean_cycles": 250},
    "failures": {"clean_cycles": 3, "failures": ["drop", "chips"]},
    "ruling": {"rulings": [("failed", "drop", False)]},
    "taken back": {"taken_back": ["ruling"]},
    "all of it": {
        "clean_cycles": 12_000, "failures": ["slow"], "taken_back": ["ruling"],
        "rulings": [("failed", "drop", True), ("failed", "slow", False)],
    },
}  # fmt: skip


def filled(bench, question):
    """Put the bench's own ids into a question."""

    def mode(name):
        return getattr(bench, name).id

    return question | {
        "failures": [mode(name) for name in question.get("failures", ())],
        "rulings": [
            (bench.failed, mode(name), relevant)
            for _, name, relevant in question.get("rulings", ())
        ],
        "taken_back": [bench.ruling for _ in question.get("taken_back", ())],
    }


@pytest.mark.parametrize("question", QUESTIONS.values(), ids=QUESTIONS.keys())
def test_nothing_is_written_whatever_is_asked(running, question):
    running.ruling = running.rule(running.failed, True, mode=running.drop)
    running.session.commit()
    before = everything(running.session)
    now = figures(judge(running.session, running.on_trial))
    what_if(running.session, running.on_trial, **filled(running, question))
    assert figures(judge(running.session, running.on_trial)) == now
    running.session.commit()
    assert everything(running.session) == before
    assert verify(running.session) == []


def test_nobody_is_told_of_a_shift_that_was_only_supposed(running):
    running.session.info[CHANNELS] = tuple(NoticeChannel)
    what_if(running.session, running.on_trial, clean_cycles=10)
    running.session.commit()
    assert running.session.scalars(select(Notice)).all() == []
    running.run("B", 10, first=100)
    assert len(running.session.scalars(select(Notice)).all()) == len(NoticeChannel)


def test_what_is_written_beside_a_question_stays_and_the_question_does_not(running):
    running.rule(running.failed, True)
    what_if(running.session, running.on_trial, clean_cycles=5)
    running.rule(running.failed, False)
    running.session.commit()
    evidence = judge(running.session, running.on_trial).evidence
    assert (evidence.cycles, evidence.failures, evidence.no_tests) == (99, 0, 1)
    assert verify(running.session) == []


def test_a_question_that_breaks_a_rule_leaves_nothing_either(running):
    before = everything(running.session)
    ruling = {"rulings": [(running.failed, running.chips.id, False)]}
    for error, question in (
        (UnknownNameError, {"clean_cycles": 5, "failures": [9_999]}),
        (UnknownNameError, {"taken_back": ["nowhere"]}),
        (InvalidValueError, ruling | {"clean_cycles": 5}),
    ):
        with pytest.raises(error):
            what_if(running.session, running.on_trial, **question)
        running.session.commit()
        assert everything(running.session) == before


def test_what_is_undone_cannot_be_taken_back_again(running):
    ruling = running.rule(running.failed, False)
    running.undo(ruling)
    with pytest.raises(ConflictError, match="already undone"):
        what_if(running.session, running.on_trial, taken_back=[ruling])


@pytest.mark.parametrize(
    ("question", "rule"),
    [
        ({"clean_cycles": -1}, "clean cycles must be between 0 and 1,000,000, got -1"),
        ({"clean_cycles": MOST_CLEAN_CYCLES + 1}, "clean cycles must be between 0 and"),
        ({"failures": [1] * (MOST_FAILURES + 1)}, "failures must be at most 200, got 201"),
    ],
)
def test_a_question_holds_so_much_and_no_more(running, question, rule):
    with pytest.raises(InvalidValueError, match=rule):
        what_if(running.session, running.on_trial, **question)


def test_a_counter_that_starts_again_too_soon_says_so(running):
    running.cell.counter_modulus = 200
    rule = "cycles must be at most 19,900: the counter starts again after 200, got 20000"
    with pytest.raises(InvalidValueError, match=rule):
        what_if(running.session, running.on_trial, clean_cycles=20_000)


def test_a_zero_failure_plan_is_out_with_the_first_failure(bench):
    trial = bench.trial()
    bench.run("A", 10)
    clean = [
        what_if(bench.session, trial, clean_cycles=cycles).standing.decision
        for cycles in (GO_CYCLES - 11, GO_CYCLES - 10)
    ]
    assert clean == ["KEEP RUNNING", "GO"]
    failed = what_if(bench.session, trial, clean_cycles=GO_CYCLES, failures=[bench.drop.id])
    assert failed.verdict == "NO-GO"
