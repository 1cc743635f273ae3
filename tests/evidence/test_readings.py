"""Where a counter reading alone vouches for good cycles, one wrong digit must not make a GO."""

from datetime import timedelta

import pytest

from trialog.evidence import judge
from trialog.records.words import EntryKind, Reading

AGREES = "log agrees with the machine counter"


def failures_only(bench, label, opening, closing, *, cycles=None):
    """Run a shift at the planned speed, for so many cycles as the machine really made."""
    bench.open(label, counter=opening)
    bench.clock += timedelta(minutes=closing - opening if cycles is None else cycles)
    bench.good(None, counter=closing)
    bench.close(counter=closing)


def line(bench, trial):
    return next(reason for reason in judge(bench.session, trial).reasons if reason.name == AGREES)


def test_readings_that_fit_one_another_hold_nothing_back(bench, trial):
    failures_only(bench, "A", 5000, 5400)
    failures_only(bench, "B", 5410, 5800)
    assert judge(bench.session, trial).verdict == "GO"


def test_a_shift_that_opens_below_where_the_one_before_closed_is_in_doubt(bench, trial):
    bench.run("A", 100, first=5000)
    failures_only(bench, "B", 4100, 5200)
    assert judge(bench.session, trial).verdict == "KEEP RUNNING"
    assert "B opened at 4,100, A closed at 5,100" in line(bench, trial).detail


def test_a_shift_that_closed_above_where_the_next_one_opens_is_in_doubt(bench, trial):
    failures_only(bench, "A", 5000, 6700)
    bench.run("B", 100, first=5100)
    assert judge(bench.session, trial).verdict == "KEEP RUNNING"
    assert "B opened at 5,100, A closed at 6,700" in line(bench, trial).detail


def test_more_cycles_than_the_time_allows_are_in_doubt(bench, trial):
    failures_only(bench, "A", 5000, 6700, cycles=100)
    assert judge(bench.session, trial).verdict == "KEEP RUNNING"
    assert "A: more cycles by the counter than its time allows" in line(bench, trial).detail


def test_a_shift_that_still_runs_has_time_left_for_its_cycles(bench, trial):
    bench.open("A", counter=5000)
    bench.good(None, counter=6700)
    assert "more cycles by the counter" not in line(bench, trial).detail


@pytest.mark.parametrize("opening", [0, 20])
def test_a_counter_that_is_reset_or_goes_round_between_shifts_is_not(bench, trial, opening):
    failures_only(bench, "A", 9000, 9990)
    failures_only(bench, "B", opening, opening + 100)
    found = judge(bench.session, trial)
    assert found.verdict == "GO"
    # Whoever signs is told what ran meanwhile; of a reset nobody knows.
    assert found.evidence.cycles_between_shifts == (30 if opening else 0)


def test_cycles_that_were_tapped_need_no_reading_to_vouch_for_them(bench, trial):
    bench.run("A", 700, first=5000)
    bench.run("B", 100, first=4000)
    assert judge(bench.session, trial).verdict == "GO"


def test_a_reading_that_an_engineer_wrote_in_again_is_taken_for_right(bench, trial):
    failures_only(bench, "A", 5000, 6700)
    bench.run("B", 100, first=5100)
    bench.write(EntryKind.READING, shift="A", reading=Reading.CLOSING, counter=6700)
    assert judge(bench.session, trial).verdict == "GO"


def test_a_reading_undone_vouches_for_nothing(bench, trial):
    bench.run("A", 700, first=5000)
    bench.open("B", counter=4000)
    wrong = bench.good(None, counter=4100)
    bench.undo(wrong)
    bench.good(1)
    bench.close(counter=4001)
    assert judge(bench.session, trial).verdict == "GO"
