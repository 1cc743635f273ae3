"""From what a shop asks for to a limit and a plan."""

import math
from datetime import UTC, datetime

import pytest
from scipy import stats

from trialog.errors import ConflictError, InvalidValueError
from trialog.evidence import (
    design_of,
    equal_share,
    limit_of,
    plan_of,
    requirement_of,
    start_trial,
    subject_of,
)
from trialog.records.words import PlanKind, Stage

START = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)


def test_a_whole_cell_trial_takes_the_whole_chance_and_a_device_an_equal_share(bench):
    whole, part = bench.trial(name="cell"), bench.trial(bench.arm, name="arm")
    assert (whole.share, part.share) == (1.0, 0.5)
    assert (subject_of(whole), subject_of(part)) == ("whole cell", "arm")
    assert (1 - limit_of(part)) ** 2 == pytest.approx(1 - limit_of(whole), rel=1e-14)


def test_shares_can_be_unequal(bench):
    trial = bench.trial(bench.arm, share=0.2)
    assert limit_of(trial) == pytest.approx(1 - 0.9 ** (0.2 / 30), rel=1e-12)


def test_the_design_rate_is_shared_like_the_limit(bench):
    trial = bench.trial(bench.arm, design_rate=0.001)
    assert design_of(trial) == pytest.approx(1 - 0.999**0.5, rel=1e-12)


def test_a_fixed_size_plan_holds_both_risks_at_the_stored_size(bench):
    plan = plan_of(bench.trial(kind=PlanKind.FIXED_SIZE, design_rate=0.001))
    # exact binomial tails by scipy
    assert stats.binom.cdf(plan.allowed_failures, plan.cycles, plan.limit) <= 0.1
    assert stats.binom.cdf(plan.allowed_failures, plan.cycles, plan.design) >= 0.9


def test_what_is_stored_gives_the_same_plan_back(bench):
    trial = bench.trial()
    bench.session.commit()
    bench.session.expire_all()
    assert plan_of(trial).cycles == math.ceil(math.log(0.1) / math.log(1 - limit_of(trial)))
    assert requirement_of(trial).stretch_cycles == 30


def test_a_changed_cycle_time_leaves_the_requirement_as_it_was_fixed(bench):
    trial = bench.trial()
    bench.cell.planned_cycle_seconds = 30.0
    bench.session.commit()
    assert requirement_of(trial).stretch_cycles == 30


def test_a_first_trial_counts_logs_that_are_yet_to_be_imported(bench):
    assert bench.trial().begins_at is None


def test_a_trial_cannot_begin_before_cycles_that_are_logged_already(bench):
    bench.run("A", 10)
    with pytest.raises(ConflictError, match="must leave out the cycles already logged"):
        bench.trial(begins_at=START)


def test_a_trial_may_begin_at_an_hour_after_which_nothing_is_logged_yet(bench):
    bench.run("A", 10)
    assert bench.trial(begins_at=bench.clock).begins_at == bench.clock


@pytest.mark.parametrize(
    ("field", "value", "message"),
    [
        ("chance", 1.0, "chance must"),
        ("confidence", 0.0, "confidence must"),
        ("confidence", 0.599, "confidence must be between 0.6 and 0.999999, got 0.599"),
        ("confidence", 0.9999999, "confidence must be between 0.6 and 0.999999, got 0.9999999"),
        ("stretch_hours", -1, "hours must"),
        ("design_rate", 0.5, "design rate must be below the limit 0.00351, got 0.5"),
        ("min_shifts", -1, "min_shifts must be between 0 and 1000, got -1"),
    ],
)
def test_a_requirement_that_cannot_be_is_refused(bench, field, value, message):
    with pytest.raises(InvalidValueError, match=message):
        bench.trial(**{field: value})


@pytest.mark.parametrize("share", [0, 1.5, -0.1])
def test_a_share_outside_its_range_is_refused(bench, share):
    with pytest.raises(InvalidValueError, match="share must"):
        bench.trial(bench.arm, share=share)


@pytest.mark.parametrize("kind", PlanKind)
def test_a_plan_that_nobody_could_run_is_refused(bench, kind):
    with pytest.raises(InvalidValueError, match="share must leave a plan of at most 1,000,000,000"):
        bench.trial(bench.arm, share=1e-7, kind=kind)


@pytest.mark.parametrize(("devices", "share"), [(0, 1), (1, 1), (2, 0.5), (3, 1 / 3)])
def test_devices_share_a_cells_allowance_equally(devices, share):
    assert equal_share(devices) == share


def test_trial_names_are_new(bench):
    first = bench.trial(name="one")
    with pytest.raises(ConflictError, match="trial must be new, but there is already one named"):
        start_trial(
            bench.session, first.requirement, name="one", stage=Stage.BY_HAND,
            plan_kind=PlanKind.ZERO_FAILURE, actor=None, now=bench.clock,
        )  # fmt: skip
