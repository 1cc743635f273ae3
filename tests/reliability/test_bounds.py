"""failure_rate_bounds: agreement with other libraries, identities, conventions, errors."""

from __future__ import annotations

import dataclasses
from decimal import Decimal, localcontext

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from trialog.errors import InvalidValueError
from trialog.reliability import RateBounds, RateBoundsArray, failure_rate_bounds

METHODS = ["exact", "midp", "wilson", "jeffreys", "wilson_cc", "peek_safe"]
CONFIDENCES = [0.5, 0.8, 0.95, 0.999999]
COUNTS = [(1, 2), (1, 10), (3, 10), (9, 10), (1, 1920), (12, 1920), (960, 1920), (1919, 1920)]
ALTERNATIVES = {"upper": "less", "lower": "greater", "both": "two-sided"}
MANY = [(1, 10_000_000), (2, 10_000_000), (5, 10_000_000), (40, 10_000_000), (3, 100_000)]


# Agreement with other libraries. Relative 1e-9: scipy solves for the same roots by another
# algorithm (brentq, to about 1e-12 absolute), statsmodels by the same one as we start from.


@pytest.mark.parametrize("confidence", CONFIDENCES)
@pytest.mark.parametrize(("failures", "cycles"), [*COUNTS, (0, 7), (7, 7)])
@pytest.mark.parametrize("method", ["exact", "wilson"])
@pytest.mark.parametrize("sides", ALTERNATIVES)
def test_agrees_with_scipy(failures, cycles, confidence, method, sides):
    test = stats.binomtest(failures, cycles, alternative=ALTERNATIVES[sides])
    expected = test.proportion_ci(confidence, method=method)
    ours = failure_rate_bounds(failures, cycles, confidence=confidence, sides=sides, method=method)
    assert ours.lower == pytest.approx(expected.low, rel=1e-9, abs=1e-12)
    assert ours.upper == pytest.approx(expected.high, rel=1e-9, abs=1e-12)


@pytest.mark.parametrize("confidence", CONFIDENCES)
@pytest.mark.parametrize(("failures", "cycles"), COUNTS)
@pytest.mark.parametrize(
    ("method", "theirs"), [("exact", "beta"), ("wilson", "wilson"), ("jeffreys", "jeffreys")]
)
def test_agrees_with_statsmodels(failures, cycles, confidence, method, theirs):
    low, high = proportion_confint(failures, cycles, alpha=1 - confidence, method=theirs)
    ours = failure_rate_bounds(failures, cycles, confidence=confidence, sides="both", method=method)
    # 1e-9: alpha = 1 - confidence is itself rounded on their side, by 3e-11 at 0.999999
    assert (ours.lower, ours.upper) == pytest.approx((low, high), rel=1e-9, abs=0)


# mpmath 1.4.1 at 30 digits:
# def solve(k, n, low, high, level):
#     a, b = k + mp.mpf(1) / 2, n - k + mp.mpf(1) / 2
#     below = lambda p: p**a / a / mp.beta(a, b) * mp.hyp2f1(a, 1 - b, a + 1, p) - mp.mpf(level)
#     return mp.nstr(mp.findroot(below, (low, high), solver="anderson", tol=1e-24), 17)
# solve(1, 10**5, 1e-5, 1e-4, "0.95"), solve(1, 10**5, 1e-7, 1e-5, "0.05")
# solve(1, 10**7, 1e-7, 1e-6, "0.95"), solve(1, 10**7, 1e-9, 1e-7, "0.05")
@pytest.mark.parametrize(
    ("failures", "cycles", "side", "expected"),
    [
        (1, 10**5, "upper", 3.9072973832593641e-5),
        (1, 10**5, "lower", 1.7592344393914103e-6),
        (1, 10**7, "upper", 3.9073632859351052e-7),
        (1, 10**7, "lower", 1.7592316172526692e-8),
    ],
)
def test_jeffreys_agrees_with_mpmath_to_twelve_digits(failures, cycles, side, expected):
    ours = failure_rate_bounds(failures, cycles, sides=side, method="jeffreys")
    assert getattr(ours, side) == pytest.approx(expected, rel=1e-12, abs=0)


# Identities, at fifty digits and by another formula (a plain sum of binomial terms). A root that
# is good to 1e-12 has the sign of its equation change between root * (1 - 1e-12) and
# root * (1 + 1e-12).


