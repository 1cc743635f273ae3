"""A plan of a fixed number of cycles: when it says GO, and how long it takes."""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass
from typing import Literal

from trialog.reliability import _checks, _tails

Decision = Literal["GO", "KEEP RUNNING", "NO-GO"]
"""What a plan says of the counts so far."""

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

    def pass_chance(self, rate: float) -> float:
        """Give the chance of GO at a failure rate per cycle from 0 to 1.

        P(K <= allowed_failures) for K binomial(cycles, rate): the operating characteristic
        (NIST/SEMATECH e-Handbook, section 6.2.3.2).
        """
        return _tails.at_most(self.allowed_failures, self.cycles, _checks.chance("rate", rate))

    def expected_cycles(self, rate: float) -> float:
        """Give the mean number of cycles until the decision, at a failure rate from 0 to 1.

        The trial stops at the first failure beyond the allowed ones or at the end. With r that
        failure's number, T its cycle (negative binomial) and n the plan's cycles,
        t P(T_r = t) = (r / p) P(T_{r+1} = t + 1), so that
        E min(T, n) = n P(K_n < r) + (r / p) P(K_{n+1} > r). At rate 0 it is n.
        Derived from Johnson, Kemp and Kotz, Univariate Discrete Distributions, chapter 5.
        """
        rate = _checks.chance("rate", rate)
        if rate == 0:
            return float(self.cycles)
        last = self.allowed_failures + 1
        stopped = last / rate * _tails.at_least(last + 1, self.cycles + 1, rate)
        return self.cycles * self.pass_chance(rate) + stopped

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

    def in_words(self) -> str:
        """Say the plan in a phrase, such as "1,604 cycles with at most 2 failures"."""
        if self.allowed_failures == 0:
            return f"{_counted(self.cycles, 'clean cycle')}; one failure ends the plan"
        failures = _counted(self.allowed_failures, "failure")
        return f"{_counted(self.cycles, 'cycle')} with at most {failures}"


def _counted(number: int, noun: str) -> str:
    return f"{number:,} {noun}" if number == 1 else f"{number:,} {noun}s"
