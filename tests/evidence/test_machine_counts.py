"""What a verdict makes of the machine's own count: beside typed readings, and in their place."""

from __future__ import annotations

from datetime import timedelta

from trialog.evidence import CounterState, judge, reconcile, replay
from trialog.records.models import Cell, Shift
from trialog.records.words import EntryKind, Reading

AGREES = "log agrees with the machine counter"


def run(bench, label, good, *, typed=None, counted, first=0):
    """Run a shift beside a machine that counts; `typed`: what people read at the end."""
    bench.says(first)
    bench.open(label, counter=None if typed is None else 0)
    bench.good(good)
    bench.says(first + counted)
    bench.close(counter=typed, mismatch_accepted=True)


def compared(bench, label="A"):
    return reconcile(bench.session, bench.session.query(Shift).filter_by(label=label).one())


def line(bench, trial):
    return next(reason for reason in judge(bench.session, trial).reasons if reason.name == AGREES)


def test_nobody_has_to_type_a_reading_for_a_go(bench, trial):
    run(bench, "A", 700, counted=700)
    found = compared(bench)
    assert (found.state, found.opening, found.closing) == (CounterState.AGREES, 0, 700)
    assert (found.by_readings, found.by_machine, found.difference) == (None, 700, None)
    assert judge(bench.session, trial).verdict == "GO"


def test_of_two_counts_the_larger_is_held_against_the_verdict(bench, trial):
    run(bench, "A", 700, typed=700, counted=705)
    found = compared(bench)
    assert (found.state, found.unlogged, found.difference) == (CounterState.UNLOGGED, 5, 5)
    said = line(bench, trial)
    assert not said.met
    assert "A: 700 by the typed readings, 705 by the machine itself" in said.detail
    assert judge(bench.session, trial).verdict == "KEEP RUNNING"


def test_where_the_machine_counted_less_the_typed_readings_are_taken(bench, trial):
    run(bench, "A", 700, typed=703, counted=700)
    assert (compared(bench).unlogged, compared(bench).difference) == (3, -3)
    assert "the larger of two counts was taken" in line(bench, trial).detail


def test_many_differences_are_not_all_listed(bench, trial):
    for number, label in enumerate("ABCDE"):
        run(bench, label, 200, typed=200, counted=201, first=1000 * number)
    assert "and 2 more" in line(bench, trial).detail


def test_an_engineers_reading_settles_the_difference(bench, trial):
    run(bench, "A", 700, typed=700, counted=705)
    bench.write(EntryKind.READING, shift="A", reading=Reading.CLOSING, counter=700)
    assert compared(bench).by_machine is None
    assert judge(bench.session, trial).verdict == "GO"


def test_a_log_that_exceeds_the_machines_count_cannot_be_told(bench, trial):
    run(bench, "A", 700, counted=690)
    assert compared(bench).state is CounterState.TOO_MANY
    assert not line(bench, trial).met


def test_cycles_between_shifts_are_told_by_the_machine_too(bench, trial):
    run(bench, "A", 300, counted=300)
    run(bench, "B", 400, counted=400, first=310)
    assert judge(bench.session, trial).evidence.cycles_between_shifts == 10
    assert "between shifts the machine counted 10 cycles" in line(bench, trial).detail


def test_good_cycles_by_the_machine_make_a_go_where_only_failures_are_tapped(bench, trial):
    bench.cell.good_by_machine = True
    bench.session.flush()
    bench.says(0)
    bench.open("A")
    bench.clock += timedelta(minutes=700)
    bench.says(700)
    bench.close()
    verdict = judge(bench.session, trial)
    assert (verdict.verdict, verdict.evidence.cycles) == ("GO", 700)


def test_more_cycles_by_the_machine_than_the_time_allows_are_in_doubt(bench, trial):
    bench.cell.good_by_machine = True
    bench.session.flush()
    bench.says(0)
    bench.open("A")
    bench.says(700)
    bench.close()
    assert "A: more cycles by the counter than its time allows" in line(bench, trial).detail


def test_it_is_replayed_as_it_stood(bench, trial):
    run(bench, "A", 700, typed=700, counted=705)
    before = judge(bench.session, trial).reasons
    as_of = replay.AsOf(
        bench.cell.id, bench.cell.chain_length, bench.clock, acknowledged=None, event_id=None
    )
    bench.says(720, reason="the agent was away")
    with replay.replayed(bench.session, as_of) as fresh:
        assert fresh.get_one(Cell, bench.cell.id).chain_length == as_of.lines
        assert judge(fresh, fresh.get_one(type(trial), trial.id)).reasons == before
    assert judge(bench.session, trial).reasons != before
