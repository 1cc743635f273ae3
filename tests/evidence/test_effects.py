"""What would change a line: each sentence is held against what happens when it is done."""

import re
from datetime import timedelta

import pytest

from trialog.evidence import acknowledge, explained, judge
from trialog.evidence.reasons import EXPLANATIONS
from trialog.languages import listed
from trialog.records.setup import add_device
from trialog.records.words import AcknowledgementKind, Condition, EntryKind, PlanKind

pytestmark = pytest.mark.database("sqlite")
"""What is tried here asks plans, not the database: that is judge, tried on both elsewhere."""

SEQUENTIAL = {"kind": PlanKind.SEQUENTIAL, "design_rate": 0.001}
ALLOWS = {"kind": PlanKind.FIXED_SIZE, "design_rate": 0.002}


def told(bench, trial):
    """Return what would change each line, as one text a line."""
    verdict = explained(judge(bench.session, trial))
    return {reason.key: " ".join(reason.would_change) for reason in verdict.reasons}


def lines(bench, trial):
    return {reason.key: reason.met for reason in judge(bench.session, trial).reasons}


def go_line(bench, trial):
    """Return at how many cycles the plan says GO with the failures that count now."""
    verdict = judge(bench.session, trial)
    return verdict.plan.go_line(verdict.evidence.failures)


def moved(text):
    """Return the numbers of "moves GO from … to … cycles"."""
    return [
        (int(first.replace(",", "")), int(last.replace(",", "")))
        for first, last in re.findall(r"moves GO from ([\d,]+) to ([\d,]+) cycles", text)
    ]


def acknowledged(bench, trial, kind):
    acknowledge(bench.session, trial, kind, "seen", actor=bench.engineer, now=bench.clock)


def test_every_line_explains_itself_and_says_what_would_change_it(bench):
    verdict = explained(judge(bench.session, bench.trial()))
    assert [reason.key for reason in verdict.reasons] == list(EXPLANATIONS)
    for reason in verdict.reasons:
        assert reason.explanation.endswith("."), reason.key
        assert reason.would_change, reason.key
    assert all(
        not reason.would_change for reason in judge(bench.session, bench.trial(name="b")).reasons
    )


def test_clean_cycles_bring_the_plan_to_the_line_that_is_told(bench):
    trial = bench.trial()
    bench.run("A", 655)
    assert (
        "1 more clean cycle brings it to its GO line at 656 cycles." in told(bench, trial)["plan"]
    )
    bench.run("B", 1, first=655)
    assert lines(bench, trial)["plan"]
    assert "clean cycle" not in told(bench, trial)["plan"]


def test_one_more_failure_of_a_device_without_a_mode_has_no_name(bench):
    bare = add_device(bench.session, bench.cell, "bare", actor=bench.engineer, now=bench.clock)
    trial = bench.trial(bare, **SEQUENTIAL)
    bench.run("A", 400)
    assert "One more failure moves GO" in told(bench, trial)["plan"]


def test_one_more_failure_moves_the_line_as_told(bench):
    trial = bench.trial(bench.arm, **SEQUENTIAL)
    bench.run("A", 400)
    text = told(bench, trial)["plan"]
    assert "One more “dropped part” or “slow return” moves GO" in text
    ((before, after),) = moved(text)
    assert before == go_line(bench, trial)
    bench.run("B", 0, [bench.drop], first=400)
    assert after == go_line(bench, trial) > before


def test_a_ruling_moves_the_line_back_as_told(bench):
    trial = bench.trial(bench.arm, **SEQUENTIAL)
    bench.run("A", 1_500)
    (failed,) = bench.run("B", 300, [bench.drop], first=1_500)
    cycle = judge(bench.session, trial).evidence.numbering.failed[-1]
    text = told(bench, trial)["plan"]
    assert f"The failure on line {cycle.sequence:,}, ruled non-relevant, moves GO" in text
    before, after = moved(text)[-1]
    assert before == go_line(bench, trial)
    bench.rule(failed, relevant=False)
    assert after == go_line(bench, trial) < before


def test_a_failure_too_many_and_the_ruling_that_lifts_it(bench):
    trial = bench.trial(bench.arm)
    bench.run("A", 100)
    line = go_line(bench, trial)
    assert "takes the plan to NO-GO" in told(bench, trial)["plan"]
    (failed,) = bench.run("B", 9, [bench.drop], first=100)
    text = told(bench, trial)["plan"]
    assert "No number of clean cycles leads to GO" in text
    assert f"ruled non-relevant, lifts the plan's NO-GO, with GO at {line:,} cycles" in text
    bench.rule(failed, relevant=False)
    assert judge(bench.session, trial).verdict == "KEEP RUNNING"
    assert go_line(bench, trial) == line


def test_rulings_that_each_alone_change_nothing_are_not_told(bench):
    trial = bench.trial(bench.arm)
    bench.run("A", 9, [bench.drop, bench.drop])
    assert "ruled non-relevant" not in told(bench, trial)["plan"], "two are too many, and one too"


def test_a_failure_that_the_plan_allows_leaves_its_line(bench):
    trial = bench.trial(bench.arm, **ALLOWS)
    bench.run("A", 100)
    line = go_line(bench, trial)
    assert f"leaves GO at {line:,} cycles" in told(bench, trial)["plan"]


def test_many_failures_that_would_do_the_same_are_told_at_once(bench):
    trial = bench.trial(bench.arm, **ALLOWS)
    allowed = judge(bench.session, trial).plan.allowed_failures
    bench.run("A", 400, [bench.drop] * (allowed + 1))
    text = told(bench, trial)["plan"]
    assert "Each of the failures on lines" in text
    assert f"and {allowed + 1 - 3} older, ruled non-relevant, lifts" in text


