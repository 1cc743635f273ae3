"""Stops with their clear times, beside failures: of a shift, and of a trial's evidence."""

from __future__ import annotations

import pytest
from sqlalchemy import select

from trialog.evidence import gather_evidence
from trialog.evidence.interruptions import shift_interruptions, trial_interruptions
from trialog.records.models import Shift
from trialog.records.words import EntryKind, Stage
from trialog.reliability import (
    availability_bounds,
    failure_rate_bounds,
    mean_time_bounds,
    percentile_bounds,
    stop_rate_bounds,
)

NINETY = {"confidence": 0.9}


def stop(bench, seconds=None, **fields):
    return bench.write(EntryKind.STOP, clear_seconds=seconds, **fields)


def of_shift(bench):
    shift = bench.session.scalar(select(Shift).where(Shift.label == bench.shift))
    return shift_interruptions(bench.session, shift, **NINETY)


def test_a_shifts_stops_are_added_up_without_those_undone_or_untimed(bench):
    bench.open("A")
    for seconds in (40, 20, None, 600):
        stop(bench, seconds)
    bench.undo(stop(bench, 5000))
    bench.good(95)
    bench.fail(bench.drop)
    bench.close()
    found = of_shift(bench)
    assert (found.clear_seconds, found.untimed) == ((40, 20, 600), 1)
    assert found.rate == stop_rate_bounds(4, 96, **NINETY)
    assert found.mean == mean_time_bounds(660, 3, **NINETY)
    assert found.percentile == percentile_bounds([20, 40, 600], 0.9, **NINETY)
    assert found.availability == availability_bounds(
        4, 96, 60.0, clear_seconds=660, timed=3, **NINETY
    )
    assert found.failures == failure_rate_bounds(1, 96, sides="both", **NINETY)


def test_a_shift_without_stops_or_cycles_says_that_nothing_is_known(bench):
    bench.open("A")
    found = of_shift(bench)
    assert (found.clear_seconds, found.untimed) == ((), 0)
    assert (found.rate.estimate, found.mean.estimate, found.percentile.estimate) == (None,) * 3
    assert (found.availability.lower, found.availability.upper) == (0.0, 1.0)


def test_of_a_trial_only_stops_since_its_evidence_began_count(bench):
    trial = bench.trial(bench.jet, share=1.0)
    bench.open("A")
    stop(bench, 10)
    bench.good(5)
    bench.revise(bench.jet, "wider nozzle")
    stop(bench, 20)
    bench.good(7)
    bench.fail(bench.drop)
    bench.close()
    bench.open("R", stage=Stage.ROBOT_ATTENDED)
    stop(bench, 30)
    bench.good(9)
    bench.close()
    found = trial_interruptions(
        bench.session, gather_evidence(bench.session, trial), confidence=0.9
    )
    assert found.clear_seconds == (20,)
    assert found.rate == stop_rate_bounds(1, 8, **NINETY)
    # The jet did not fail on the cycle on which the arm did.
    assert found.failures == failure_rate_bounds(0, 8, sides="both", **NINETY)


@pytest.mark.parametrize("stops", [1, 3])
def test_stops_may_be_more_than_cycles(bench, stops):
    bench.open("A")
    for _ in range(stops):
        stop(bench, 60)
    bench.good(1)
    assert of_shift(bench).rate.estimate == stops
