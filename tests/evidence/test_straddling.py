"""One counter reading across a change: what ran before it must not speak for what is new."""

from __future__ import annotations

from datetime import timedelta

from trialog.evidence import judge

AGREES = "log agrees with the machine counter"


def hours(bench, number):
    bench.clock += timedelta(hours=number)


def verdict(bench, trial):
    found = judge(bench.session, trial)
    return found, next(reason for reason in found.reasons if reason.name == AGREES)


def test_a_reading_across_the_change_holds_the_go_back_until_the_change_stands_at_a_reading(
    bench, trial
):
    bench.open("A", counter=0)
    bench.fail(bench.drop)
    hours(bench, 20)
    change = bench.revise(bench.arm, "new jaw")
    bench.good(None, counter=1201)
    read_at = bench.clock
    bench.close(counter=1201)
    found, line = verdict(bench, trial)
    assert (found.verdict, found.evidence.failures, line.met) == ("KEEP RUNNING", 0, False)
    assert "A at 1,201 vouches for good cycles from before and after" in line.detail
    assert "“new jaw”" in line.detail
    bench.undo(change)
    bench.revise(bench.arm, "new jaw", occurred_at=read_at + timedelta(seconds=1))
    assert judge(bench.session, trial).evidence.cycles == 0
    bench.run("B", 700, first=1201)
    found, line = verdict(bench, trial)
    assert (found.verdict, found.evidence.cycles, line.met) == ("GO", 700, True)


def test_readings_on_either_side_of_the_change_hold_nothing_back(bench, trial):
    bench.open("A", counter=0)
    bench.fail(bench.drop)
    hours(bench, 1)
    bench.good(None, counter=61)
    bench.revise(bench.arm, "new jaw")  # within a minute
    hours(bench, 20)
    bench.good(None, counter=1261)
    bench.close(counter=1261)
    found, _ = verdict(bench, trial)
    assert (found.verdict, found.evidence.cycles) == ("GO", 1200)


def by_the_machine(bench, trial, *, recorded_late):
    """Run a shift of 21 hours that the machine counts, with a change after 20 hours."""
    bench.cell.good_by_machine = True
    bench.session.flush()
    bench.says(0)
    bench.open("A")
    bench.fail(bench.drop)
    hours(bench, 1)
    bench.says(61)
    changed = bench.clock + timedelta(minutes=1)
    hours(bench, 0.1)
    if not recorded_late:
        bench.revise(bench.arm, "new jaw", occurred_at=changed)
    hours(bench, 20)
    bench.says(1261)
    closing = bench.close()
    if recorded_late:
        bench.revise(bench.arm, "new jaw", occurred_at=changed)
    return closing


def test_the_machines_own_count_is_parted_at_the_change(bench, trial):
    by_the_machine(bench, trial, recorded_late=False)
    found, _ = verdict(bench, trial)
    assert (found.verdict, found.evidence.cycles) == ("GO", 1200)


def test_a_change_recorded_after_the_closing_needs_the_shift_closed_again(bench, trial):
    closing = by_the_machine(bench, trial, recorded_late=True)
    found, line = verdict(bench, trial)
    assert (found.verdict, line.met) == ("KEEP RUNNING", False)
    assert "A at 1,261 vouches for good cycles" in line.detail
    bench.undo(closing)
    bench.close()
    found, _ = verdict(bench, trial)
    assert (found.verdict, found.evidence.cycles) == ("GO", 1200)


def test_a_shift_opened_after_the_change_has_nothing_from_before_it(bench, trial):
    bench.revise(bench.arm, "new jaw")
    bench.open("A", counter=0)
    hours(bench, 20)
    bench.good(None, counter=1200)
    bench.close(counter=1200)
    assert verdict(bench, trial)[0].verdict == "GO"
