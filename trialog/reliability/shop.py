"""Planning from what a shop has: so many shifts, and what they could prove."""

from __future__ import annotations

from dataclasses import dataclass

from trialog.reliability import _checks
from trialog.reliability.bounds import failure_rate_bounds
from trialog.reliability.plans import cycles_for_allowed, zero_failure_cycles
from trialog.reliability.requirement import (
    SHIFT_HOURS,
    Requirement,
    cycles_in_shift,
    shifts_needed,
    stop_free_cycles,
)

MOST_PRICED = 1_000
"""Most failures that are priced; a longer list is read by nobody."""


@dataclass(frozen=True)
class CleanRun:
    """What a run without a failure would prove.

    `upper` is the bound on the failure rate per cycle; `proven_cycles` and `proven_seconds` the
    stretch that it allows at the chance required, None for no limit, which only a bound of 0
    gives. `missing_cycles` is how many more clean cycles the requirement needs, 0 if none.
    """

    cycles: int
    upper: float
    proven_cycles: int | None
    proven_seconds: float | None
    missing_cycles: int


@dataclass(frozen=True)
class FailurePrice:
    """What allowing one failure more costs.

    With `failures` in `cycles` the limit is ruled out; `extra_cycles` is what the last failure
    added, 0 for the first line. `shifts` and `extra_shifts` are the same in shifts, each rounded
    up to full ones before the difference is taken.
    """

    failures: int
    cycles: int
    extra_cycles: int
    shifts: int
    extra_shifts: int


def cycles_in_shifts(shifts: int, cycle_seconds: float, shift_hours: float = SHIFT_HOURS) -> int:
    """Count the cycles that a number of shifts holds.

    Parameters
    ----------
    shifts : int
        Shifts, at least 0.
    cycle_seconds : float
        Cycle time in seconds, above 0.
    shift_hours : float
        Length of a shift in hours; it must hold at least one cycle.

    Returns
    -------
    int
        Shifts times the whole cycles of one; no cycle runs over from shift to shift.

    Raises
    ------
    InvalidValueError
        If a number lies outside its range.

    References
    ----------
    Definition; the inverse of `shifts_needed`.

    Examples
    --------
    >>> from trialog.reliability import cycles_in_shifts
    >>> cycles_in_shifts(3, 30), cycles_in_shifts(3, 45, 7.5)
    (2880, 1800)
    """
    return _checks.whole("shifts", shifts, 0) * cycles_in_shift(cycle_seconds, shift_hours)


def clean_run(requirement: Requirement, cycles: int, share: float = 1.0) -> CleanRun:
    """Say what a run of so many cycles would prove if none of them failed.

    Parameters
    ----------
    requirement : Requirement
        What "ready" means: gives the chance, the confidence and the cycle time.
    cycles : int
        Clean cycles, at least 0; `cycles_in_shifts` gives them for a number of shifts.
    share : float
        This device's share of the cell's allowance for stops; above 0, at most 1.

    Returns
    -------
    CleanRun
        A run of 0 cycles proves a stretch of 0. The stretch proven is about
        share x ln(1 / chance) / ln(1 / (1 - confidence)) of the run: 3.5 % of it at 90 % chance
        and 95 % confidence.

    Raises
    ------
    InvalidValueError
        If a number lies outside its range.

    References
    ----------
    The exact bound at 0 failures, Clopper and Pearson (1934), Biometrika 26:404-413, and
    `stop_free_cycles`.

    Examples
    --------
    >>> from trialog.reliability import Requirement, clean_run, cycles_in_shifts
    >>> ready = Requirement(8, 30, chance=0.9, confidence=0.95, design_rate=1e-5)
    >>> run = clean_run(ready, cycles_in_shifts(3, 30))
    >>> run.cycles, run.proven_cycles, run.proven_seconds / 60, run.missing_cycles
    (2880, 101, 50.5, 24416)
    """
    cycles, share = _checks.whole("cycles", cycles, 0), _checks.part("share", share)
    upper = failure_rate_bounds(0, cycles, confidence=requirement.confidence).upper
    needed = zero_failure_cycles(requirement.limit(share), requirement.confidence)
    proven = stop_free_cycles(upper, requirement.chance, share)
    return CleanRun(
        cycles=cycles,
        upper=upper,
        proven_cycles=proven,
        proven_seconds=requirement.proven_stretch_seconds(upper, share),
        missing_cycles=max(needed - cycles, 0),
    )


def price_of_failures(
    limit: float,
    confidence: float,
    most: int,
    *,
    cycle_seconds: float,
    shift_hours: float = SHIFT_HOURS,
) -> tuple[FailurePrice, ...]:
    """Say for 0, 1, 2 ... failures how long a run rules the limit out in spite of them.

    Parameters
    ----------
    limit : float
        Failure rate per cycle to rule out; above 0, below 1.
    confidence : float
        Confidence required; above 0, below 1.
    most : int
        Most failures to price, from 0 to 1,000.
    cycle_seconds : float
        Cycle time in seconds, above 0.
    shift_hours : float
        Length of a shift in hours; it must hold at least one cycle.

    Returns
    -------
    tuple of FailurePrice
        One line for each number of failures from 0 to `most`. Each line is a plan of its own,
        to be chosen before the run: who starts with the first and moves on to the next whenever
        a failure comes is wrong more often than 1 - confidence. A sequential plan sells failures
        one at a time.

    Raises
    ------
    InvalidValueError
        If an argument lies outside its range.

    References
    ----------
    As `cycles_for_allowed`.

    Examples
    --------
    >>> from trialog.reliability import price_of_failures
    >>> lines = price_of_failures(0.001, 0.95, 2, cycle_seconds=30)
    >>> [(line.cycles, line.extra_cycles, line.shifts) for line in lines]
    [(2995, 0, 4), (4742, 1747, 5), (6294, 1552, 7)]
    """
    most = _checks.whole("most", most, 0, MOST_PRICED, "the most that are priced")
    cycles = [cycles_for_allowed(limit, confidence, allowed) for allowed in range(most + 1)]
    shifts = [shifts_needed(each, cycle_seconds, shift_hours) for each in cycles]
    return tuple(
        FailurePrice(
            failures=allowed,
            cycles=cycles[allowed],
            extra_cycles=cycles[allowed] - cycles[max(allowed - 1, 0)],
            shifts=shifts[allowed],
            extra_shifts=shifts[allowed] - shifts[max(allowed - 1, 0)],
        )
        for allowed in range(most + 1)
    )
