"""A plan of a fixed number of cycles: when it says GO, and how long it takes."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal, overload

import numpy as np
import numpy.typing as npt

from trialog.errors import InvalidValueError
from trialog.reliability import _checks, _tails
from trialog.reliability._tails import Floats
from trialog.reliability.bounds import failure_rate_bounds

Decision = Literal["GO", "KEEP RUNNING", "NO-GO"]
"""What a plan says of the counts so far."""

Rates = Sequence[float] | npt.NDArray[np.floating[Any]]

ANY_CYCLES = 2**53 - 1
"""Stands for "any number of cycles": the largest whole number that JSON readers keep exactly."""


@dataclass(frozen=True)
class FixedPlan:
    """Run a fixed number of cycles; GO if no more than the allowed failures came.

    Peek-proof: NO-GO needs more than the allowed failures and GO needs the full number of
    cycles, and failures never become fewer. Looking again, or running on, can only turn a GO
    into a NO-GO. So however often somebody looks, the chance of ever seeing GO at a rate is at
    most `pass_chance` of that rate.

    Parameters
    ----------
    cycles : int
        Cycles to run, at least 1.
    allowed_failures : int
        Most failures for GO; at least 0 and below cycles.
    limit : float
        Failure rate per cycle that a GO rules out; above 0, below 1.
    design : float or None
        Failure rate per cycle of a device that should pass; above 0, below limit.
    confidence : float
        Confidence of a GO: `pass_chance(limit)` is at most 1 - confidence.
    good_pass : float or None
        Chance of GO that a device at the design rate has at least; None without a design rate.

    Raises
    ------
    InvalidValueError
        If a number lies outside its range. That the two risks hold is the business of
        `zero_failure_plan` and `fixed_plan`, which make plans; it is not checked again here.
    """

    cycles: int
    allowed_failures: int
    limit: float
    design: float | None
    confidence: float
    good_pass: float | None

    def __post_init__(self) -> None:
        cycles = _checks.whole("cycles", self.cycles, 1)
        _checks.whole("allowed_failures", self.allowed_failures, 0, cycles - 1, "cycles - 1")
        limit = _checks.inside("limit", self.limit)
        _checks.inside("confidence", self.confidence)
        if self.design is not None:
            _checks.inside("design", self.design, limit, "limit")
        if self.good_pass is not None:
            _checks.chance("good_pass", self.good_pass)

    def decide(self, failures: int, cycles: int) -> Decision:
        """Say what the plan says of so many failures in so many cycles (0 <= failures <= cycles).

        NO-GO as soon as there are more failures than allowed, at any number of cycles; else GO
        once the plan's cycles are run.
        """
        cycles = _checks.whole("cycles", cycles, 0)
        failures = _checks.whole("failures", failures, 0, cycles, "cycles")
        if failures > self.allowed_failures:
            return "NO-GO"
        return "GO" if cycles >= self.cycles else "KEEP RUNNING"

    def go_line(self, failures: int) -> int | None:
        """Give the fewest cycles for GO with that many failures (at least 0); None if never."""
        allowed = _checks.whole("failures", failures, 0) <= self.allowed_failures
        return self.cycles if allowed else None

    def no_go_line(self, failures: int) -> int | None:
        """Give the cycles at or below which that many failures (at least 0) are NO-GO.

        None if never. A failure too many is NO-GO at any number of cycles, which is returned
        as ANY_CYCLES.
        """
        allowed = _checks.whole("failures", failures, 0) <= self.allowed_failures
        return None if allowed else ANY_CYCLES

    @property
    def first_go_cycles(self) -> int:
        """Fewest cycles for GO: all of them, however few failures there are."""
        return self.cycles

    @property
    def cycles_per_failure(self) -> float:
        """Cycles that one more failure costs: none, as long as it is allowed."""
        return 0.0

    @property
    def max_cycles(self) -> int:
        """Cycles at which the plan ends."""
        return self.cycles

    @property
    def max_failures(self) -> int:
        """Most failures with which GO is possible."""
        return self.allowed_failures

    @overload
    def pass_chance(self, rate: float) -> float: ...
    @overload
    def pass_chance(self, rate: Rates) -> Floats: ...
    def pass_chance(self, rate: float | Rates) -> float | Floats:
        """Give the chance of GO at a failure rate per cycle from 0 to 1, or at many.

        P(K <= allowed_failures) for K binomial(cycles, rate): the operating characteristic
        (NIST/SEMATECH e-Handbook, section 6.2.3.2).
        """
        rates = _checks.chances("rate", rate)
        allowed = self.allowed_failures
        found = _tails.beta_above(allowed + 1.0, float(self.cycles - allowed), rates)
        return found if rates.ndim else float(found)

    @overload
    def expected_cycles(self, rate: float) -> float: ...
    @overload
    def expected_cycles(self, rate: Rates) -> Floats: ...
    def expected_cycles(self, rate: float | Rates) -> float | Floats:
        """Give the mean number of cycles until the decision, at a rate from 0 to 1, or many.

        The trial stops at the first failure beyond the allowed ones or at the end. With r that
        failure's number, T its cycle (negative binomial) and n the plan's cycles,
        t P(T_r = t) = (r / p) P(T_{r+1} = t + 1), so that
        E min(T, n) = n P(K_n < r) + (r / p) P(K_{n+1} > r). At rate 0 it is n.
        Derived from Johnson, Kemp and Kotz, Univariate Discrete Distributions, chapter 5.
        """
        rates = _checks.chances("rate", rate)
        last = self.allowed_failures + 1
        beyond = _tails.beta_below(last + 1.0, self.cycles + 1.0 - last, rates)
        stopped = last * beyond / np.where(rates > 0, rates, 1.0)
        found = np.asarray(self.cycles * self.pass_chance(rates) + stopped)
        return found if rates.ndim else float(found)

    def cycles_quantile(self, rate: float, q: float) -> int:
        """Give the cycles within which a share q of trials is decided, at a rate from 0 to 1.

        The smallest t with P(min(T, n) <= t) >= q, for q above 0 and below 1; T and n as in
        `expected_cycles`.
        """
        rate, q = _checks.chance("rate", rate), _checks.inside("q", q)
        last = self.allowed_failures + 1
        spans = range(last, self.cycles)
        return last + bisect_left(
            spans, True, key=lambda cycles: _tails.at_least(last, cycles, rate) >= q
        )

    def bound_after_stop(self, failures: int, cycles: int, confidence: float) -> float:
        """Bound the failure rate from above, given where the plan stopped.

        At the plan's end it is the exact bound of `failure_rate_bounds`. After the failure too
        many at cycle n it is the one for the allowed failures in n - 1 cycles: an earlier end
        is worse, and the plan had not ended before with the chance of that or fewer failures.
        `confidence` is above 0 and below 1. The bound is below the true rate with at most the
        chance 1 - confidence.

        Raises
        ------
        InvalidValueError
            If the plan does not stop at these counts.

        References
        ----------
        As `SequentialPlan.bound_after_stop`; binomial and negative binomial sampling.
        """
        decision = self.decide(failures, cycles)
        if decision == "GO" and cycles == self.cycles:
            return failure_rate_bounds(failures, cycles, confidence=confidence).upper
        if decision == "NO-GO" and failures == self.allowed_failures + 1 and cycles <= self.cycles:
            return failure_rate_bounds(failures - 1, cycles - 1, confidence=confidence).upper
        rule = f"be where the plan stops for failures = {failures:,}"
        raise InvalidValueError("cycles", rule, cycles)
