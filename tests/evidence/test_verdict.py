"""The verdict, line by line, by the rule fixed beforehand.

The bench requirement is half an hour alone at 60 s a cycle (30 cycles) with 90 % chance, at
90 % confidence. The cell's limit is 1 - 0.9^(1/30) = 0.35058 %, and a
zero-failure plan needs the smallest n with (1 - limit)^n <= 0.1, which is 656.
"""

import json
import math

import pytest
from scipy import stats

from trialog.evidence import acknowledge, judge, verdict_as_dict
from trialog.records.words import AcknowledgementKind, CounterEvent, EntryKind, PlanKind, Reading

CLEAN = math.ceil(math.log(0.1) / math.log(0.9 ** (1 / 30)))


def cautions(bench, trial):
    return acknowledge(
        bench.session, trial, AcknowledgementKind.CAUTIONS, "read",
        actor=bench.engineer, now=bench.clock,
    )  # fmt: skip


def lines(verdict):
    return {reason.name: reason.met for reason in verdict.reasons}


def unmet(verdict):
    return [reason.name for reason in verdict.unmet]


def test_the_plan_is_the_formulas(bench):
    verdict = judge(bench.session, bench.trial())
    assert CLEAN == 656
    assert verdict.plan.cycles == CLEAN
    assert verdict.limit == pytest.approx(1 - 0.9 ** (1 / 30), rel=1e-12)


def test_a_trial_without_cycles_keeps_running_and_says_what_is_missing(bench):
    verdict = judge(bench.session, bench.trial())
    assert verdict.verdict == "KEEP RUNNING"
    assert verdict.clean_cycles_to_go == CLEAN
    assert verdict.shifts_to_go == 2, "656 cycles at 480 a shift"
    assert verdict.proven_stretch_seconds == 0
    assert verdict.upper == 1
    assert unmet(verdict) == [
        "plan reached its GO line",
        "log agrees with the machine counter",
        "cautions acknowledged",
    ]


def test_go_when_every_line_holds(bench):
    trial = bench.trial()
    bench.run("A", CLEAN)
    cautions(bench, trial)
    verdict = judge(bench.session, trial)
    assert verdict.verdict == "GO"
    assert verdict.unmet == ()
    assert len(verdict.reasons) == 8
    assert (verdict.clean_cycles_to_go, verdict.shifts_to_go) == (0, 0)
    assert verdict.proven_stretch_seconds >= verdict.required_stretch_seconds


def test_one_cycle_short_of_the_plan_is_not_go(bench):
    trial = bench.trial()
    bench.run("A", CLEAN - 1)
    cautions(bench, trial)
    verdict = judge(bench.session, trial)
    assert verdict.verdict == "KEEP RUNNING"
    assert unmet(verdict) == ["plan reached its GO line"]
    assert verdict.clean_cycles_to_go == 1
    assert verdict.proven_stretch_seconds < verdict.required_stretch_seconds


def test_the_bound_for_one_look_is_clopper_pearson(bench):
    trial = bench.trial(bench.arm, kind=PlanKind.FIXED_SIZE)
    bench.run("A", 997, [bench.drop] * 3)
    verdict = judge(bench.session, trial)
    expected = stats.binomtest(3, 1000, alternative="less").proportion_ci(0.9).high
    # scipy finds the bound by root search, to about 1e-12
    assert verdict.bounds.upper == pytest.approx(expected, abs=1e-10)


def test_a_failure_ends_a_zero_failure_plan(bench):
    trial = bench.trial()
    bench.run("A", 100, [bench.drop])
    verdict = judge(bench.session, trial)
    assert verdict.verdict == "NO-GO"
    assert verdict.clean_cycles_to_go is None
    assert verdict.shifts_to_go is None


def test_a_fixed_size_plan_allows_failures_and_counts_what_is_missing(bench):
    trial = bench.trial(bench.arm, kind=PlanKind.FIXED_SIZE, design_rate=0.002)
    plan = judge(bench.session, trial).plan
    assert plan.allowed_failures >= 2
    bench.run("A", 100, [bench.drop] * 2)
    verdict = judge(bench.session, trial)
    assert verdict.verdict == "KEEP RUNNING"
    assert verdict.clean_cycles_to_go == plan.cycles - 102


