"""The failure rate of each revision, and whether a change made a difference."""

from __future__ import annotations

import pytest

from trialog.evidence.periods import compare_periods, periods_of
from trialog.records.words import Stage
from trialog.reliability import compare_rates, failure_rate_bounds, holm_adjust


def periods(bench, device=None, stage=Stage.BY_HAND):
    device_id = None if device is None else device.id
    return periods_of(bench.session, bench.cell.id, device_id, stage, confidence=0.9)


def compared(bench, device=None):
    return compare_periods(periods(bench, device), confidence=0.95)


def counts(found):
    return [(period.revision.what, *period.counted) for period in found]


@pytest.fixture
def history(bench):
    """The jet is changed twice and the arm once, all within one open shift."""
    bench.open("A")
    for _ in range(4):
        bench.fail(bench.chips)
    bench.good(36)
    bench.revise(bench.jet, "wider nozzle")
    bench.good(30)
    bench.fail(bench.chips)
    bench.revise(bench.arm, "softer jaws")
    bench.good(29)
    bench.revise(bench.jet, "more pressure")
    bench.good(50)
    bench.close()
    return bench


def test_a_device_has_a_period_for_each_of_its_own_revisions(history):
    assert counts(periods(history, history.jet)) == [
        ("as first set up", 4, 40), ("wider nozzle", 1, 60), ("more pressure", 0, 50),
    ]  # fmt: skip
    assert counts(periods(history, history.arm)) == [
        ("as first set up", 0, 71), ("softer jaws", 0, 79),
    ]  # fmt: skip


def test_the_whole_cell_has_a_period_for_each_revision_of_any_device(history):
    assert counts(periods(history)) == [
        ("as first set up", 4, 40), ("wider nozzle", 1, 31), ("softer jaws", 0, 29),
        ("more pressure", 0, 50),
    ]  # fmt: skip


def test_a_period_ends_where_the_next_revision_of_the_device_took_effect(history):
    found = periods(history, history.jet)
    assert [one.until for one in found[:-1]] == [one.revision.effective_at for one in found[1:]]
    assert found[-1].until is None


def test_each_period_has_its_exact_bound(history):
    first = periods(history, history.jet)[0]
    assert first.bounds == failure_rate_bounds(4, 40, confidence=0.9)


def test_another_stage_is_never_mixed_in(history):
    history.open("R", stage=Stage.ROBOT_ATTENDED)
    history.fail(history.chips)
    history.good(8)
    history.close()
    assert counts(periods(history, history.jet))[-1] == ("more pressure", 0, 50)
    assert counts(periods(history, history.jet, Stage.ROBOT_ATTENDED)) == [
        ("as first set up", 0, 0), ("wider nozzle", 0, 0), ("more pressure", 1, 9),
    ]  # fmt: skip


def test_a_revision_that_was_taken_back_parts_nothing(bench):
    bench.open("A")
    bench.good(5)
    bench.undo(bench.revise(bench.jet, "wider nozzle"))
    bench.good(6)
    assert counts(periods(bench, bench.jet)) == [("as first set up", 0, 11)]


def test_a_no_test_is_counted_apart(bench):
    bench.open("A")
    bench.rule(bench.fail(bench.chips), relevant=False)
    bench.good(5)
    (found,) = periods(bench, bench.jet)
    assert (found.counted, found.no_tests) == ((0, 5), 1)


def test_neighbours_are_compared_and_their_p_values_adjusted_together(history):
    first, second = compared(history, history.jet)
    assert first.rates == compare_rates(4, 40, 1, 60)
    assert second.rates == compare_rates(1, 60, 0, 50)
    both = holm_adjust([first.rates.boschloo_differ, second.rates.boschloo_differ]).tolist()
    assert [first.p_value, second.p_value] == both
    assert [revision.what for revision in first.changes] == ["wider nozzle"]
    assert (first.better, second.better) == (True, True)


def test_revisions_that_saw_no_cycle_are_compared_as_one_change(bench):
    bench.open("A")
    bench.good(10)
    bench.revise(bench.jet, "wider nozzle")
    bench.revise(bench.jet, "more pressure")
    bench.fail(bench.chips)
    bench.good(1)
    (found,) = compared(bench, bench.jet)
    assert [revision.what for revision in found.changes] == ["wider nozzle", "more pressure"]
    assert (found.before.counted, found.after.counted, found.better) == ((0, 10), (1, 2), False)


def test_equal_rates_are_neither_better_nor_worse(bench):
    bench.open("A")
    bench.good(10)
    bench.revise(bench.jet, "wider nozzle")
    bench.good(20)
    (found,) = compared(bench, bench.jet)
    assert (found.better, found.p_value) == (None, 1.0)


@pytest.mark.database("sqlite")  # the counts are made up: what keeps the records cannot matter
def test_too_many_failures_to_compare_exactly_are_left_uncompared(history, monkeypatch):
    monkeypatch.setattr("trialog.evidence.periods.MOST_FAILURES", 4)
    first, second = compared(history, history.jet)
    assert (first.rates, first.p_value) == (None, None)
    assert second.p_value == compare_rates(1, 60, 0, 50).boschloo_differ


def test_without_a_change_there_is_nothing_to_compare(bench):
    bench.open("A")
    bench.good(10)
    assert compared(bench, bench.jet) == ()
