"""What a trial had proven after each shift, its shifts, and its failure modes in order."""

from __future__ import annotations

import pytest

from trialog.evidence import count, judge, standing_at
from trialog.evidence.course import (
    MOST_SHIFTS,
    proven_course,
    ranked_modes,
    shifts_before,
    shifts_of_evidence,
)
from trialog.records.queries import shifts_of
from trialog.records.words import Effect, PlanKind, Stage
from trialog.reliability import failure_rate_bounds


def course_of(bench, trial):
    return proven_course(judge(bench.session, trial).evidence)


def test_each_shift_has_the_counts_so_far_and_the_bound_that_held_then(bench):
    trial = bench.trial()
    bench.run("A", 40)
    bench.run("B", 60, failed=[bench.drop])
    bench.run("C", 100)
    course = course_of(bench, trial)
    assert [(one.shift, one.cycles, one.failures) for one in course] == [
        ("A", 40, 0), ("B", 101, 1), ("C", 201, 1),
    ]  # fmt: skip
    for one in course:
        bounds = failure_rate_bounds(one.failures, one.cycles, confidence=0.9, method="peek_safe")
        assert one.upper == bounds.upper
    assert course[0].closed_at is not None


@pytest.mark.parametrize("kind", [PlanKind.ZERO_FAILURE, PlanKind.SEQUENTIAL])
def test_the_course_ends_where_the_verdict_stands_also_after_a_go(bench, kind):
    trial = bench.trial(kind=kind)
    for label in "ABCDEF":
        bench.run(label, 150)
    bench.run("G", 1_500)
    bench.run("H", 1_500)
    verdict = judge(bench.session, trial)
    assert verdict.standing.decision == "GO"
    course = proven_course(verdict.evidence)
    assert course[-1].upper == verdict.upper
    assert course[-1].seconds == verdict.proven_stretch_seconds
    assert [one.upper for one in course] == [
        standing_at(verdict.evidence, one.cycles).upper for one in course
    ]


def test_without_a_cycle_there_is_no_course(bench):
    assert course_of(bench, bench.trial()) == ()


def test_a_revision_that_resets_the_evidence_begins_the_course_anew(bench):
    trial = bench.trial()
    bench.run("A", 40)
    bench.revise(bench.arm, "wider jaws")
    bench.run("B", 30)
    assert [(one.shift, one.cycles) for one in course_of(bench, trial)] == [("B", 30)]


def test_an_open_shift_has_no_end(bench):
    trial = bench.trial()
    bench.open("A")
    bench.good(5)
    (one,) = course_of(bench, trial)
    assert one.closed_at is None
    assert shifts_of_evidence(judge(bench.session, trial).evidence)[0].cycles == 5


def test_many_shifts_are_thinned_out_but_for_the_first_and_the_last(bench, monkeypatch):
    monkeypatch.setattr("trialog.evidence.course.MOST_SHIFTS", 3)
    assert MOST_SHIFTS > 3
    trial = bench.trial()
    for label in "ABCDEFG":
        bench.run(label, 10)
    assert [one.shift for one in course_of(bench, trial)] == ["A", "D", "G"]


def test_a_shift_is_set_beside_those_before_it_in_its_stage(bench):
    bench.run("A", 10)
    bench.run("B", 20, failed=[bench.drop])
    bench.open("other stage", stage=Stage.ROBOT_ATTENDED)
    bench.good(7)
    bench.close()
    bench.run("empty", 0)
    bench.run("C", 30)
    bench.run("later", 40)
    shifts = {shift.label: shift for shift in shifts_of(bench.session, bench.cell)}
    found = shifts_before(bench.session, shifts["C"], 10)
    assert [(one.shift, one.cycles, one.failures) for one in found] == [
        ("A", 10, 0), ("B", 21, 1), ("C", 30, 0),
    ]  # fmt: skip
    assert [one.shift for one in shifts_before(bench.session, shifts["C"], 2)] == ["B", "C"]


def test_modes_stand_in_the_order_of_how_often_they_were_seen(bench):
    bench.run("A", 10, failed=[bench.chips, bench.drop, bench.chips, bench.slow])
    ids = [shift.id for shift in shifts_of(bench.session, bench.cell)]
    ranked = ranked_modes(count(bench.session, bench.cell, ids))
    assert [(one.mode, one.device, one.failures, one.so_far) for one in ranked] == [
        ("chips left", "jet", 2, 2), ("dropped part", "arm", 1, 3), ("slow return", "arm", 1, 4),
    ]  # fmt: skip
    assert ranked[0].effect is Effect.DAMAGE
    assert ranked_modes(count(bench.session, bench.cell, [])) == ()
