"""The log against the machine's own part counter."""

import pytest

from trialog.evidence import CounterState, judge, reconcile
from trialog.evidence.worst_case import worst_case
from trialog.records.models import Shift
from trialog.records.words import CounterEvent


def compared(bench, label):
    return reconcile(bench.session, bench.session.query(Shift).filter_by(label=label).one())


def test_an_open_shift_cannot_be_compared_yet(bench):
    bench.open("A", counter=10)
    bench.good(3)
    found = compared(bench, "A")
    assert (found.state, found.logged, found.counted, found.unlogged) == (
        CounterState.OPEN, 3, None, None,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("closing", "state", "unlogged"),
    [(13, CounterState.AGREES, 0), (15, CounterState.UNLOGGED, 2), (12, CounterState.TOO_MANY, -1)],
)
def test_a_closed_shift_is_compared_with_the_counter(bench, closing, state, unlogged):
    bench.open("A", counter=10)
    bench.good(3)
    bench.close(counter=closing, mismatch_accepted=True)
    found = compared(bench, "A")
    assert (found.state, found.unlogged) == (state, unlogged)
    assert (found.opening, found.closing, found.counted) == (10, closing, closing - 10)


def test_without_both_readings_the_counter_cannot_tell(bench):
    bench.open("A", counter=10)
    bench.good(3)
    bench.close()
    assert compared(bench, "A").state is CounterState.NO_READING


def test_a_reset_counter_cannot_tell(bench):
    bench.open("A", counter=10)
    bench.good(3)
    bench.close(counter=3, counter_event=CounterEvent.RESET)
    found = compared(bench, "A")
    assert (found.state, found.unlogged) == (CounterState.RESET, None)


def test_a_rolled_over_counter_goes_on_from_zero(bench):
    bench.open("A", counter=9_998)
    bench.good(3)
    bench.close(counter=2, counter_event=CounterEvent.ROLLED_OVER)
    found = compared(bench, "A")
    assert (found.state, found.counted, found.unlogged) == (CounterState.UNLOGGED, 4, 1)


def test_there_is_no_worst_case_while_a_shift_is_open(bench):
    trial = bench.trial()
    bench.run("A", 5)
    assert worst(bench, trial) == (5, 0)
    bench.open("B", counter=5)
    bench.good(3)
    assert worst(bench, trial) is None
    bench.close(counter=10, mismatch_accepted=True)
    assert worst(bench, trial) == (10, 2)


def worst(bench, trial):
    """Return the cycles and failures of the worst case, or None where nobody can tell."""
    verdict = judge(bench.session, trial)
    found = worst_case(verdict.evidence, verdict.plan, verdict.standing)
    return None if found is None else (found.cycles, found.failures)
