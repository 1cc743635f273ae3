"""The peek-safe bound: its guarantee, how tight it is, what it must do at the ends."""

from __future__ import annotations

import mpmath as mp
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.peeking import ever_wrong

from trialog.reliability import failure_rate_bounds
from trialog.reliability._peek_safe import NEVER_FAILS

seeded = settings(derandomize=True, database=None, deadline=None, max_examples=60)


# The values found, for 50,000 cycles. 0: at 1e-4, no outcome of 50,000 cycles takes the bound
# at 99 % below it.
FOUND = {
    (0.95, 1e-4): 0.035047,
    (0.95, 1e-3): 0.042799,
    (0.95, 1e-2): 0.047095,
    (0.95, 0.1): 0.047964,
    (0.8, 1e-4): 0.153971,
    (0.8, 1e-3): 0.179959,
    (0.8, 1e-2): 0.191104,
    (0.8, 0.1): 0.192179,
    (0.99, 1e-4): 0.0,
    (0.99, 1e-3): 0.008221,
    (0.99, 1e-2): 0.009285,
    (0.99, 0.1): 0.009427,
}


@pytest.mark.parametrize(("confidence", "rate"), FOUND)
def test_the_chance_of_ever_being_wrong_is_at_most_the_error(confidence, rate):
    chance = ever_wrong("peek_safe", confidence, rate)
    assert chance <= 1 - confidence
    # 1e-6: the digits written down
    assert chance == pytest.approx(FOUND[confidence, rate], abs=1e-6)


def test_the_exact_bound_is_wrong_a_third_of_the_time_if_looked_at_after_every_cycle():
    """The reason for the peek-safe bound: 20,000 looks at a true rate equal to the limit."""
    # 1e-4: the digits written down
    assert ever_wrong("exact", 0.95, 0.01, 20_000) == pytest.approx(0.3176, abs=1e-4)
    assert ever_wrong("peek_safe", 0.95, 0.01, 20_000) <= 0.05


@pytest.mark.parametrize(("method", "rate"), [("exact", 0.3), ("peek_safe", 0.4)])
def test_the_lattice_gives_what_counting_every_run_gives(method, rate):
    cycles = 14
    runs = (np.arange(2**cycles)[:, None] >> np.arange(cycles)) & 1
    counts = np.arange(1, cycles + 1)
    bounds = failure_rate_bounds(runs.cumsum(axis=1), counts, confidence=0.8, method=method)
    wrong = (bounds.upper < rate).any(axis=1)
    chances = rate ** runs.sum(axis=1) * (1 - rate) ** (cycles - runs.sum(axis=1))
    # 1e-12: sums of at most 2^14 terms
    assert ever_wrong(method, 0.8, rate, cycles) == pytest.approx(chances[wrong].sum(), abs=1e-12)
    assert chances[wrong].sum() > 0


# Tightness.


@pytest.mark.parametrize(("failures", "most"), [(0, 1.25), (1, 1.9), (10, 1.6)])
def test_it_is_not_far_above_the_exact_bound(failures, most):
    cycles = np.unique(np.geomspace(100, 20_000, 400).astype(int))
    exact = failure_rate_bounds(failures, cycles).upper
    ratio = failure_rate_bounds(failures, cycles, method="peek_safe").upper / exact
    assert (ratio <= most).all()
    # the largest share of a bar that W leaves; see NEVER_FAILS
    assert ratio.max() / most < 0.896


# Identities.


def mixture(failures: int, cycles: int, rate: mp.mpf) -> mp.mpf:
    """M as it is defined, at fifty digits."""
    good = 1 - rate
    alone = mp.mpf(NEVER_FAILS) * (failures == 0) / good**cycles
    spread = mp.quad(
        lambda t: t**failures * ((1 - t * rate) / good) ** (cycles - failures),
        mp.linspace(0, 1, 9),
    )
    return alone + (1 - mp.mpf(NEVER_FAILS)) * spread


@pytest.mark.parametrize("confidence", [0.001, 0.5, 0.95, 0.999999])
@pytest.mark.parametrize(
    ("failures", "cycles"), [(0, 1), (0, 1920), (1, 2), (1, 1920), (7, 20), (19, 20), (12, 1920)]
)
def test_at_the_bound_the_mixture_is_one_over_the_error(failures, cycles, confidence):
    upper = failure_rate_bounds(failures, cycles, confidence=confidence, method="peek_safe").upper
    with mp.workdps(50):
        wanted = 1 / (1 - mp.mpf(repr(confidence)))
        step = mp.mpf("1e-10")
        below, above = upper * (1 - step), min(upper * (1 + step), 1 - mp.mpf("1e-40"))
        assert mixture(failures, cycles, below) < wanted < mixture(failures, cycles, above)


@pytest.mark.parametrize("rate", [0.01, 0.3])
def test_the_mixture_is_on_average_1_at_the_true_rate(rate):
    """What makes it a martingale that starts at 1, and Ville's inequality hold."""
    with mp.workdps(30):
        p = mp.mpf(rate)
        average = sum(
            mp.binomial(12, k) * p**k * (1 - p) ** (12 - k) * mixture(k, 12, p) for k in range(13)
        )
        assert abs(average - 1) < 1e-15


@seeded
@given(st.integers(1, 100_000), st.data(), st.floats(0.5, 0.9999))
def test_it_never_lies_inside_the_exact_bound(cycles, data, confidence):
    failures = data.draw(st.integers(0, cycles))
    exact = failure_rate_bounds(failures, cycles, confidence=confidence, sides="both")
    safe = failure_rate_bounds(
        failures, cycles, confidence=confidence, sides="both", method="peek_safe"
    )
    assert safe.lower <= exact.lower
    assert exact.upper <= safe.upper


@seeded
@given(st.integers(1, 100_000), st.data(), st.floats(0.5, 0.9999))
def test_a_good_cycle_lowers_it_and_a_failure_raises_it(cycles, data, confidence):
    failures = data.draw(st.integers(0, cycles))
    now, good, failed = failure_rate_bounds(
        [failures, failures, failures + 1],
        [cycles, cycles + 1, cycles + 1],
        confidence=confidence,
        method="peek_safe",
    ).upper
    assert good < now or failures == cycles
    assert good < failed
    assert now <= failed


# Conventions.


@pytest.mark.parametrize("cycles", [1, 20, 1_000_000_000])
def test_all_failures_leave_the_bound_at_1(cycles):
    assert failure_rate_bounds(cycles, cycles, method="peek_safe").upper == 1.0


@pytest.mark.parametrize("cycles", [1, 20, 1_000_000_000])
def test_no_failures_leave_the_lower_bound_at_0(cycles):
    assert failure_rate_bounds(0, cycles, sides="lower", method="peek_safe").lower == 0.0


def test_no_cycles_leave_everything_open():
    bounds = failure_rate_bounds(0, 0, sides="both", method="peek_safe")
    assert (bounds.lower, bounds.upper) == (0.0, 1.0)
