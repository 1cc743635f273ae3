"""`need` and `bounds`: the numbers of the formulas, in JSON and in words."""

from __future__ import annotations

import json
import math
from typing import get_args

import pytest
from scipy import stats

from trialog.cli.figures import METHOD_WORDS, SIDE_WORDS
from trialog.reliability import Method, Sides, failure_limit, failure_rate_bounds


def test_need_prints_what_the_formulas_give(run):
    found = json.loads(
        run("need", "--hours", 8, "--cycle-time", 30, "--chance", 0.9, "--json").stdout
    )
    limit = 1 - 0.9 ** (1 / 960)
    assert found["stretch_cycles"] == 960
    assert found["cell_limit"] == pytest.approx(limit, rel=1e-9)
    assert found["device_limit"] == found["cell_limit"]
    assert found["clean_cycles"] == math.ceil(math.log(0.05) / math.log1p(-limit)) == 27_296
    assert found["shift_cycles"] == 960
    assert found["shifts"] == math.ceil(27_296 / 960) == 29


def test_devices_share_the_limit(run):
    found = json.loads(
        run("need", "--hours", 2, "--cycle-time", 42, "--chance", 0.8, "--confidence", 0.9,
            "--devices", 3, "--shift-hours", 7.5, "--json").stdout
    )  # fmt: skip
    assert found["stretch_cycles"] == 171
    assert found["device_limit"] == failure_limit(171, 0.8, 1 / 3)
    assert (1 - found["device_limit"]) ** found["clean_cycles"] <= 0.1
    assert (1 - found["device_limit"]) ** (found["clean_cycles"] - 1) > 0.1
    assert found["shifts"] == math.ceil(found["clean_cycles"] / math.floor(7.5 * 3600 / 42))


def test_need_says_it_in_plain_words(run):
    said = run("need", "--hours", 8, "--cycle-time", 30, "--chance", 0.9).stdout
    assert "960 cycles" in said
    assert "0.0109 % of its cycles (about 1 in 9,112)" in said
    assert "27,296 clean cycles, 29 shifts of 8 h" in said


def test_need_speaks_of_a_device_where_there_are_several(run):
    said = run("need", "--hours", 8, "--cycle-time", 30, "--chance", 0.9, "--devices", 3).stdout
    assert "Each of 3 devices with an equal share" in said
    assert "that a device is that good" in said


def test_bounds_print_what_the_beta_distribution_gives(run):
    found = json.loads(run("bounds", 0, 1920, "--json").stdout)
    assert found["upper"] == pytest.approx(stats.beta.ppf(0.95, 1, 1920), rel=1e-12)
    assert found["upper"] == pytest.approx(1 - 0.05 ** (1 / 1920), rel=1e-12)
    assert (found["failures"], found["cycles"], found["estimate"], found["lower"]) == (
        0,
        1920,
        0,
        0,
    )
    assert (found["confidence"], found["sides"], found["method"]) == (0.95, "upper", "exact")


@pytest.mark.parametrize(("method", "scipy_name"), [("exact", "exact"), ("wilson", "wilson")])
def test_two_sided_bounds_equal_another_library(run, method, scipy_name):
    found = json.loads(
        run("bounds", 7, 500, "--sides", "both", "--method", method, "--confidence", 0.9,
            "--json").stdout
    )  # fmt: skip
    other = stats.binomtest(7, 500).proportion_ci(0.9, scipy_name)
    assert (found["lower"], found["upper"]) == pytest.approx(other, rel=1e-9)


def test_bounds_say_it_in_plain_words(run):
    said = run("bounds", 0, 1920).stdout
    assert "0 failures in 1,920 cycles" in said
    assert "at most 0.16 % (1 in 641 cycles)" in said
    assert "between" in run("bounds", 3, 1920, "--sides", "both", "--method", "midp").stdout


@pytest.mark.parametrize("method", get_args(Method))
@pytest.mark.parametrize("sides", get_args(Sides))
def test_every_method_is_said_in_words_for_every_side(run, method, sides):
    said = run("bounds", 3, 1920, "--method", method, "--sides", sides).stdout
    assert f"Method: {METHOD_WORDS[method]}, {SIDE_WORDS[sides]}." in said
    found = json.loads(
        run("bounds", 3, 1920, "--method", method, "--sides", sides, "--json").stdout
    )
    ours = failure_rate_bounds(3, 1920, sides=sides, method=method)
    assert (found["lower"], found["upper"]) == (ours.lower, ours.upper)


def test_the_newer_methods_have_plain_names(run):
    with_continuity = run("bounds", 3, 1920, "--method", "wilson_cc").stdout
    assert "Method: Wilson score with continuity, one-sided upper bound." in with_continuity
    assert "Method: peek-safe, one-sided" in run("bounds", 3, 1920, "--method", "peek_safe").stdout


def test_a_lower_bound_is_one_sided_and_rounded_down(run):
    found = json.loads(run("bounds", 7, 500, "--sides", "lower", "--json").stdout)
    other = stats.binomtest(7, 500, alternative="greater").proportion_ci(0.95, "exact")
    assert (found["lower"], found["upper"]) == pytest.approx((other.low, 1), rel=1e-9)
    said = run("bounds", 7, 500, "--sides", "lower").stdout
    assert "the failure rate is at least 0.65 %" in said  # 0.6589 %


def test_without_cycles_nothing_is_known(run):
    found = json.loads(run("bounds", 0, 0, "--json").stdout)
    assert (found["estimate"], found["lower"], found["upper"]) == (None, 0, 1)
    assert run("bounds", 0, 0).exit_code == 0
