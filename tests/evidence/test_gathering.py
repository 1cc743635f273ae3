"""Which cycles and failures count for a trial."""

from datetime import timedelta

import pytest

from trialog.evidence import gather_evidence
from trialog.records.words import Condition, EntryKind, Stage


def test_a_trial_without_shifts_has_no_evidence(bench):
    evidence = gather_evidence(bench.session, bench.trial())
    assert (evidence.cycles, evidence.failures, evidence.no_tests) == (0, 0, 0)
    assert evidence.positions == ()
    assert list(evidence.shifts.columns) == [
        "shift_id", "label", "opened_at", "closed_at", "logged", "cycles", "failures",
        "no_tests", "counted",
    ]  # fmt: skip
    assert evidence.cycles_per_shift == 480, "8 h at the planned 60 s a cycle"


def test_a_cycle_with_two_modes_of_a_device_is_one_failure_for_it(bench):
    trial = bench.trial(bench.arm)
    bench.open("A")
    bench.good(5)
    bench.fail(bench.drop, bench.slow)
    evidence = gather_evidence(bench.session, trial)
    assert (evidence.cycles, evidence.failures) == (6, 1)
    assert evidence.counts.modes.set_index("mode")["failures"].to_dict() == {
        "dropped part": 1,
        "slow return": 1,
    }


def test_another_devices_failure_is_a_counted_cycle_for_this_one_and_a_failure_for_the_cell(bench):
    for_arm, for_cell = bench.trial(bench.arm, name="arm"), bench.trial(name="cell")
    bench.open("A")
    bench.good(3)
    bench.fail(bench.chips)
    arm, cell = (gather_evidence(bench.session, trial) for trial in (for_arm, for_cell))
    assert (arm.cycles, arm.failures, arm.damage_failures) == (4, 0, 0)
    assert (cell.cycles, cell.failures, cell.damage_failures) == (4, 1, 1)
    assert list(cell.counts.devices["failures"]) == [0, 1]


def test_a_non_relevant_failure_leaves_numerator_and_denominator(bench):
    for_arm, for_cell = bench.trial(bench.arm, name="arm"), bench.trial(name="cell")
    bench.open("A")
    bench.good(10)
    failed = bench.fail(bench.drop)
    bench.rule(failed, relevant=False)
    for trial in (for_arm, for_cell):
        evidence = gather_evidence(bench.session, trial)
        assert (evidence.cycles, evidence.failures, evidence.no_tests) == (10, 0, 1)


def test_a_cycle_keeps_counting_against_the_cell_while_one_of_its_modes_is_relevant(bench):
    for_arm, for_cell = bench.trial(bench.arm, name="arm"), bench.trial(name="cell")
    bench.open("A")
    failed = bench.fail(bench.drop, bench.chips)
    bench.rule(failed, relevant=False, mode=bench.drop)
    arm, cell = (gather_evidence(bench.session, trial) for trial in (for_arm, for_cell))
    assert (arm.cycles, arm.failures, arm.no_tests) == (0, 0, 1)
    assert (cell.cycles, cell.failures, cell.no_tests) == (1, 1, 0)
    assert (arm.unruled, cell.unruled) == (0, 1)


def test_a_later_ruling_replaces_an_earlier_and_an_undone_one_does_not_count(bench):
    trial = bench.trial(bench.arm)
    bench.open("A")
    failed = bench.fail(bench.drop)
    bench.rule(failed, relevant=True)
    second = bench.rule(failed, relevant=False)
    assert gather_evidence(bench.session, trial).failures == 0
    bench.undo(second)
    evidence = gather_evidence(bench.session, trial)
    assert (evidence.failures, evidence.unruled) == (1, 0)


def test_positions_are_counted_cycle_numbers_across_shifts_and_skip_no_tests(bench):
    trial = bench.trial(bench.arm)
    bench.open("A")
    bench.good(4)
    bench.fail(bench.drop)  # counted cycle 5
    bench.good(2)
    no_test = bench.fail(bench.slow)  # would be 8, but is not counted
    bench.fail(bench.drop)  # counted cycle 8
    bench.close()
    bench.open("B")
    bench.good(10)
    bench.fail(bench.slow)  # 8 + 10 + 1
    bench.rule(no_test, relevant=False)
    evidence = gather_evidence(bench.session, trial)
    assert evidence.positions == (5, 8, 19)
    assert evidence.cycles == 19
    assert evidence.failures_without_order == 0


def test_failures_of_a_tally_have_no_position(bench):
    trial = bench.trial(bench.arm)
    bench.open("A")
    bench.fail(bench.drop, order_known=False)
    bench.good(9, order_known=False)
    evidence = gather_evidence(bench.session, trial)
    assert evidence.positions == ()
    assert evidence.failures_without_order == 1


