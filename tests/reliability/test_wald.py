"""Wald's lines, and the chances between which they run."""

from __future__ import annotations

import math

import numpy as np
import pytest

from trialog.errors import InvalidValueError
from trialog.reliability import wald_lines


def test_along_a_line_the_likelihood_ratio_is_walds_constant():
    lines = wald_lines(0.1, 0.01, confidence=0.9, good_pass=0.95)

    def log_ratio(cycles, failures):
        return failures * math.log(0.1 / 0.01) + (cycles - failures) * math.log(0.9 / 0.99)

    for cycles in (50.0, 300.0):
        go = lines.slope * cycles - lines.go_intercept
        no_go = lines.slope * cycles + lines.no_go_intercept
        assert log_ratio(cycles, go) == pytest.approx(math.log(0.1 / 0.95), rel=1e-12)
        assert log_ratio(cycles, no_go) == pytest.approx(math.log(0.9 / 0.05), rel=1e-12)


def test_equal_risks_make_equal_intercepts():
    lines = wald_lines(0.04, 0.01, confidence=0.95, good_pass=0.95)
    assert lines.go_intercept == pytest.approx(lines.no_go_intercept, rel=1e-12)


def test_the_mean_length_is_that_of_a_walk_in_small_steps():
    """For rates close together little is run past a line: Wald's figure is nearly the mean."""
    rng = np.random.default_rng(20240501)
    limit, design = 0.55, 0.45
    lines = wald_lines(limit, design, confidence=0.95, good_pass=0.9)
    for rate, expected in ((design, lines.cycles_at_design), (limit, lines.cycles_at_limit)):
        outcomes = rng.random((2_000, 1_500)) < rate
        heights = outcomes.cumsum(axis=1) - lines.slope * np.arange(1, 1_501)
        out = (heights <= -lines.go_intercept) | (heights >= lines.no_go_intercept)
        lengths = out.argmax(axis=1) + 1
        assert out.any(axis=1).all()
        # above it by what is run past a line, half a step in some ten
        assert expected < lengths.mean() + 3 * lengths.std() / math.sqrt(2_000)
        assert lengths.mean() < 1.15 * expected


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"limit": 1}, "limit must be above 0 and below 1, got 1"),
        ({"design": 0.1}, "design must be above 0 and below limit (0.1), got 0.1"),
        ({"confidence": 0}, "confidence must be above 0 and below 1, got 0"),
        ({"good_pass": 0.1}, "good_pass must be above 1 - confidence (0.1) and below 1, got 0.1"),
        ({"good_pass": "x"}, "good_pass must be above 1 - confidence (0.1) and below 1, got 'x'"),
    ],
)
def test_wrong_numbers_are_named(change, message):
    numbers = {"limit": 0.1, "design": 0.01, "confidence": 0.9, "good_pass": 0.95} | change
    with pytest.raises(InvalidValueError) as caught:
        wald_lines(**numbers)
    assert str(caught.value) == message
