"""Spot checks: what a second person saw, against what the log has."""

import pytest

from trialog.evidence import bound_with_misses, check_evidence, check_shift, gather_evidence
from trialog.records.models import Shift
from trialog.records.words import EntryKind
from trialog.reliability import inflated_upper_bound, observer_miss_rate


@pytest.fixture
def shift(bench):
    """Return a function that compares the open shift's checks with its log."""
    bench.open("A", counter=0)

    def compare(confidence=0.9):
        row = bench.session.query(Shift).filter_by(label="A").one()
        return check_shift(bench.session, row, confidence=confidence)

    return compare


def figures(found):
    return found.watched, found.seen, found.missed, found.set_aside


def logged_as(found):
    return [check.logged_as for check in found.checks]


def test_a_shift_without_checks_says_nothing(bench, shift):
    bench.good(20)
    found = shift()
    assert figures(found) == (0, 0, 0, 0)
    assert found.checks == ()
    assert (found.miss_rate.lower, found.miss_rate.upper) == (0, 1)


def test_cycles_watched_are_added_up_and_a_failure_in_the_log_is_not_missed(bench, shift):
    bench.good(16)
    failed = bench.fail(bench.drop)
    bench.check(cycles=15)
    check = bench.check(bench.drop, number=17)
    found = shift()
    assert figures(found) == (16, 1, 0, 0)
    assert logged_as(found) == [None, failed]
    seen = found.checks[1]
    assert (seen.entry, seen.shift, seen.person, seen.cycle) == (check, "A", "Checker", 17)
    assert (seen.modes, seen.cycles, seen.independent, seen.missed) == (
        ("dropped part",), 1, True, False,
    )  # fmt: skip


def test_a_failure_that_the_log_lacks_is_missed(bench, shift):
    bench.good(17)
    bench.check(bench.drop, number=17)
    found = shift()
    assert figures(found) == (1, 1, 1, 0)
    assert found.checks[0].missed
    assert found.miss_rate == observer_miss_rate(1, 1, confidence=0.9)


@pytest.mark.parametrize(("number", "missed"), [(7, 1), (8, 0), (11, 0), (14, 0), (15, 1)])
def test_a_failed_cycle_within_three_of_the_number_is_the_one_that_was_seen(
    bench, shift, number, missed
):
    bench.good(10)
    bench.fail(bench.drop)
    bench.good(10)
    bench.check(bench.drop, number=number)
    assert shift().missed == missed


def test_a_failed_cycle_with_other_modes_is_another_one(bench, shift):
    bench.fail(bench.drop)
    bench.check(bench.slow, number=1)
    assert shift().missed == 1


def test_one_mode_in_common_is_enough(bench, shift):
    bench.fail(bench.drop, bench.chips)
    bench.check(bench.slow, bench.chips, number=1)
    assert shift().missed == 0


def test_the_nearest_is_matched_first_and_each_failed_cycle_once(bench, shift):
    bench.good(9)
    near, next_to_it = bench.fail(bench.drop), bench.fail(bench.drop)
    bench.check(bench.drop, number=12)
    bench.check(bench.drop, number=10)
    bench.check(bench.drop, number=13)
    found = shift()
    assert logged_as(found) == [next_to_it, near, None]
    assert found.missed == 1


def test_a_check_without_a_number_takes_any_failed_cycle_that_is_left(bench, shift):
    bench.good(9)
    first, second = bench.fail(bench.drop), bench.fail(bench.drop)
    bench.check(bench.drop)
    bench.check(bench.drop, number=10)
    bench.check(bench.drop)
    assert logged_as(shift()) == [second, first, None]


def test_a_failed_cycle_without_a_number_is_taken_by_a_check_with_one(bench, shift):
    failed = bench.fail(bench.drop, order_known=False)
    bench.good(90)
    bench.check(bench.drop, number=80)
    assert logged_as(shift()) == [failed]


def test_a_failed_cycle_that_was_undone_is_none(bench, shift):
    failed = bench.fail(bench.drop)
    bench.check(bench.drop, number=1)
    bench.undo(failed)
    bench.good()
    assert shift().missed == 1


def test_a_check_that_was_undone_is_none(bench, shift):
    bench.good(5)
    bench.undo(bench.check(bench.drop, number=5))
    assert shift().checks == ()