def test_evidence_begins_anew_with_a_resetting_revision_of_the_device_only(bench):
    for_arm, for_jet, for_cell = (
        bench.trial(bench.arm, name="arm"),
        bench.trial(bench.jet, name="jet"),
        bench.trial(name="cell"),
    )
    bench.open("A")
    bench.good(10)
    bench.fail(bench.drop)
    bench.revise(bench.arm, "softer gripper")
    bench.good(4)
    arm, jet, cell = (
        gather_evidence(bench.session, trial) for trial in (for_arm, for_jet, for_cell)
    )
    assert (arm.cycles, arm.failures, arm.since.what) == (4, 0, "softer gripper")
    assert (jet.cycles, jet.failures, jet.since.what) == (15, 0, "as first set up")
    assert (cell.cycles, cell.failures) == (4, 0)


def test_a_revision_recorded_late_parts_the_cycles_where_the_change_was_made(bench):
    trial = bench.trial(bench.arm)
    bench.open("A")
    bench.good(10)
    changed_at = bench.clock + timedelta(seconds=30)
    bench.good(4)
    bench.revise(bench.arm, "new spring", occurred_at=changed_at)
    assert gather_evidence(bench.session, trial).cycles == 4


def test_an_undone_revision_gives_the_evidence_back(bench):
    trial = bench.trial(bench.arm)
    bench.open("A")
    bench.good(10)
    revision = bench.revise(bench.arm, "new spring")
    bench.good(4)
    bench.undo(revision)
    assert gather_evidence(bench.session, trial).cycles == 14


def test_a_change_that_does_not_reset_keeps_the_evidence_and_is_listed(bench):
    trial = bench.trial(bench.arm)
    bench.open("A")
    bench.good(10)
    bench.revise(bench.arm, "label moved", resets=False, reason="touches no moving part")
    bench.good(4)
    evidence = gather_evidence(bench.session, trial)
    assert evidence.cycles == 14
    assert [change.what for change in evidence.changes] == ["label moved"]


def test_only_shifts_of_the_trials_stage_count(bench):
    trial = bench.trial(stage=Stage.ROBOT_ATTENDED)
    bench.run("by hand", 10)
    bench.open("with robot", stage=Stage.ROBOT_ATTENDED)
    bench.good(3)
    assert gather_evidence(bench.session, trial).cycles == 3


def test_a_second_trial_of_a_stage_counts_nothing_that_was_logged_before_it(bench):
    bench.run("before", 10)
    trial = bench.trial()
    bench.run("after", 7, first=100)
    evidence = gather_evidence(bench.session, trial)
    assert evidence.cycles == 7
    assert list(evidence.shifts["label"]) == ["after"]


def test_shift_table_shows_what_the_machine_counted(bench):
    trial = bench.trial(bench.arm)
    bench.run("A", 10, [bench.drop], missing=2)
    bench.run("B", 5, first=200)
    bench.open("C")
    bench.good(1)
    table = gather_evidence(bench.session, trial).shifts
    assert list(table["label"]) == ["A", "B", "C"]
    assert list(table["logged"]) == [11, 5, 1]
    assert list(table["failures"]) == [1, 0, 0]
    assert table["counted"].tolist()[:2] == [13, 5]
    assert table["counted"].isna().tolist() == [False, False, True]


def test_cycles_per_shift_is_the_mean_of_closed_shifts(bench):
    trial = bench.trial()
    bench.run("A", 10)
    bench.run("B", 20)
    bench.open("C")
    bench.good(1)
    assert gather_evidence(bench.session, trial).cycles_per_shift == 15


@pytest.mark.parametrize("undone", [False, True])
def test_conditions_met_are_counted_unless_undone(bench, undone):
    trial = bench.trial()
    bench.open("A")
    bench.good(1)
    bench.write(EntryKind.CONDITION, condition=Condition.COLD_START)
    bench.write(EntryKind.CONDITION, condition=Condition.MATERIAL_LOT, text="lot 7")
    bench.write(EntryKind.CONDITION, condition=Condition.MATERIAL_LOT, text="lot 7")
    bench.write(EntryKind.CONDITION, condition=Condition.MATERIAL_LOT)
    change = bench.write(EntryKind.CONDITION, condition=Condition.TOOL_CHANGE)
    if undone:
        bench.undo(change)
    bench.good(1, person_id=bench.engineer.id)
    assert gather_evidence(bench.session, trial).conditions == {
        "shifts": 1,
        "operators": 2,
        "cold starts": 1,
        "material lots": 2,
        "tool changes": 0 if undone else 1,
    }


def test_conditions_met_before_the_evidence_began_do_not_count(bench):
    trial = bench.trial()
    bench.open("A")
    bench.good(1)
    bench.write(EntryKind.CONDITION, condition=Condition.COLD_START)
    bench.revise(bench.arm, "new spring")
    bench.good(1)
    assert gather_evidence(bench.session, trial).conditions["cold starts"] == 0


def test_a_failure_dated_before_its_shift_was_opened_does_not_escape_the_evidence(bench):
    trial = bench.trial(bench.arm)
    bench.revise(bench.arm, "stronger spring")
    bench.open("A")
    bench.fail(bench.drop, occurred_at=bench.clock - timedelta(days=30))
    bench.good(5)
    evidence = gather_evidence(bench.session, trial)
    assert (evidence.cycles, evidence.failures) == (6, 1)
