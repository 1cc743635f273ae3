"""A cell is as ready as its weakest trial, stage by stage."""

from __future__ import annotations

import pytest

from trialog.evidence import acknowledge, sign
from trialog.evidence.readiness import readiness_of
from trialog.records.words import AcknowledgementKind, Stage
from trialog.reliability import series_upper_bound, stop_free_cycles

# What is worked out here does not depend on what keeps the records.
pytestmark = pytest.mark.database("sqlite")

CYCLES = 1500
"""Clean cycles that bring half an hour at 90 % to its GO line, for a device with half of it too."""


def ready(bench):
    """Return how ready the bench's cell is, by stage."""
    bench.session.expire_all()
    return {found.stage: found for found in readiness_of(bench.session, bench.cell)}


def by_hand(bench):
    return ready(bench)[Stage.BY_HAND]


def accept(bench, *trials):
    for trial in trials:
        acknowledge(
            bench.session, trial, AcknowledgementKind.CAUTIONS, "read", actor=bench.engineer,
            now=bench.clock,
        )  # fmt: skip


def test_without_a_trial_nothing_is_said(bench):
    bench.run("A", 20)
    assert readiness_of(bench.session, bench.cell) == ()


def test_the_whole_cells_own_trial_bounds_it_where_there_is_one(bench):
    trial = bench.trial()
    bench.run("A", 200)
    found = by_hand(bench)
    assert (found.verdict, found.untried, found.series, found.weakest) == (
        "KEEP RUNNING", (), None, None,
    )  # fmt: skip
    assert found.whole.trial is trial
    assert found.upper == found.whole.verdict.upper
    assert found.proven_stretch_seconds == found.whole.verdict.proven_stretch_seconds
    assert found.confidence == 0.9
    assert found.requirement.stretch_hours == 0.5
    assert found.limit == found.whole.verdict.limit
    assert found.counted


def test_devices_trials_make_a_bound_that_may_be_looked_at(bench):
    bench.trial(bench.arm, name="arm", confidence=0.8)
    bench.trial(bench.jet, name="jet", stretch_hours=1.0)
    bench.run("A", 400, failed=[bench.drop])
    found = by_hand(bench)
    series = series_upper_bound([1, 0], [401, 401], confidence=0.9, method="peek_safe")
    assert (found.series, found.upper, found.whole) == (series, series.upper, None)
    assert found.confidence == 0.9
    assert found.requirement.stretch_hours == 1.0
    assert found.limit == found.requirement.cell_limit
    cycles = stop_free_cycles(series.upper, 0.9)
    assert found.proven_stretch_seconds == cycles * 60
    assert found.weakest.trial.name == "arm"


def test_the_cells_own_trial_takes_over_once_it_has_cycles(bench):
    bench.trial(bench.arm, name="arm")
    bench.trial(bench.jet, name="jet")
    bench.run("A", 50)
    whole = bench.trial(name="whole")
    assert by_hand(bench).whole is None
    assert by_hand(bench).series.cycles == (50, 50)
    bench.run("B", 30)
    assert by_hand(bench).whole.trial is whole
    assert by_hand(bench).whole.verdict.evidence.cycles == 30


def test_a_trial_of_the_whole_cell_alone_bounds_it_before_its_first_cycle(bench):
    bench.trial()
    found = by_hand(bench)
    assert (found.upper, found.proven_stretch_seconds, found.counted) == (1.0, 0.0, False)
    assert found.whole is not None


def test_of_a_device_without_a_trial_nothing_is_known(bench):
    trial = bench.trial(bench.arm, share=1.0)
    bench.run("A", CYCLES)
    accept(bench, trial)
    found = by_hand(bench)
    assert [one.verdict.verdict for one in found.current] == ["GO"]
    assert [device.name for device in found.untried] == ["jet"]
    assert (found.verdict, found.upper, found.proven_stretch_seconds) == ("KEEP RUNNING", 1.0, 0.0)


def test_the_cell_is_go_when_every_trial_is_and_signed_when_every_one_is(bench):
    trials = bench.trial(bench.arm, name="arm"), bench.trial(bench.jet, name="jet")
    bench.run("A", CYCLES)
    assert by_hand(bench).verdict == "KEEP RUNNING"
    accept(bench, *trials)
    found = by_hand(bench)
    assert (found.verdict, found.signed, found.clean_cycles_to_go) == ("GO", False, 0)
    for trial in trials:
        for person in (bench.engineer, bench.approver):
            sign(
                bench.session, trial, person, statement="seen", cautions_acknowledged=True,
                now=bench.clock,
            )  # fmt: skip
    found = by_hand(bench)
    assert found.signed
    assert found.reached == (found.upper <= found.limit)
    assert {one.signed.status for one in found.current} == {"signed"}


def test_one_no_go_makes_the_cell_no_go_and_is_what_it_waits_for(bench):
    bench.trial(bench.arm, name="arm")
    bench.trial(bench.jet, name="jet")
    bench.run("A", 100, failed=[bench.chips])
    found = by_hand(bench)
    assert found.verdict == "NO-GO"
    assert found.weakest.trial.name == "jet"
    assert (found.clean_cycles_to_go, found.shifts_to_go) == (None, None)


def test_what_is_missing_is_what_the_longest_trial_lacks(bench):
    bench.trial(bench.arm, name="arm", share=1.0, min_cold_starts=2)
    bench.trial(bench.jet, name="jet", share=0.5, min_cold_starts=1, min_shifts=3)
    bench.run("A", 100)
    found = by_hand(bench)
    longest = found.current[1].verdict
    assert found.clean_cycles_to_go == longest.clean_cycles_to_go
    assert found.clean_cycles_to_go > found.current[0].verdict.clean_cycles_to_go
    assert found.shifts_to_go == longest.shifts_to_go
    assert found.missing_conditions == {"cold starts": 2, "shifts": 2}


def test_a_newer_trial_of_the_same_subject_takes_the_place_of_the_older(bench):
    old = bench.trial(bench.arm, name="old")
    bench.trial(bench.jet, name="jet")
    bench.run("A", 40)
    new = bench.trial(bench.arm, name="new")
    found = by_hand(bench)
    assert {one.trial.name for one in found.current} == {"new", "jet"}
    assert found.former == (old,)
    assert new.begins_at is not None
    assert found.series.cycles == (0, 40)  # nothing of the arm's old trial, and the jet's


def test_stages_are_never_mixed(bench):
    bench.trial(bench.arm, name="by hand")
    bench.trial(name="alone", stage=Stage.UNATTENDED)
    bench.trial(name="watched", stage=Stage.ROBOT_ATTENDED)
    bench.run("A", 300, failed=[bench.drop])
    found = ready(bench)
    assert list(found) == [Stage.BY_HAND, Stage.ROBOT_ATTENDED, Stage.UNATTENDED]
    assert [one.counted for one in found.values()] == [True, False, False]
    assert found[Stage.UNATTENDED].upper == 1.0