def at_most(failures: int, cycles: int, rate: Decimal) -> Decimal:
    """P(K <= failures) as a plain sum."""
    term = total = (1 - rate) ** cycles
    for k in range(1, failures + 1):
        term *= rate * (cycles - k + 1) / ((1 - rate) * k)
        total += term
    return total


def upper_tail(method: str, failures: int, cycles: int, rate: Decimal) -> Decimal:
    """The chance of an outcome as low as the one seen, at a rate."""
    whole = at_most(failures, cycles, rate)
    below = at_most(failures - 1, cycles, rate) if method == "midp" else whole
    return (whole + below) / 2


def lower_tail(method: str, failures: int, cycles: int, rate: Decimal) -> Decimal:
    """The chance of an outcome as high as the one seen, at a rate."""
    whole = 1 - at_most(failures - 1, cycles, rate)
    above = 1 - at_most(failures, cycles, rate) if method == "midp" else whole
    return (whole + above) / 2


SMALL = [(1, 2), (1, 10), (3, 10), (9, 10), (1, 1920), (12, 1920)]


@pytest.mark.parametrize("confidence", CONFIDENCES)
@pytest.mark.parametrize(("failures", "cycles"), SMALL + MANY)
@pytest.mark.parametrize("method", ["exact", "midp"])
def test_at_the_upper_bound_the_tail_is_the_error(failures, cycles, confidence, method):
    upper = failure_rate_bounds(failures, cycles, confidence=confidence, method=method).upper
    with localcontext(prec=50):
        error = 1 - Decimal(repr(confidence))
        step = 1 + Decimal("1e-12")
        assert upper_tail(method, failures, cycles, Decimal(upper) * step) < error
        assert upper_tail(method, failures, cycles, Decimal(upper) / step) > error


def test_the_tail_is_the_error_where_the_librarys_quantile_is_off_by_a_ten_millionth():
    upper = failure_rate_bounds(999, 983_114, confidence=1 - 2.2e-10).upper
    with localcontext(prec=50):
        error, step = 1 - Decimal(repr(1 - 2.2e-10)), 1 + Decimal("1e-12")
        assert at_most(999, 983_114, Decimal(upper) * step) < error
        assert at_most(999, 983_114, Decimal(upper) / step) > error


@pytest.mark.parametrize("confidence", [0.374, *CONFIDENCES])
@pytest.mark.parametrize(("failures", "cycles"), [*SMALL, *MANY, (3, 9_783_131)])
@pytest.mark.parametrize("method", ["exact", "midp"])
def test_at_the_lower_bound_the_tail_is_the_error(failures, cycles, confidence, method):
    lower = failure_rate_bounds(
        failures, cycles, confidence=confidence, sides="lower", method=method
    ).lower
    with localcontext(prec=50):
        error = 1 - Decimal(repr(confidence))
        step = 1 + Decimal("1e-12")
        assert lower_tail(method, failures, cycles, Decimal(lower) * step) > error
        assert lower_tail(method, failures, cycles, Decimal(lower) / step) < error


@pytest.mark.parametrize("confidence", [0.05, *CONFIDENCES])
@pytest.mark.parametrize(("failures", "cycles"), [(0, 20), *COUNTS, *MANY])
def test_wilson_bounds_solve_the_score_equation(failures, cycles, confidence):
    """(p - k/n)^2 n = z^2 p (1 - p), each bound on its own side of k/n."""
    z = Decimal(float(stats.norm.isf(float(1 - Decimal(repr(confidence))))))
    upper = failure_rate_bounds(failures, cycles, confidence=confidence, method="wilson").upper
    lower = failure_rate_bounds(
        failures, cycles, confidence=confidence, sides="lower", method="wilson"
    ).lower

    def miss(rate: Decimal) -> Decimal:
        return (rate - Decimal(failures) / cycles) ** 2 * cycles - z**2 * rate * (1 - rate)

    with localcontext(prec=50):
        step = 1 + Decimal("1e-12")
        for root in [Decimal(upper), Decimal(lower)]:
            assert root == 0 or miss(root * step) * miss(root / step) <= 0 or z == 0
    assert (upper - lower) * float(z) >= 0
    assert min(lower, upper) <= failures / cycles <= max(lower, upper)