def test_more_failures_than_the_plan_allows_is_no_go(bench):
    trial = bench.trial(bench.arm, kind=PlanKind.FIXED_SIZE, design_rate=0.002)
    allowed = judge(bench.session, trial).plan.allowed_failures
    bench.run("A", 100, [bench.drop] * (allowed + 1))
    assert judge(bench.session, trial).verdict == "NO-GO"


def test_one_failure_that_can_damage_is_no_go_however_many_the_plan_allows(bench):
    trial = bench.trial(bench.jet, kind=PlanKind.FIXED_SIZE, design_rate=0.002)
    (failed,) = bench.run("A", 25_000, [bench.chips])
    cautions(bench, trial)
    verdict = judge(bench.session, trial)
    assert verdict.verdict == "NO-GO"
    assert verdict.clean_cycles_to_go is None
    assert not lines(verdict)["no failure that can damage"]
    bench.rule(failed, relevant=False)
    assert judge(bench.session, trial).verdict == "GO"


def test_an_unruled_failure_holds_a_go_back(bench):
    trial = bench.trial(bench.arm, kind=PlanKind.FIXED_SIZE, design_rate=0.002)
    plan = judge(bench.session, trial).plan
    (failed,) = bench.run("A", plan.cycles, [bench.drop])
    cautions(bench, trial)
    verdict = judge(bench.session, trial)
    assert (verdict.verdict, unmet(verdict)) == ("KEEP RUNNING", ["every failure ruled on"])
    bench.rule(failed, relevant=True)
    assert judge(bench.session, trial).verdict == "GO"


def test_unlogged_cycles_count_as_failures_in_the_worst_case(bench):
    trial = bench.trial()
    bench.run("A", CLEAN, missing=1)
    cautions(bench, trial)
    verdict = judge(bench.session, trial)
    assert (verdict.verdict, unmet(verdict)) == (
        "KEEP RUNNING",
        ["log agrees with the machine counter"],
    )
    assert "1 cycle counted by the machine and logged by nobody" in verdict.unmet[0].detail
    assert "NO-GO" in verdict.unmet[0].detail


def test_unlogged_cycles_that_change_nothing_are_shown_and_do_not_hold_a_go_back(bench):
    trial = bench.trial(bench.arm, kind=PlanKind.FIXED_SIZE, design_rate=0.002)
    bench.run("A", judge(bench.session, trial).plan.cycles, missing=1)
    cautions(bench, trial)
    verdict = judge(bench.session, trial)
    assert verdict.verdict == "GO"
    assert "the verdict stays" in verdict.reasons[3].detail


def test_cycles_between_shifts_are_named_to_whoever_signs(bench):
    trial = bench.trial()
    bench.run("A", 300)
    bench.run("B", CLEAN - 300, first=800)
    cautions(bench, trial)
    verdict = judge(bench.session, trial)
    assert verdict.verdict == "GO"
    assert verdict.reasons[3].detail == (
        "every cycle that the machine counted was logged; between shifts the machine counted "
        "500 cycles that no shift covers"
    )


def test_a_counter_that_reads_less_at_the_next_opening_tells_nothing_of_cycles_between(bench):
    trial = bench.trial()
    bench.run("A", 300, first=5000)
    bench.run("B", 10)
    assert judge(bench.session, trial).evidence.cycles_between_shifts == 0


def test_a_shift_without_readings_holds_a_go_back_until_they_are_written_in(bench):
    trial = bench.trial()
    bench.open("A")
    bench.good(CLEAN)
    bench.close()
    cautions(bench, trial)
    verdict = judge(bench.session, trial)
    assert unmet(verdict) == ["log agrees with the machine counter"]
    assert "A: no reading" in verdict.unmet[0].detail
    bench.write(EntryKind.READING, reading=Reading.OPENING, counter=50)
    bench.write(EntryKind.READING, reading=Reading.CLOSING, counter=50 + CLEAN)
    assert judge(bench.session, trial).verdict == "GO"


