"""The help page on wrong verdicts says what is so today.

The table of bursts took thousands of trials. A smaller run, with other draws, must agree with it;
and where a closed form exists, so must the table.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import special, stats
from support.decisions import CYCLES, LIMIT, SHIFTS, burst_plans, simulate
from support.decisions_page import BURSTS, EVERY_CYCLE, PAGE, TRIALS, every_cycle_table
from support.help_tables import table_under

from trialog.evidence.plan_words import plan_words

COLUMNS = ("plan_alone", "with_line", "with_shifts")
FEWER, OTHER_SEED = 60, 1
ALLOWED = 5.0
SHIFTS_TO_GO = 4
"""1,497 clean cycles are reached at the end of the fourth shift."""

TOLD = {
    (plan, device): dict(zip(COLUMNS, map(float, shares), strict=True))
    for plan, device, *shares in table_under(PAGE, BURSTS)
}
BURSTY = [device for plan, device in TOLD if plan == "zero-failure" and device != "steady"]


def plausible(gos, trials, percent):
    """Whether a share may be the true one; 0.0 in the table stands for less than 0.05 %."""
    chance = min(max(percent, 0.04), 99.96) / 100
    return stats.binomtest(gos, trials, chance).pvalue > 0.001


def test_the_table_of_looks_after_every_cycle_is_what_is_worked_out_today():
    assert every_cycle_table() in PAGE.read_text(encoding="utf-8"), "run .ci/decisions-page"


@pytest.mark.parametrize("row", table_under(PAGE, EVERY_CYCLE), ids=lambda row: row[0])
def test_no_plan_exceeds_what_it_allows_and_the_plain_bound_does_twice_over(row):
    allowed, *plans, plain = map(float, row[1:])
    assert max(plans) <= allowed
    assert 2 * allowed < plain < 6.5 * allowed


def test_a_smaller_run_with_other_draws_agrees_with_the_table_of_bursts():
    found = list(simulate(FEWER, OTHER_SEED))
    assert {(one.plan, one.device) for one in found} == TOLD.keys()
    wrong = [
        (one, column)
        for one in found
        for column in COLUMNS
        if not plausible(getattr(one, column), FEWER, TOLD[one.plan, one.device][column])
    ]
    assert wrong == [], "run .ci/decisions-page"


@pytest.mark.parametrize("correlation", [0.005, 0.02])
def test_a_clean_run_of_a_device_that_varies_by_shift_is_as_likely_as_the_closed_form(correlation):
    """P(no failure in n cycles of a shift) = B(a, b + n) / B(a, b) for a rate from beta(a, b)."""
    weight = (1 - correlation) / correlation
    a, b = LIMIT * weight, (1 - LIMIT) * weight
    clean = np.exp(special.betaln(a, b + CYCLES) - special.betaln(a, b)) ** SHIFTS_TO_GO
    told = TOLD["zero-failure", f"by shift, {correlation:g}"]["plan_alone"]
    assert plausible(round(told / 100 * TRIALS), TRIALS, 100 * clean)


@pytest.mark.parametrize(("spell", "rate"), [(50, 0.05), (400, 0.02)])
def test_a_clean_run_of_a_device_with_spells_is_as_likely_as_its_chain_says(spell, rate):
    """The chance of no failure is the product of the chain's matrix, less what fails, n times."""
    share = LIMIT / rate
    begins = share / spell / (1 - share)
    turns = np.array([[1 - begins, begins], [1 / spell, 1 - 1 / spell]])
    clean = np.diag([1.0, 1 - rate])
    step = np.linalg.matrix_power(clean @ turns, SHIFTS_TO_GO * CYCLES)
    chance = float(np.array([1 - share, share]) @ step @ np.ones(2))
    told = TOLD["zero-failure", f"spells of {spell}"]["plan_alone"]
    assert plausible(round(told / 100 * TRIALS), TRIALS, 100 * chance)


def test_a_steady_device_is_within_what_is_allowed():
    shares = [TOLD[plan, "steady"][column] for plan in burst_plans() for column in COLUMNS]
    assert max(shares) <= ALLOWED + 100 * 3 * np.sqrt(0.05 * 0.95 / TRIALS)


@pytest.mark.parametrize("device", BURSTY)
def test_the_page_teaches_what_its_table_shows(device):
    none, few, many = (TOLD[plan, device] for plan in ("zero-failure", "sequential", "fixed-size"))
    assert min(none["plan_alone"], few["plan_alone"], many["plan_alone"]) > 2 * ALLOWED
    assert none["with_line"] == none["plan_alone"]
    assert few["plan_alone"] - few["with_line"] < 1
    assert many["with_line"] < many["plan_alone"] / 3
    for told in (none, few):
        assert told["with_shifts"] < 0.7 * told["with_line"]


def test_the_page_names_the_plans_that_it_tells_of():
    text = " ".join(PAGE.read_text(encoding="utf-8").split())
    for name, plan in burst_plans().items():
        words = plan_words(plan).split("; ")[0].replace(", and", " and")
        assert f"{name}, {words}" in text
    assert f"gives up after {SHIFTS} shifts" in text