def test_what_can_damage_is_named_before_and_after(bench):
    trial, other = bench.trial(bench.jet, **ALLOWS), bench.trial(bench.arm, name="arm")
    assert "One “chips left” makes the verdict NO-GO" in told(bench, trial)["damage"]
    assert "can damage, so nothing breaks it" in told(bench, other)["damage"]
    (failed,) = bench.run("A", 9, [bench.chips])
    text = told(bench, trial)
    assert "makes up for a failure that can damage" in text["plan"]
    assert "can damage on line 2 is ruled non-relevant" in text["damage"]
    bench.rule(failed, relevant=False)
    assert lines(bench, trial)["damage"]


def test_the_rulings_that_are_missing_are_named_by_line(bench):
    trial = bench.trial(bench.arm, **ALLOWS)
    assert "The next failure breaks it" in told(bench, trial)["rulings"]
    first, second = bench.run("A", 9, [bench.drop, bench.slow])
    assert "has ruled on lines 2 and 3." in told(bench, trial)["rulings"]
    bench.rule(first, relevant=True)
    bench.rule(second, relevant=True)
    assert lines(bench, trial)["rulings"]


def test_each_shift_that_cannot_be_told_gets_its_cure(bench):
    trial = bench.trial()
    assert "once a shift with counter readings is closed" in told(bench, trial)["counter"]
    bench.run("few", 10, missing=700)
    bench.open("mute")
    bench.good(5)
    bench.close()
    bench.open("running", counter=710)
    bench.good(1)
    text = told(bench, trial)["counter"]
    assert "It needs that shift running closes with the counter's reading." in text
    assert "It needs that shift mute gets the readings that it lacks." in text
    assert "It needs that shift few gets its missing cycles logged" in text
    bench.park(bench.tablet())
    assert "see to the 1 parked line" in told(bench, trial)["counter"]


def test_a_doubtful_reading_has_to_be_written_in_again(bench):
    trial = bench.trial()
    bench.run("A", 10)
    bench.open("B", counter=10)
    bench.good(cycles=None, counter=5_000)
    bench.close(counter=5_000)
    assert "readings in doubt" in told(bench, trial)["counter"]


def test_a_change_between_two_readings_has_to_be_recorded_at_one(bench):
    trial = bench.trial()
    bench.open("A", counter=0)
    bench.clock += timedelta(hours=1)
    bench.revise(bench.arm, "new jaw")
    bench.good(cycles=None, counter=60)
    bench.close(counter=60)
    assert "recorded again a minute after a reading" in told(bench, trial)["counter"]


def test_a_log_that_agrees_says_what_would_break_it(bench):
    trial = bench.trial()
    bench.run("A", 10)
    assert "is opened" in told(bench, trial)["counter"]
    bench.open("B")
    assert not lines(bench, trial)["counter"]


def test_a_change_begins_the_evidence_anew_as_told(bench):
    trial, whole = bench.trial(bench.arm), bench.trial(name="whole")
    bench.run("A", 10)
    assert "A change to arm that resets" in told(bench, trial)["changes"]
    assert "so far, 10 cycles, then counts no more" in told(bench, trial)["changes"]
    assert "A change to a device of the cell" in told(bench, whole)["changes"]
    bench.revise(bench.arm, "new claw")
    assert judge(bench.session, trial).evidence.cycles == 0


def test_a_change_that_kept_the_evidence_without_a_reason_needs_one(bench):
    trial = bench.trial(bench.arm)
    bench.run("A", 10)
    bench.revise(bench.arm, "new label", resets=False, reason="paint only")
    change = judge(bench.session, trial).evidence.changes[0]
    change.reason = ""  # as only records from elsewhere could have it
    assert not lines(bench, trial)["changes"]
    assert "has its reason in writing" in told(bench, trial)["changes"]


def test_the_conditions_that_are_missing_are_counted(bench):
    trial = bench.trial(min_shifts=3, min_cold_starts=1, min_operators=1)
    assert "nothing" not in told(bench, trial)["conditions"]
    bench.run("A", 10)
    assert told(bench, trial)["conditions"] == "It holds with 2 more shifts and 1 more cold start."
    bench.run("B", 10, first=10)
    bench.open("C", counter=20)
    bench.write(EntryKind.CONDITION, condition=Condition.COLD_START)
    bench.good(1)
    bench.close(counter=21)
    assert lines(bench, trial)["conditions"]
    assert "begins anew" in told(bench, trial)["conditions"]
    assert "asks for none" in told(bench, bench.trial(name="b"))["conditions"]


def test_a_pattern_asks_for_an_acknowledgement_and_says_so(bench):
    trial = bench.trial(bench.arm, **ALLOWS)
    bench.run("A", 900)
    bench.run("B", 1, [bench.drop] * 3, first=900)
    assert not lines(bench, trial)["patterns"]
    assert "acknowledges the pattern in writing" in told(bench, trial)["patterns"]
    acknowledged(bench, trial, AcknowledgementKind.PATTERN)
    assert lines(bench, trial)["patterns"]
    assert "looked at again" in told(bench, trial)["patterns"]


def test_cautions_once_acknowledged_stay(bench):
    trial = bench.trial()
    assert "acknowledges the cautions" in told(bench, trial)["cautions"]
    acknowledged(bench, trial, AcknowledgementKind.CAUTIONS)
    assert lines(bench, trial)["cautions"]
    assert "stays on record" in told(bench, trial)["cautions"]


@pytest.mark.parametrize(
    ("parts", "said"), [([], ""), (["a"], "a"), (["a", "b", "c"], "a, b or c")]
)
def test_words_are_joined_to_a_list(parts, said):
    assert listed(parts, "or") == said
