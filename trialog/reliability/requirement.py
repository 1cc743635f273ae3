"""What "ready" means, and the failure rate that it allows."""

from __future__ import annotations

import math
from dataclasses import dataclass

from trialog.errors import InvalidValueError
from trialog.reliability import _checks, _exact

SHIFT_HOURS = 8.0
"""The length of a shift in estimates; common practice, no source."""


def stretch_cycles(hours: float, cycle_seconds: float) -> int:
    """Count the whole cycles in an unattended stretch: floor(3600 hours / cycle_seconds).

    Parameters
    ----------
    hours : float
        Length of the stretch in hours, above 0.
    cycle_seconds : float
        Cycle time in seconds, above 0.

    Returns
    -------
    int
        Cycles that end within the stretch; 0 if it is shorter than one cycle. Both numbers
        are read as what was typed, so that 8 h at 0.1 s is 288,000 cycles and a third of an
        hour at 30 s is 40.

    Raises
    ------
    InvalidValueError
        If a number is not above 0.

    References
    ----------
    Definition; the last cycle must end inside the stretch.

    Examples
    --------
    >>> from trialog.reliability import stretch_cycles
    >>> stretch_cycles(8, 30), stretch_cycles(8, 0.1), stretch_cycles(20 / 60, 30)
    (960, 288000, 40)
    """
    length = _exact.fraction_of(_checks.positive("hours", hours))
    cycle = _exact.fraction_of(_checks.positive("cycle_seconds", cycle_seconds))
    return math.floor(3600 * length / cycle)


