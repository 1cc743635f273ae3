"""Conditions shift by shift, what is missing, and what to plan."""

from __future__ import annotations

import pytest

from trialog.evidence import gather_evidence
from trialog.evidence.coverage import PlannedShifts, asked_of, missing_of, plan_shifts
from trialog.records.words import Condition, EntryKind


def mark(bench, condition, text=""):
    return bench.write(EntryKind.CONDITION, condition=condition, text=text)


@pytest.fixture
def coverage(bench):
    """Two shifts under three conditions and two people, with a mark that was undone."""
    trial = bench.trial(bench.jet, share=1.0, min_cold_starts=3, min_material_lots=2)
    other = bench.person("Ann")
    bench.open("A")
    mark(bench, Condition.COLD_START)
    mark(bench, Condition.MATERIAL_LOT, "lot 7")
    bench.undo(mark(bench, Condition.TOOL_CHANGE))
    bench.good(10)
    bench.close()
    bench.open("B")
    mark(bench, Condition.MATERIAL_LOT, "lot 7")
    mark(bench, Condition.MATERIAL_LOT)
    bench.good(5, person_id=other.id)
    bench.fail(bench.drop)
    bench.close()
    return gather_evidence(bench.session, trial).coverage


def test_marks_stand_with_their_shift_and_undone_ones_do_not(coverage):
    first, second = coverage.shift_ids
    assert [(mark.shift_id, mark.condition, mark.text) for mark in coverage.marks] == [
        (first, "cold start", ""),
        (first, "new material lot", "lot 7"),
        (second, "new material lot", "lot 7"),
        (second, "new material lot", ""),
    ]


def test_who_logged_how_much_is_known_shift_by_shift(coverage):
    first, second = coverage.shift_ids
    assert [(one.shift_id, one.person, one.logged, one.failed) for one in coverage.worked] == [
        (first, "Operator", 10, 0), (second, "Ann", 5, 0), (second, "Operator", 1, 1),
    ]  # fmt: skip
    assert coverage.people == ("Ann", "Operator")


def test_a_lot_named_twice_is_one_lot_and_one_without_a_name_another(coverage):
    assert coverage.met() == {
        "shifts": 2, "operators": 2, "cold starts": 1, "material lots": 2, "tool changes": 0,
    }  # fmt: skip


def test_only_what_is_asked_for_can_be_missing(bench, coverage):
    trial = bench.trial(
        name="strict", min_cold_starts=3, min_material_lots=2, min_operators=3, min_shifts=2
    )
    asked = asked_of(trial.requirement)
    assert asked == {"shifts": 2, "operators": 3, "cold starts": 3, "material lots": 2}
    assert missing_of(coverage.met(), asked) == {"operators": 1, "cold starts": 2}


def test_after_a_resetting_revision_only_marks_since_then_count(bench):
    trial = bench.trial(bench.jet, share=1.0)
    bench.open("A")
    mark(bench, Condition.COLD_START)
    bench.good(3)
    bench.revise(bench.jet, "wider nozzle")
    mark(bench, Condition.TOOL_CHANGE)
    bench.good(4)
    bench.close()
    coverage = gather_evidence(bench.session, trial).coverage
    assert [mark.condition for mark in coverage.marks] == ["tool change"]
    assert [one.logged for one in coverage.worked] == [4]


PLANS = [
    ({}, 0, []),
    ({}, None, []),
    ({}, 3, [(1, 3, ())]),
    ({"shifts": 2}, None, [(1, 2, ())]),
    ({"cold starts": 2, "material lots": 1}, 0,
     [(1, 1, ("cold starts", "material lots")), (2, 2, ("cold starts",))]),
    ({"cold starts": 2, "shifts": 5}, 4, [(1, 2, ("cold starts",)), (3, 5, ())]),
    ({"operators": 3}, 1, [(1, 3, ("operators",))]),
]  # fmt: skip


@pytest.mark.parametrize(("missing", "to_go", "planned"), PLANS)
def test_what_is_missing_is_laid_over_the_shifts_to_come(missing, to_go, planned):
    assert plan_shifts(missing, to_go) == tuple(PlannedShifts(*shifts) for shifts in planned)


@pytest.mark.parametrize(("missing", "to_go", "planned"), PLANS)
def test_such_a_plan_covers_all_that_is_missing_in_no_more_shifts_than_it_takes(
    missing, to_go, planned
):
    shifts = [one.needs for one in plan_shifts(missing, to_go)
              for _ in range(one.first, one.last + 1)]  # fmt: skip
    for word, number in missing.items():
        done = len(shifts) if word == "shifts" else sum(word in needs for needs in shifts)
        assert done >= number
    assert len(shifts) == max([*missing.values(), to_go or 0])
