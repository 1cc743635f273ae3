"""failure_rate_bounds: what must hold for any counts, and exact coverage."""

from __future__ import annotations

from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from trialog.reliability import failure_rate_bounds

METHODS = ["exact", "midp", "wilson", "wilson_cc", "jeffreys", "peek_safe"]

seeded = settings(derandomize=True, database=None, deadline=None, max_examples=60)
methods = st.sampled_from(METHODS)
confidences = st.floats(0.5, 0.9999)


@st.composite
def counts(draw):
    cycles = draw(st.integers(1, 100_000))
    return draw(st.integers(0, min(cycles, 50)) | st.integers(0, cycles)), cycles


# Properties.


@seeded
@given(counts(), confidences, confidences, methods)
def test_bounds_nest_in_confidence(pair, one, other, method):
    low, high = sorted((one, other))
    narrow = failure_rate_bounds(*pair, confidence=low, sides="both", method=method)
    wide = failure_rate_bounds(*pair, confidence=high, sides="both", method=method)
    # 1e-12: the accuracy promised
    assert wide.lower <= narrow.lower * (1 + 1e-12)
    assert wide.upper >= narrow.upper * (1 - 1e-12)


@seeded
@given(counts(), confidences, methods)
def test_the_interval_holds_the_estimate(pair, confidence, method):
    bounds = failure_rate_bounds(*pair, confidence=confidence, sides="both", method=method)
    slack = 1e-12 * (bounds.estimate + 1e-300)
    assert 0 <= bounds.lower <= bounds.estimate + slack
    assert bounds.estimate - slack <= bounds.upper <= 1


@seeded
@given(st.integers(2, 100_000), st.data(), confidences, methods)
def test_bounds_grow_with_failures(cycles, data, confidence, method):
    failures = data.draw(st.integers(0, cycles - 1))
    pair = np.array([failures, failures + 1])
    bounds = failure_rate_bounds(pair, cycles, confidence=confidence, sides="both", method=method)
    assert bounds.lower[0] < bounds.lower[1]
    assert bounds.upper[0] < bounds.upper[1]


@seeded
@given(counts(), confidences, methods)
def test_swapping_good_and_failed_mirrors_the_bounds(pair, confidence, method):
    failures, cycles = pair
    ours = failure_rate_bounds(*pair, confidence=confidence, sides="both", method=method)
    mirror = failure_rate_bounds(
        cycles - failures, cycles, confidence=confidence, sides="both", method=method
    )
    # 1e-12 absolute: near 1 that is the accuracy promised
    assert mirror.lower == pytest.approx(1 - ours.upper, rel=0, abs=1e-12)
    assert mirror.upper == pytest.approx(1 - ours.lower, rel=0, abs=1e-12)


@seeded
@given(counts(), confidences, methods)
def test_each_side_of_an_interval_has_half_of_the_error(pair, confidence, method):
    both = failure_rate_bounds(*pair, confidence=confidence, sides="both", method=method)
    one = float((1 + Decimal(repr(confidence))) / 2)
    upper = failure_rate_bounds(*pair, confidence=one, method=method).upper
    lower = failure_rate_bounds(*pair, confidence=one, sides="lower", method=method).lower
    # 1e-10: halving the error and reading (1 + C) / 2 round differently, most at 0.9999
    assert (both.lower, both.upper) == pytest.approx((lower, upper), rel=1e-10, abs=0)


@seeded
@given(counts(), confidences)
def test_midp_lies_inside_exact(pair, confidence):
    exact = failure_rate_bounds(*pair, confidence=confidence, sides="both")
    midp = failure_rate_bounds(*pair, confidence=confidence, sides="both", method="midp")
    assert exact.lower <= midp.lower
    assert midp.upper <= exact.upper


# Coverage, summed exactly over every outcome.


@pytest.mark.parametrize("cycles", [1, 5, 20, 59, 200])
@pytest.mark.parametrize("confidence", [0.8, 0.95])
@pytest.mark.parametrize("sides", ["upper", "lower", "both"])
@pytest.mark.parametrize("method", ["exact", "peek_safe"])
def test_two_methods_never_cover_less_than_stated(cycles, confidence, sides, method):
    outcomes = np.arange(cycles + 1)
    bounds = failure_rate_bounds(
        outcomes, cycles, confidence=confidence, sides=sides, method=method
    )
    for rate in np.linspace(0.001, 0.999, 400):
        held = (bounds.lower <= rate) & (rate <= bounds.upper)
        covered = stats.binom.pmf(outcomes, cycles, rate)[held].sum()
        # 1e-12: rounding of a sum of two hundred terms
        assert covered >= confidence - 1e-12


def test_the_exact_bound_covers_no_more_than_stated_just_inside_its_own_value():
    outcomes = np.arange(21)
    uppers = failure_rate_bounds(outcomes, 20).upper
    for failures in range(20):
        covered = stats.binom.sf(failures, 20, uppers[failures])
        # 1e-9: the library's tail
        assert covered == pytest.approx(0.95, abs=1e-9)


@pytest.mark.parametrize("method", ["midp", "wilson", "jeffreys"])
def test_the_other_methods_cover_about_what_is_stated_on_average(method):
    outcomes = np.arange(51)
    bounds = failure_rate_bounds(outcomes, 50, sides="both", method=method)
    covered = [
        stats.binom.pmf(outcomes, 50, rate)[(bounds.lower <= rate) & (rate <= bounds.upper)].sum()
        for rate in np.linspace(0.0005, 0.9995, 1000)
    ]
    # Brown, Cai and DasGupta (2001): within about a point of the nominal at n = 50
    assert np.mean(covered) == pytest.approx(0.95, abs=0.01)
