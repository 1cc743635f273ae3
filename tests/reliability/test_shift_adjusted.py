"""shift_adjusted_bound: its formula, how often it holds, conventions, errors."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from trialog.errors import InvalidValueError
from trialog.reliability import failure_rate_bounds, shift_adjusted_bound

BURSTS = [
    ([0, 1, 0, 9, 2], [400, 410, 390, 400, 400]),
    ([4, 0], [500, 700]),
    ([0, 0, 0, 11, 0, 2, 30], [80, 100, 120, 60, 100, 90, 110]),
]


def by_hand(failures, cycles, confidence):
    """Korn and Graubard's steps, one after the other, with the library's quantiles."""
    n, shifts = sum(cycles), len(cycles)
    p = sum(failures) / n
    squares = sum((k - p * m) ** 2 for k, m in zip(failures, cycles, strict=True))
    variance = shifts / (shifts - 1) * squares / n**2
    factor = stats.t.ppf(confidence, n - 1) / stats.t.ppf(confidence, shifts - 1)
    effective = min(n, p * (1 - p) / variance * factor**2)
    upper = stats.beta.ppf(confidence, effective * p + 1, effective * (1 - p))
    return effective, max(upper, failure_rate_bounds(sum(failures), n, confidence=confidence).upper)


@pytest.mark.parametrize("confidence", [0.6, 0.9, 0.95, 0.999])
@pytest.mark.parametrize(("failures", "cycles"), BURSTS)
def test_bound_is_the_exact_one_of_the_effective_cycles(failures, cycles, confidence):
    effective, upper = by_hand(failures, cycles, confidence)
    bound = shift_adjusted_bound(failures, cycles, confidence=confidence)
    # 1e-8: the library's quantiles
    assert bound.effective_cycles == pytest.approx(effective, rel=1e-8)
    assert bound.upper == pytest.approx(upper, rel=1e-8)


@pytest.mark.parametrize(("failures", "cycles"), BURSTS)
def test_bound_leaves_the_stated_error_below_it(failures, cycles):
    bound = shift_adjusted_bound(failures, cycles)
    failed = bound.effective_cycles * sum(failures) / sum(cycles)
    below = stats.beta.sf(bound.upper, failed + 1, bound.effective_cycles - failed)
    # 1e-9: the library's tail
    assert below == pytest.approx(0.05, rel=1e-9)


def test_result_keeps_what_it_rests_on():
    bound = shift_adjusted_bound(np.array([0, 1, 9]), np.array([400, 410, 390]), confidence=0.9)
    assert (bound.failures, bound.cycles, bound.shifts) == (10, 1200, 3)
    assert (bound.confidence, bound.estimate) == (0.9, 10 / 1200)
    assert bound.exact_upper == failure_rate_bounds(10, 1200, confidence=0.9).upper
    assert bound.upper > bound.exact_upper


def test_design_effect_by_hand():
    """A rate of 1/4, each shift 1 off: 2 * 2 / 64 = 1/16, over (3/16) / 8 = 3/128."""
    # 1e-12: plain arithmetic
    assert shift_adjusted_bound([0, 2], [4, 4]).design_effect == pytest.approx(8 / 3, rel=1e-12)


def test_shifts_as_alike_as_can_be_give_the_exact_bound():
    bound = shift_adjusted_bound([2, 2, 2], [400, 400, 400])
    assert (bound.design_effect, bound.effective_cycles) == (0.0, 1200.0)
    # 1e-12: the quantile is worked out two ways
    assert bound.upper == pytest.approx(bound.exact_upper, rel=1e-12)


def test_confidence_is_095_unless_told_otherwise():
    assert shift_adjusted_bound([0, 9], [90, 90]) == shift_adjusted_bound(
        [0, 9], [90, 90], confidence=0.95
    )


@settings(max_examples=100, deadline=None)
@given(
    st.lists(
        st.integers(1, 500).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))),
        min_size=1,
        max_size=8,
    ),
    st.sampled_from([0.51, 0.8, 0.95, 0.9999]),
)
def test_bound_is_never_below_the_exact_one_and_never_above_1(shifts, confidence):
    failures, cycles = zip(*shifts, strict=True)
    bound = shift_adjusted_bound(failures, cycles, confidence=confidence)
    assert bound.exact_upper <= bound.upper <= 1
    assert 0 <= bound.effective_cycles <= bound.cycles


def test_bounds_nest_in_confidence():
    failures, cycles = BURSTS[0]
    uppers = [
        shift_adjusted_bound(failures, cycles, confidence=c).upper for c in (0.6, 0.8, 0.95, 0.999)
    ]
    assert uppers == sorted(uppers)


def share_held(shifts, mean, correlation, records):
    """How often both bounds hold, in records of shifts of 400 cycles, drawn anew each time."""
    rng = np.random.default_rng(20240501)
    total = 1 / correlation - 1
    rates = rng.beta(mean * total, (1 - mean) * total, size=(records, shifts))
    bounds = [shift_adjusted_bound(k, [400] * shifts) for k in rng.binomial(400, rates)]
    exact = np.mean([bound.exact_upper >= mean for bound in bounds])
    return exact, np.mean([bound.upper >= mean for bound in bounds])


@pytest.mark.parametrize(
    ("shifts", "mean", "correlation", "exact", "adjusted"),
    [
        (10, 0.003, 0.01, 0.740, 0.863),
        (20, 0.01, 0.002, 0.892, 0.949),
        (40, 0.01, 0.01, 0.761, 0.939),
        (40, 0.01, 0.05, 0.601, 0.904),
    ],
)
def test_bound_holds_as_often_as_the_docstring_says(shifts, mean, correlation, exact, adjusted):
    records = 1_500
    held = share_held(shifts, mean, correlation, records)
    # preset: four standard errors of a share, and the table's rounding
    for ours, table in zip(held, (exact, adjusted), strict=True):
        assert ours == pytest.approx(
            table, abs=4 * math.sqrt(table * (1 - table) / records) + 0.0005
        )


def test_the_docstring_has_these_shares():
    text = shift_adjusted_bound.__doc__
    for shares in ("74.0 → 86.3", "89.2 → 94.9", "76.1 → 93.9", "60.1 → 90.4"):
        assert shares in text


# Conventions.


@pytest.mark.parametrize(
    ("failures", "cycles"),
    [([0, 0], [300, 400]), ([3, 4], [3, 4]), ([7], [300]), ([7, 0], [300, 0])],
    ids=["zero failures", "all failures", "one shift", "one with cycles"],
)
def test_where_nothing_tells_of_bursts_it_is_the_exact_bound(failures, cycles):
    bound = shift_adjusted_bound(failures, cycles)
    exact = failure_rate_bounds(sum(failures), sum(cycles)).upper
    assert (bound.upper, bound.exact_upper) == (exact, exact)
    assert (bound.design_effect, bound.effective_cycles) == (1.0, sum(cycles))


def test_zero_cycles():
    bound = shift_adjusted_bound([], [])
    assert (bound.estimate, bound.upper, bound.effective_cycles, bound.shifts) == (None, 1, 0, 0)
    assert shift_adjusted_bound([0, 0], [0, 0]) == bound


# Errors.


@pytest.mark.parametrize(
    ("failures", "cycles", "confidence", "message"),
    [
        ([1, 21], [10, 20], 0.95, "failures must be between 0 and cycles (20), got 21"),
        ([1], [10], 0.5, "confidence must be above a half (0.5) and below 1, got 0.5"),
        ([1], [10], 1.0, "confidence must be above a half (0.5) and below 1, got 1.0"),
    ],
)
def test_wrong_input_is_refused(failures, cycles, confidence, message):
    with pytest.raises(InvalidValueError) as caught:
        shift_adjusted_bound(failures, cycles, confidence=confidence)
    assert str(caught.value) == message