@pytest.mark.parametrize("method", ["exact", "midp"])
@pytest.mark.parametrize("cycles", [1, 20, 10_000_000])
@pytest.mark.parametrize("confidence", [0.8, 0.95, 0.999999])
def test_ends_have_their_closed_form(method, cycles, confidence):
    with localcontext(prec=50):
        error = (1 - Decimal(repr(confidence))) * (2 if method == "midp" else 1)
        root = (error.ln() / cycles).exp()
    clean = failure_rate_bounds(0, cycles, confidence=confidence, method=method)
    hopeless = failure_rate_bounds(
        cycles, cycles, confidence=confidence, sides="lower", method=method
    )
    # a few rounding steps of a double
    assert clean.upper == pytest.approx(float(1 - root), rel=1e-14, abs=0)
    assert hopeless.lower == pytest.approx(float(root), rel=1e-14, abs=0)


# Conventions.


@pytest.mark.parametrize("method", METHODS)
def test_zero_failures_leave_the_lower_bound_at_0(method):
    bounds = failure_rate_bounds(0, 20, sides="both", method=method)
    assert bounds.lower == 0.0
    assert 0 < bounds.upper < 1


@pytest.mark.parametrize("method", METHODS)
def test_all_failures_leave_the_upper_bound_at_1(method):
    bounds = failure_rate_bounds(20, 20, sides="both", method=method)
    assert bounds.upper == 1.0
    assert 0 < bounds.lower < 1


@pytest.mark.parametrize("method", METHODS)
def test_zero_cycles_say_nothing(method):
    bounds = failure_rate_bounds(0, 0, sides="both", method=method)
    assert bounds == RateBounds(0, 0, 0.95, "both", method, None, 0.0, 1.0)


def test_zero_cycles_in_an_array_have_no_estimate():
    bounds = failure_rate_bounds([0, 1], [0, 4], sides="both")
    assert np.isnan(bounds.estimate[0])
    assert bounds.estimate[1] == 0.25
    assert (bounds.lower[0], bounds.upper[0]) == (0.0, 1.0)


@pytest.mark.parametrize("confidence", [0.2, 0.5])
def test_midp_bounds_at_the_ends_are_the_estimate_where_half_an_outcome_outweighs_the_error(
    confidence,
):
    clean = failure_rate_bounds(0, 20, confidence=confidence, method="midp")
    hopeless = failure_rate_bounds(20, 20, confidence=confidence, sides="lower", method="midp")
    assert (clean.upper, hopeless.lower) == (0.0, 1.0)


@pytest.mark.parametrize("method", [method for method in METHODS if method != "wilson"])
def test_the_ends_keep_their_convention_at_low_confidence(method):
    hopeless = failure_rate_bounds(20, 20, confidence=0.2, method=method)
    clean = failure_rate_bounds(0, 20, confidence=0.2, sides="lower", method=method)
    assert (clean.lower, hopeless.upper) == (0.0, 1.0)


def test_a_bound_that_rounds_to_the_end_stays_there():
    bounds = failure_rate_bounds(
        999_999_999, 1_000_000_000, confidence=1 - 1e-12, sides="both", method="jeffreys"
    )
    assert bounds.upper == 1.0


def test_wilson_at_even_odds_is_the_estimate():
    for failures in (0, 5, 20):
        bounds = failure_rate_bounds(failures, 20, confidence=0.5, method="wilson")
        assert bounds.upper == failures / 20


def test_one_sided_leaves_the_other_side_open():
    assert failure_rate_bounds(3, 20).lower == 0.0
    assert failure_rate_bounds(3, 20, sides="lower").upper == 1.0


def test_defaults_are_the_exact_upper_bound_at_95_percent():
    bounds = failure_rate_bounds(2, 50)
    assert (bounds.confidence, bounds.sides, bounds.method) == (0.95, "upper", "exact")
    assert bounds == failure_rate_bounds(2, 50, confidence=0.95, sides="upper", method="exact")


def test_two_clean_shifts_prove_a_sixth_of_a_percent():
    assert failure_rate_bounds(0, 1920).upper == pytest.approx(0.00156, abs=5e-6)


# Shapes and types.


def test_single_counts_give_plain_numbers():
    bounds = failure_rate_bounds(np.int64(3), 10)
    assert isinstance(bounds, RateBounds)
    kinds = [type(value) for value in dataclasses.astuple(bounds)]
    assert kinds == [int, int, float, str, str, float, float, float]
    assert bounds.estimate == 0.3


def test_results_are_frozen():
    with pytest.raises(dataclasses.FrozenInstanceError):
        failure_rate_bounds(3, 10).upper = 0.0