def test_an_open_shift_holds_a_go_back(bench):
    trial = bench.trial()
    bench.open("A", counter=0)
    bench.good(CLEAN)
    cautions(bench, trial)
    assert "A: shift open" in judge(bench.session, trial).unmet[0].detail


def test_a_counter_that_was_reset_cannot_tell(bench):
    trial = bench.trial()
    bench.open("A", counter=500)
    bench.good(CLEAN)
    bench.close(counter=CLEAN, counter_event=CounterEvent.RESET)
    cautions(bench, trial)
    assert "A: counter reset" in judge(bench.session, trial).unmet[0].detail


def test_a_counter_that_rolled_over_is_followed(bench):
    trial = bench.trial()
    bench.open("A", counter=9_900)
    bench.good(CLEAN)
    bench.close(counter=CLEAN - 100, counter_event=CounterEvent.ROLLED_OVER)
    cautions(bench, trial)
    assert judge(bench.session, trial).verdict == "GO"


def test_more_logged_than_counted_holds_a_go_back(bench):
    trial = bench.trial()
    bench.open("A", counter=0)
    bench.good(CLEAN)
    bench.close(counter=CLEAN - 1, mismatch_accepted=True)
    cautions(bench, trial)
    assert "A: more logged than counted" in judge(bench.session, trial).unmet[0].detail


def test_many_unclear_shifts_are_summed_up(bench):
    trial = bench.trial()
    for label in "ABCDE":
        bench.open(label)
        bench.good(1)
        bench.close()
    detail = next(r.detail for r in judge(bench.session, trial).reasons if "counter" in r.name)
    assert detail.endswith("C: no reading and 2 more")


def test_a_change_that_kept_the_evidence_is_shown_with_its_reason(bench):
    trial = bench.trial()
    bench.open("A", counter=0)
    bench.good(CLEAN)
    bench.revise(bench.arm, "label moved", resets=False, reason="touches no moving part")
    bench.close(counter=CLEAN)
    cautions(bench, trial)
    verdict = judge(bench.session, trial)
    assert verdict.verdict == "GO"
    assert verdict.reasons[4].detail == "label moved (kept the evidence: touches no moving part)"


def test_required_conditions_must_be_covered(bench):
    trial = bench.trial(min_shifts=2, min_operators=1)
    bench.run("A", CLEAN)
    cautions(bench, trial)
    verdict = judge(bench.session, trial)
    assert unmet(verdict) == ["required conditions covered"]
    assert verdict.unmet[0].detail == "shifts 1 (2 asked), operators 1 (1 asked)"
    bench.run("B", 1, first=5000)
    assert judge(bench.session, trial).verdict == "GO"


def test_failures_that_come_closer_together_need_an_acknowledgement(bench):
    trial = bench.trial(bench.arm, kind=PlanKind.FIXED_SIZE, design_rate=0.002)
    plan = judge(bench.session, trial).plan
    assert plan.allowed_failures >= 3
    bench.open("A", counter=0)
    bench.good(plan.cycles)
    failed = [bench.fail(bench.drop) for _ in range(3)]
    bench.close(counter=plan.cycles + 3)
    for one in failed:
        bench.rule(one, relevant=True)
    cautions(bench, trial)
    verdict = judge(bench.session, trial)
    assert unmet(verdict) == ["no trend or burst left unacknowledged"]
    assert "closer together" in verdict.unmet[0].detail
    acknowledge(
        bench.session, trial, AcknowledgementKind.PATTERN, "spring was worn",
        actor=bench.engineer, now=bench.clock,
    )  # fmt: skip
    acknowledged = judge(bench.session, trial)
    assert acknowledged.verdict == "GO"
    assert acknowledged.reasons[6].detail.endswith("(acknowledged)")