def shifts_needed(cycles: int, cycle_seconds: float, shift_hours: float = SHIFT_HOURS) -> int:
    """Count the full shifts that a number of cycles takes: ceil(cycles / cycles in a shift).

    Parameters
    ----------
    cycles : int
        Cycles to run, at least 0.
    cycle_seconds : float
        Cycle time in seconds, above 0.
    shift_hours : float
        Length of a shift in hours; it must hold at least one cycle.

    Returns
    -------
    int
        Shifts, the last of which need not be full.

    Raises
    ------
    InvalidValueError
        If a number lies outside its range.

    References
    ----------
    Definition; see `stretch_cycles` for the cycles in a shift.

    Examples
    --------
    >>> from trialog.reliability import shifts_needed
    >>> shifts_needed(27296, 30), shifts_needed(960, 30), shifts_needed(0, 30)
    (29, 1, 0)
    """
    cycles = _checks.whole("cycles", cycles, 0)
    return -(-cycles // cycles_in_shift(cycle_seconds, shift_hours))


def cycles_in_shift(cycle_seconds: float, shift_hours: float) -> int:
    """Count the whole cycles of one shift, which must hold at least one."""
    in_shift = stretch_cycles(_checks.positive("shift_hours", shift_hours), cycle_seconds)
    if in_shift < 1:
        rule = f"hold at least one cycle of {cycle_seconds} s"
        raise InvalidValueError("shift_hours", rule, shift_hours)
    return in_shift


def failure_limit(cycles: int, chance: float, share: float = 1.0) -> float:
    """Give the largest failure rate that still meets the requirement: 1 - chance^(share/cycles).

    Parameters
    ----------
    cycles : int
        Cycles of the stretch, at least 1.
    chance : float
        Chance of a stop-free stretch that is required; above 0, below 1.
    share : float
        This device's share of the cell's allowance for stops; above 0, at most 1.

    Returns
    -------
    float
        Failures per cycle, rounded down, so that `stop_free_cycles(limit, chance, share)` is
        exactly `cycles`.

    Raises
    ------
    InvalidValueError
        If an argument lies outside its range.

    References
    ----------
    Series system of independent cycles and devices: R^w = (1 - p)^N, solved for p.
    NIST/SEMATECH e-Handbook, section 8.1.8.1 (series model).

    Examples
    --------
    >>> from trialog.reliability import failure_limit
    >>> failure_limit(960, 0.9)
    0.00010974451477368887
    """
    return _exact.largest_rate(
        _checks.whole("cycles", cycles, 1),
        _checks.inside("chance", chance),
        _checks.part("share", share),
    )


def stop_free_cycles(rate: float, chance: float, share: float = 1.0) -> int | None:
    """Give the longest stretch that a failure rate allows: the largest N with
    (1 - rate)^N >= chance^share.

    Parameters
    ----------
    rate : float
        Failures per cycle, from 0 to 1; an upper bound on it gives the stretch that is proven.
    chance : float
        Chance of a stop-free stretch that is required; above 0, below 1.
    share : float
        This device's share of the cell's allowance for stops; above 0, at most 1.

    Returns
    -------
    int or None
        Cycles; 0 where not even one cycle is good enough, None (no limit) at rate 0. The
        numbers are compared as typed, in decimals, so N holds the inequality and N + 1 does
        not. N is at least `cycles` if and only if the rate is at most
        `failure_limit(cycles, chance, share)`.

    Raises
    ------
    InvalidValueError
        If an argument lies outside its range.

    References
    ----------
    The inverse of `failure_limit`; same source.

    Examples
    --------
    >>> from trialog.reliability import stop_free_cycles
    >>> stop_free_cycles(0.1, 0.81), stop_free_cycles(0.3, 0.49), stop_free_cycles(0.0, 0.9)
    (2, 2, None)
    """
    rate = _checks.chance("rate", rate)
    chance, share = _checks.inside("chance", chance), _checks.part("share", share)
    return None if rate == 0 else _exact.most_cycles(rate, chance, share)


def stop_free_chance(rate: float, cycles: int) -> float:
    """Give the chance (1 - rate)^cycles of a stretch without a failure.

    Parameters
    ----------
    rate : float
        Failures per cycle, from 0 to 1.
    cycles : int
        Cycles of the stretch, at least 0.

    Returns
    -------
    float
        A chance from 0 to 1; 1.0 for a stretch of 0 cycles, whatever the rate.

    Raises
    ------
    InvalidValueError
        If an argument lies outside its range.

    References
    ----------
    Independent cycles; same source as `failure_limit`.

    Examples
    --------
    >>> from trialog.reliability import stop_free_chance
    >>> round(stop_free_chance(0.00156, 960), 3)
    0.223
    """
    rate, cycles = _checks.chance("rate", rate), _checks.whole("cycles", cycles, 0)
    if rate == 1:
        return 0.0 if cycles else 1.0
    return math.exp(cycles * math.log1p(-rate))


@dataclass(frozen=True)
class Requirement:
    """What "ready" means for a cell or device.

    Parameters
    ----------
    stretch_hours : float
        How long the cell must run alone, in hours; at least one cycle.
    cycle_seconds : float
        Planned cycle time in seconds, above 0.
    chance : float
        Chance of getting through the stretch without a stop; above 0, below 1.
    confidence : float
        Confidence with which that must be shown; above 0, below 1.
    design_rate : float
        Failures per cycle of a good subject of the trial; above 0, below 1. A plan checks it
        against the limit.

    Raises
    ------
    InvalidValueError
        If a number lies outside its range or the stretch is shorter than one cycle.

    Examples
    --------
    >>> from trialog.reliability import Requirement
    >>> ready = Requirement(8, 30, chance=0.9, confidence=0.95, design_rate=1e-5)
    >>> ready.stretch_cycles, round(ready.cell_limit, 8)
    (960, 0.00010974)
    >>> ready.proven_stretch_seconds(0.00156)
    2010.0
    """

    stretch_hours: float
    cycle_seconds: float
    chance: float
    confidence: float
    design_rate: float

    def __post_init__(self) -> None:
        _checks.positive("stretch_hours", self.stretch_hours)
        _checks.positive("cycle_seconds", self.cycle_seconds)
        _checks.inside("chance", self.chance)
        _checks.inside("confidence", self.confidence)
        _checks.inside("design_rate", self.design_rate)
        if self.stretch_cycles < 1:
            rule = f"hold at least one cycle of {self.cycle_seconds} s"
            raise InvalidValueError("stretch_hours", rule, self.stretch_hours)

    @property
    def stretch_cycles(self) -> int:
        """Whole cycles in the stretch; see the function of the same name."""
        return stretch_cycles(self.stretch_hours, self.cycle_seconds)

    @property
    def cell_limit(self) -> float:
        """Largest failure rate per cycle that the whole cell may have."""
        return self.limit()

    def limit(self, share: float = 1.0) -> float:
        """Give the largest failure rate per cycle for a device with this share (0 < share <= 1)."""
        return failure_limit(self.stretch_cycles, self.chance, share)

    def design(self, share: float = 1.0) -> float:
        """Give the design rate for a device with this share: 1 - (1 - design_rate)^share.

        Shared as the limit is, so that devices at their design rates make a cell at its own.
        """
        return -math.expm1(_checks.part("share", share) * math.log1p(-self.design_rate))

    def proven_stretch_seconds(self, upper: float, share: float = 1.0) -> float | None:
        """Give the longest stretch, in seconds, that an upper bound on the rate proves.

        `upper` lies from 0 to 1, `share` is above 0 and at most 1. None means no limit, which
        only a bound of 0 gives. See `stop_free_cycles`. Where the cycles of the required stretch
        are proven, so is that stretch, with the part of a cycle that it may have over.
        """
        cycles = stop_free_cycles(upper, self.chance, share)
        if cycles is None:
            return None
        seconds = float(cycles * _exact.fraction_of(self.cycle_seconds))
        if cycles < self.stretch_cycles:
            return seconds
        return max(seconds, float(3600 * _exact.fraction_of(self.stretch_hours)))