def test_arrays_broadcast():
    bounds = failure_rate_bounds(np.array([[0], [3]]), np.array([10, 100, 1000]), sides="both")
    assert isinstance(bounds, RateBoundsArray)
    for name in ("failures", "cycles", "estimate", "lower", "upper"):
        assert getattr(bounds, name).shape == (2, 3)
    assert bounds.failures.dtype == bounds.cycles.dtype == np.int64
    assert bounds.failures.tolist() == [[0, 0, 0], [3, 3, 3]]
    assert bounds.cycles.tolist() == [[10, 100, 1000]] * 2
    assert (bounds.confidence, bounds.sides, bounds.method) == (0.95, "both", "exact")


def test_no_counts_give_no_bounds():
    assert failure_rate_bounds(np.array([], dtype=int), 10).upper.shape == (0,)


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("sides", ["upper", "lower", "both"])
def test_arrays_hold_what_single_counts_give(method, sides):
    failures, cycles = np.array([0, 0, 1, 7, 19, 20, 4]), np.array([0, 20, 20, 20, 20, 20, 900])
    many = failure_rate_bounds(failures, cycles, sides=sides, method=method)
    for at, (k, n) in enumerate(zip(failures.tolist(), cycles.tolist(), strict=True)):
        one = failure_rate_bounds(k, n, sides=sides, method=method)
        # 1e-14: arrays may round the last digit differently from single numbers
        assert (many.lower[at], many.upper[at]) == pytest.approx(
            (one.lower, one.upper), rel=1e-14, abs=0
        )


# Errors.


@pytest.mark.parametrize(
    ("failures", "cycles", "message"),
    [
        (12, 10, "failures must be between 0 and cycles (10), got 12"),
        ([1, 12, 13], [5, 10, 11], "failures must be between 0 and cycles (10), got 12"),
        (1, 0, "failures must be between 0 and cycles (0), got 1"),
        (-1, 10, "failures must be at least 0, got -1"),
        ([0, -2, -3], 10, "failures must be at least 0, got -2"),
        (0, -1, "cycles must be at least 0, got -1"),
        (1.5, 10, "failures must be whole numbers, got 1.5"),
        (1, 10.5, "cycles must be whole numbers, got 10.5"),
        (1, "10", "cycles must be whole numbers, got '10'"),
        (True, 10, "failures must be whole numbers, got True"),
        (1, float("nan"), "cycles must be whole numbers, got nan"),
        (0, 1_000_000_001, "cycles must be at most 1,000,000,000, got 1000000001"),
        ([0, 0], [1, 2**63 - 1], f"cycles must be at most 1,000,000,000, got {2**63 - 1}"),
        ([1, 2], [3, 4, 5], "cycles must have a shape that fits failures (2,), got (3,)"),
    ],
)
def test_wrong_counts_are_refused(failures, cycles, message):
    with pytest.raises(InvalidValueError) as caught:
        failure_rate_bounds(failures, cycles)
    assert str(caught.value) == message


@pytest.mark.parametrize("confidence", [0, 1, -0.5, 95, float("nan"), "0.95", True])
def test_a_confidence_outside_0_and_1_is_refused(confidence):
    with pytest.raises(InvalidValueError) as caught:
        failure_rate_bounds(0, 10, confidence=confidence)
    assert str(caught.value) == f"confidence must be above 0 and below 1, got {confidence!r}"


def test_unknown_choices_are_refused():
    with pytest.raises(InvalidValueError) as caught:
        failure_rate_bounds(0, 10, sides="two")
    assert str(caught.value) == "sides must be one of upper, lower, both, got 'two'"
    with pytest.raises(InvalidValueError) as caught:
        failure_rate_bounds(0, 10, method="wald")
    assert str(caught.value) == (
        "method must be one of exact, midp, wilson, wilson_cc, jeffreys, peek_safe, got 'wald'"
    )


def test_a_billion_cycles_are_taken():
    assert failure_rate_bounds(0, 1_000_000_000).cycles == 1_000_000_000


@pytest.mark.parametrize("confidence", [0.001, 1 - 1e-12])
def test_the_outermost_confidences_are_taken(confidence):
    bounds = failure_rate_bounds(3, 20, confidence=confidence, sides="both")
    assert 0 < bounds.lower < bounds.upper < 1


@pytest.mark.parametrize("confidence", [0.00099, 1 - 9e-13])
def test_a_confidence_beyond_what_keeps_its_digits_is_refused(confidence):
    with pytest.raises(InvalidValueError) as caught:
        failure_rate_bounds(0, 10, confidence=confidence)
    rule = "be between 0.001 and 0.999999999999"
    assert str(caught.value) == f"confidence must {rule}, got {confidence!r}"
