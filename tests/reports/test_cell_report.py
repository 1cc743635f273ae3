"""The report of a cell answers whether it can be left alone, and for how long."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from support.cells import revision, write
from support.demo import DEMO_NOW, DEMO_ZONE
from support.hall import Hall

from trialog.evidence import judge
from trialog.evidence.readiness import readiness_of
from trialog.records.models import Trial
from trialog.records.queries import cells, find_cell
from trialog.records.words import Stage
from trialog.reliability import series_upper_bound
from trialog.reports import words
from trialog.reports.cell_report import build_cell_report, cell_report_as_dict
from trialog.reports.kinds import document, html_of
from trialog.reports.readiness_words import alone, at_stage, keep_running

# What a report says does not depend on what keeps the records.
pytestmark = pytest.mark.database("sqlite")


@pytest.fixture
def hall(session, people, now):
    return Hall(session, people, now)


@pytest.fixture
def report(session, now, zone):
    """Return a maker of the report of a cell."""

    def build(cell):
        session.expire_all()
        return build_cell_report(session, cell.cell, now=now, zone=zone)

    return build


def needs(found):
    return [one.need for one in found.attention]


def test_a_cell_without_a_trial_says_so(hall, report):
    found = report(hall.cell("New"))
    assert found.sentence == (
        "Nobody can say yet whether this cell can be left alone: it has no trial."
    )
    assert (found.stage, found.verdict, found.charts, found.drawn) == (None, None, (), None)
    assert needs(found) == ["no trial"]
    assert not found.may_run_alone
    assert found.last_change.what == "as first set up"
    assert "rp-alone" not in html_of(found)


def test_before_the_first_cycle_nothing_is_proven(hall, report):
    cell = hall.cell("New")
    hall.trial(cell, "alone")
    assert report(cell).sentence == (
        "Not to be left alone yet. Stage unattended: nothing proven yet, for no cycle has been "
        "counted; required are 3 min alone at 60 % chance. Held back by whole cell: no cycle "
        "counted yet. Missing: 19 clean cycles (1 shift)."
    )


def test_only_a_signed_go_of_the_cell_alone_lets_it_be_left_alone(hall, report):
    cell, trial = hall.to_sign("Five")
    found = report(cell)
    assert found.sentence.startswith(
        "Not to be left alone yet: the verdict is GO, but it is not signed off. Stage unattended: "
    )
    assert needs(found) == ["to be signed"]
    assert found.attention[0].words == "GO, still to sign: engineer and approver"
    hall.sign(trial, hall.people.engineer)
    assert report(cell).attention[0].words == "GO, still to sign: approver"
    hall.sign(trial, hall.people.approver)
    found = report(cell)
    assert found.may_run_alone
    assert found.sentence == (
        "It can be left alone for 3 min at a time. Stage unattended: 3 min alone at 60 % chance "
        "are proven, 3 min required. Every line of every trial holds."
    )
    assert needs(found) == ["ready"]


def test_what_ran_by_hand_says_nothing_of_a_cell_alone(hall, report):
    cell = hall.cell("Five")
    trial = hall.trial(cell, "by hand", stage=Stage.BY_HAND)
    hall.shift(cell, "A", good=40, stage=Stage.BY_HAND)
    hall.accept(trial)
    hall.sign(trial)
    found = report(cell)
    assert found.verdict == "GO"
    assert not found.may_run_alone
    assert found.sentence.startswith(
        "Not to be left alone yet: no cycle has been counted unattended. Stage by hand: 3 min "
    )
    assert found.attention[0].words == (
        "GO and signed off at the stage by hand: the next stage may begin"
    )


def test_the_stage_that_counts_is_the_last_with_counted_cycles(hall, report):
    cell, _ = hall.running("Five")
    hall.trial(cell, "with the robot", stage=Stage.ROBOT_ATTENDED)
    found = report(cell)
    assert found.stage == "by hand"
    assert [stage.stage for stage in found.stages_latest_first] == ["by hand", "robot attended"]
    hall.shift(cell, "R", good=5, stage=Stage.ROBOT_ATTENDED)
    found = report(cell)
    assert found.stage == "robot attended"
    assert [stage.stage for stage in found.stages_latest_first] == ["robot attended", "by hand"]


def test_a_change_makes_the_sign_off_lapse_and_that_comes_first(hall, report):
    cell, _ = hall.lapsed("Five")
    found = report(cell)
    assert needs(found) == ["sign-off lapsed", "keep running"]
    assert found.attention[0].words == "sign-off lapsed: whole cell"
    assert "has lapsed: changed since: wider nozzle" in html_of(found)
    assert (found.last_change.what, found.last_change.device) == ("wider nozzle", "jet")
    assert not found.may_run_alone


def test_a_refusal_and_lines_not_taken_need_somebody(hall, report):
    assert needs(report(hall.refused("Five")[0])) == ["signing refused", "to be signed"]
    found = report(hall.parked("Six")[0])
    assert needs(found) == ["lines not taken", "keep running"]
    assert found.parked_lines == 1
    assert "1 line from a tablet not taken." in html_of(found)


def test_the_device_that_the_cell_waits_for_is_named(hall, report):
    found = report(hall.no_go("Five")[0])
    assert found.verdict == "NO-GO"
    assert found.sentence.endswith("Held back by jet: NO-GO.")
    assert (found.stages[0].weakest, found.drawn) == ("jet", "Five jet")
    assert found.attention[0].words == "NO-GO: jet"


def test_the_weakest_device_is_named_with_its_rate_and_what_is_missing(hall, report):
    cell = hall.cell("Five")
    for device, hours in ((cell.arm, 0.05), (cell.jet, 0.2), (cell.tray, 0.05)):
        hall.trial(
            cell, f"Five {device.name}", device, stage=Stage.BY_HAND, min_cold_starts=2,
            stretch_hours=hours,
        )  # fmt: skip
    hall.shift(cell, "A", good=30, stage=Stage.BY_HAND)
    found = report(cell)
    jet = next(one for one in found.stages[0].trials if one.subject == "jet")
    upper, limit = words.bound_and_limit(jet.upper, jet.limit)
    assert found.stages[0].weakest == "jet"
    assert found.sentence.endswith(
        f"Held back most by jet: it may fail in up to {upper} of its cycles, and {limit} are "
        f"allowed. Missing: {jet.clean_cycles_to_go} clean cycles ({jet.shifts_to_go} shifts) "
        "and 2 more cold starts."
    )
    assert found.stages[0].missing == ("2 more cold starts",)


def test_devices_apart_make_a_bound_whose_method_is_named(hall, report):
    cell, _ = hall.running("Five")
    stage = report(cell).stages[0]
    series = series_upper_bound([0, 0, 0], [30, 30, 30], confidence=0.9, method="peek_safe")
    assert (stage.bound_from, stage.upper) == ("devices", series.upper)
    assert stage.bound_words == (
        "From the trials of arm, jet and tray, proven apart: each one's peek-safe bound at an "
        "equal part of the error, added up (Bonferroni)."
    )


def test_devices_that_are_each_go_may_together_prove_too_little(hall, report):
    cell = hall.cell("Five")
    trials = [hall.trial(cell, device.name, device) for device in (cell.arm, cell.jet, cell.tray)]
    hall.shift(cell, "A", good=60)
    for trial in trials:
        hall.accept(trial)
        hall.sign(trial)
    found = report(cell)
    assert found.verdict == "GO"
    assert not found.may_run_alone
    assert found.stages[0].proven_stretch_seconds < found.stages[0].required_stretch_seconds
    assert found.sentence.startswith("Not to be left alone for 3 min yet. Stage unattended: ")
    assert "are proven so far, 3 min required." in found.sentence
    assert found.sentence.endswith(
        "but together they prove less than is required; a trial of the whole cell bounds it "
        "directly."
    )
    assert needs(found) == ["keep running"]
    hall.shift(cell, "B", good=200)
    for trial in trials:
        hall.sign(trial)
    assert report(cell).may_run_alone


def test_a_device_without_a_trial_is_named(hall, report):
    cell = hall.cell("Five")
    hall.trial(cell, "arm", cell.arm, stage=Stage.BY_HAND)
    hall.shift(cell, "A", good=100, stage=Stage.BY_HAND)
    found = report(cell)
    assert "nothing proven for the cell yet" in found.sentence
    assert "Held back by jet and tray: no trial at this stage." in found.sentence
    assert found.stages[0].untried == ("jet", "tray")


def test_lines_still_open_are_named_where_no_cycle_is_missing(hall, session, report):
    cell = hall.cell("Five")
    hall.trial(cell, "alone")
    hall.shift(cell, "A", good=40)
    found = report(cell)
    assert found.sentence.endswith("Held back by whole cell: still open: cautions acknowledged.")
    assert found.attention[0].words == "still open: cautions acknowledged"
    (stage,) = readiness_of(session, cell.cell)
    untried = replace(stage, untried=(cell.arm,))
    assert keep_running(untried) == "no trial at this stage: arm"


def test_a_bound_of_nothing_leaves_any_stretch(hall, session):
    cell, _ = hall.ready("Five")
    (stage,) = readiness_of(session, cell.cell)
    assert "any stretch alone at 60 % chance are proven" in at_stage(
        replace(stage, proven_stretch_seconds=None)
    )
    stopped = replace(stage, verdict="NO-GO")
    assert alone(stopped).startswith("Not to be left alone: the verdict is NO-GO.")


def test_a_trial_that_a_newer_one_has_replaced_is_listed_apart(hall, report):
    cell, _ = hall.running("Five")
    hall.trial(cell, "arm again", cell.arm, stage=Stage.BY_HAND)
    found = report(cell)
    assert [one.trial for one in found.stages[0].former] == ["Five arm"]
    assert "Replaced by a newer one, and not counted here: Five arm (arm, by hand)." in (
        html_of(found)
    )


def test_the_newest_shifts_stand_with_what_they_ran(hall, report, session):
    cell, _ = hall.running("Five")
    for label in "BCDEF":
        hall.shift(cell, label, good=2, failed=[cell.missed], stage=Stage.BY_HAND)
    write(session, cell, revision(cell.arm), actor=hall.people.engineer, now=hall.now)
    shifts = report(cell).shifts
    assert [one.shift for one in shifts] == list("FEDCB")
    assert {(one.logged, one.counted, one.failed) for one in shifts} == {(3, 3, 1)}


# The demo.


@pytest.fixture
def demo_report(demo_session):
    cell = find_cell(demo_session, "Cell 5")
    return build_cell_report(demo_session, cell, now=DEMO_NOW, zone=DEMO_ZONE)


def test_the_demos_cell_is_what_its_trials_say(demo_session, demo_report):
    (stage,) = demo_report.stages
    assert {trial.trial for trial in stage.trials} == {
        trial.name for trial in demo_session.query(Trial)
    }
    for trial in stage.trials:
        verdict = judge(demo_session, demo_session.get(Trial, trial.trial_id))
        assert (trial.verdict, trial.cycles, trial.failures, trial.upper, trial.limit) == (
            verdict.verdict, verdict.evidence.cycles, verdict.evidence.failures, verdict.upper,
            verdict.limit,
        )  # fmt: skip
        assert trial.proven_stretch_seconds == verdict.proven_stretch_seconds
    whole = next(trial for trial in stage.trials if trial.subject == "whole cell")
    assert stage.upper == whole.upper
    assert len(demo_report.charts) == 2
    assert words.stretch(whole.proven_stretch_seconds) in demo_report.sentence


def test_every_table_of_the_demo_stands_in_its_document(demo_report):
    made = document(demo_report)
    for table in made.tables:
        for row in table.in_words(DEMO_ZONE):
            assert row[table.head_place].split("\n")[0] in made.html
    assert json.loads(json.dumps(cell_report_as_dict(demo_report)))["cell"]["name"] == "Cell 5"


def test_the_demo_has_one_cell(demo_session):
    assert [cell.name for cell in cells(demo_session)] == ["Cell 5"]