def test_whoever_logged_the_cycles_does_not_check_them(bench, shift):
    bench.good(20)
    bench.fail(bench.drop)
    bench.check(bench.drop, number=21, by=bench.operator)
    found = shift()
    assert figures(found) == (0, 0, 0, 1)
    assert not found.checks[0].independent
    assert found.checks[0].logged_as is None
    assert not found.checks[0].missed


def test_whoever_logged_other_cycles_of_the_shift_may_check_these(bench, shift):
    bench.good(20, person_id=bench.person("Second").id)
    bench.good(100)
    bench.good(20, person_id=bench.person("Third").id)
    second = bench.session.query(type(bench.operator)).filter_by(name="Second").one()
    bench.check(cycles=10, number=140, by=second)
    bench.check(cycles=10, by=second)
    bench.check(cycles=10, number=32, by=second)
    bench.check(cycles=10, number=33, by=second)
    assert [check.independent for check in shift().checks] == [True, True, False, True]


def test_a_check_without_a_number_is_about_the_cycles_logged_last(bench, shift):
    bench.good(20)
    other = bench.person("Other")
    bench.good(20, person_id=other.id)
    bench.check(cycles=10, by=bench.operator)
    bench.check(cycles=30, by=bench.operator)
    bench.good(30, person_id=other.id)
    assert [check.independent for check in shift().checks] == [True, False]


def test_cycles_of_no_known_place_may_be_any(bench, shift):
    bench.good(20)
    other = bench.person("Other")
    bench.good(5, order_known=False, person_id=other.id)
    bench.check(cycles=3, number=10, by=other)
    assert not shift().checks[0].independent


def test_a_check_of_cycles_that_nobody_logged_yet_is_held_against_all_who_log(bench, shift):
    bench.good(3)
    bench.check(cycles=2, number=200, by=bench.operator)
    bench.check(cycles=2, number=200)
    assert [check.independent for check in shift().checks] == [False, True]


def test_a_shift_in_which_nothing_is_logged_misses_what_was_seen(bench, shift):
    bench.check(bench.drop, number=1)
    assert figures(shift()) == (1, 1, 1, 0)


def test_where_nobody_knows_who_logged_or_who_checked_the_check_does_not_count(bench, shift):
    bench.good(20, person_id=None)
    bench.check(cycles=5, number=20)
    bench.good(20)
    bench.write(EntryKind.CHECK, cycles=5, cycle_number=40, person_id=None)
    assert [check.independent for check in shift().checks] == [False, False]
    assert figures(shift()) == (0, 0, 0, 10)


def test_a_reading_that_added_no_cycle_logged_nothing(bench, shift):
    other = bench.person("Other")
    bench.good(20, person_id=other.id)
    bench.write(EntryKind.GOOD, counter=20)
    bench.check(cycles=5, number=20, by=bench.operator)
    assert shift().checks[0].independent


def test_a_trial_gathers_the_checks_of_its_shifts_and_its_devices_modes(bench):
    cell, jet = bench.trial(name="cell"), bench.trial(bench.jet, name="jet")
    for label in ("A", "B"):
        bench.open(label)
        bench.good(30)
        bench.fail(bench.drop)
        bench.check(bench.drop, number=31)
        bench.check(bench.chips, number=12)
        bench.close()
    bench.open("C")
    bench.check(bench.drop)  # no cycle is counted in it
    bench.close()
    found = [
        check_evidence(bench.session, gather_evidence(bench.session, trial))
        for trial in (cell, jet)
    ]
    assert [figures(one) for one in found] == [(4, 4, 2, 0), (4, 2, 2, 0)]
    assert [check.modes for check in found[1].checks] == [(), ("chips left",)] * 2


def test_the_bound_allows_for_as_many_misses_as_the_checks_do(bench):
    trial = bench.trial()
    bench.open("A")
    bench.good(400)
    bench.fail(bench.drop)
    bench.check(bench.drop, number=401)
    bench.check(bench.drop, number=40)
    evidence = gather_evidence(bench.session, trial)
    found = check_evidence(bench.session, evidence)
    assert bound_with_misses(evidence, found) == inflated_upper_bound(1, 401, 1, 2, confidence=0.9)
