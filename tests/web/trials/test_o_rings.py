"""Data that nobody here made, through the front door: the record of 23 launches as tallies.

The counts by flight are described in tests/feeds/test_o_rings.py; the references here are
scipy's binomtest and statsmodels' proportion_confint.
"""

import re
from pathlib import Path

import pytest
from scipy.stats import binomtest
from statsmodels.stats.proportion import proportion_confint
from support.cells import make_cell

from trialog.evidence import define_requirement, start_trial
from trialog.records.setup import NewRequirement, add_mode
from trialog.records.words import Effect, PlanKind, Stage

FILE = Path(__file__).parents[2] / "feeds" / "data" / "o_rings.csv"
CYCLES, FAILURES = 138, 9
ROW = re.compile(r"<tr class=\"rp-[a-z-]+\">\s*<th scope=\"row\">(.*?)</tr>", re.S)
EXACT = re.compile(r'<data value="([^"]+)"')


@pytest.fixture
def page(app, session, engineer, now):
    """Return the trial page after the file went through the import form."""
    cell = make_cell(session, now, "Field joints")
    add_mode(session, cell.tray, "distressed O-ring", Effect.DAMAGE, actor=None, now=now)
    asked = NewRequirement(
        name="r", stretch_hours=1, chance=0.9, confidence=0.95, design_rate=0.0001
    )
    requirement = define_requirement(session, cell.cell, asked, actor=None, now=now)
    trial = start_trial(
        session, requirement, name="launches", stage=Stage.BY_HAND,
        plan_kind=PlanKind.ZERO_FAILURE, actor=None, now=now,
    )  # fmt: skip
    session.commit()
    url = f"/trials/{trial.id}"
    with FILE.open("rb") as file:
        looked_at = engineer.post(
            f"{url}/import", {"file": (file, FILE.name)},
            content_type="multipart/form-data", follow_redirects=True,
        )  # fmt: skip
    assert "Every line of this file can be imported." in looked_at.text
    engineer.post(f"{url}/import/check", {"lines": "all"}, follow_redirects=True)
    return engineer.get(url).text


@pytest.mark.parametrize("subject", ["whole cell", "tray", "distressed O-ring"])
def test_rates_and_bounds_on_the_page_equal_those_of_scipy_and_statsmodels(page, subject):
    (row,) = [found for found in ROW.findall(page) if found.startswith(subject)]
    estimate, upper, lower, higher = (float(value) for value in EXACT.findall(row))
    assert estimate == pytest.approx(FAILURES / CYCLES, abs=1e-9)
    exact = binomtest(FAILURES, CYCLES, alternative="less").proportion_ci(0.95, "exact")
    assert upper == pytest.approx(exact.high, abs=1e-9)
    both = binomtest(FAILURES, CYCLES).proportion_ci(0.95, "exact")
    assert (lower, higher) == pytest.approx((both.low, both.high), abs=1e-9)
    theirs = proportion_confint(FAILURES, CYCLES, alpha=0.05, method="beta")
    assert (lower, higher) == pytest.approx(theirs, abs=1e-9)