def test_an_acknowledgement_does_not_cover_failures_that_came_after_it(bench):
    trial = bench.trial(bench.arm, kind=PlanKind.FIXED_SIZE, design_rate=0.002)
    bench.run("A", 600)
    bench.run("B", 600, first=1000)
    bench.run("C", 100, [bench.drop] * 3, first=2000)
    acknowledge(
        bench.session, trial, AcknowledgementKind.PATTERN, "known",
        actor=bench.engineer, now=bench.clock,
    )  # fmt: skip
    assert lines(judge(bench.session, trial))["no trend or burst left unacknowledged"]
    bench.run("D", 100, [bench.drop], first=3000)
    verdict = judge(bench.session, trial)
    assert not lines(verdict)["no trend or burst left unacknowledged"]
    assert "bunch in some shifts" in verdict.reasons[6].detail


def test_an_acknowledgement_does_not_cover_failures_that_a_later_ruling_made_relevant(bench):
    trial = bench.trial(bench.arm, kind=PlanKind.FIXED_SIZE, design_rate=0.002)
    bench.run("A", 1200)
    failures = bench.run("B", 100, [bench.drop] * 3, first=1200)
    for failed in failures:
        bench.rule(failed, relevant=False)
    acknowledge(
        bench.session, trial, AcknowledgementKind.PATTERN, "nothing to see",
        actor=bench.engineer, now=bench.clock,
    )  # fmt: skip
    for failed in failures:
        bench.rule(failed, relevant=True)
    assert not lines(judge(bench.session, trial))["no trend or burst left unacknowledged"]


def test_a_device_is_held_to_its_share_of_the_chance(bench):
    verdict = judge(bench.session, bench.trial(bench.arm))
    assert verdict.share == 0.5
    assert verdict.limit == pytest.approx(1 - 0.9 ** (0.5 / 30), rel=1e-12)


def test_the_verdict_as_data_has_the_documented_keys_and_is_json(bench):
    trial = bench.trial()
    bench.run("A", 10)
    data = verdict_as_dict(judge(bench.session, trial))
    assert {
        "trial", "verdict", "cycles", "failures", "upper", "limit", "proven_stretch_seconds",
        "clean_cycles_to_go", "reasons",
    } <= data.keys()  # fmt: skip
    keys = {"key", "name", "met", "detail", "explanation", "would_change"}
    assert all(reason.keys() == keys for reason in data["reasons"])
    assert json.loads(json.dumps(data)) == data


def test_a_shift_that_the_machine_counted_and_nobody_logged_holds_a_go_back(bench):
    trial = bench.trial()
    bench.run("A", CLEAN)
    bench.run("B", 0, first=CLEAN, missing=500)
    cautions(bench, trial)
    verdict = judge(bench.session, trial)
    assert (verdict.verdict, unmet(verdict)) == (
        "KEEP RUNNING",
        ["log agrees with the machine counter"],
    )
    assert "500 cycles counted by the machine" in verdict.unmet[0].detail


def test_a_shift_in_which_the_machine_did_not_run_holds_nothing_back(bench):
    trial = bench.trial(min_shifts=2)
    bench.run("A", CLEAN)
    bench.run("B", 0, first=CLEAN)
    cautions(bench, trial)
    assert unmet(judge(bench.session, trial)) == ["required conditions covered"]


def test_a_shift_whose_only_cycle_is_a_no_test_covers_no_condition(bench):
    trial = bench.trial(min_shifts=2)
    bench.run("A", CLEAN)
    (failed,) = bench.run("B", 0, [bench.drop], first=CLEAN)
    bench.rule(failed, relevant=False)
    cautions(bench, trial)
    assert unmet(judge(bench.session, trial)) == ["required conditions covered"]


def test_unlogged_cycles_of_a_shift_that_ended_before_the_evidence_began_are_past(bench):
    trial = bench.trial()
    bench.run("A", 0, missing=500)
    bench.revise(bench.arm, "stronger spring")
    bench.run("B", CLEAN, first=500)
    cautions(bench, trial)
    assert judge(bench.session, trial).verdict == "GO"
