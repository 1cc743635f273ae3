"""A sequential plan: it stops as soon as the counts cross one of two sloping lines."""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import overload

import numpy as np
from scipy import optimize

from trialog.errors import InvalidValueError
from trialog.reliability import _checks, _exact
from trialog.reliability._lattice import Lattice
from trialog.reliability._tails import Floats
from trialog.reliability.fixed import ANY_CYCLES, Decision, Rates

LEAST_RATE = 1e-300
"""Where the search for a bound begins; no count can tell such a rate from 0."""


@dataclass(frozen=True)
class SequentialPlan:
    """Run until the counts cross the GO line or the NO-GO line, or the plan ends.

    With k failures it is GO from ceil(go_start + k cycles_per_failure) cycles on, never later
    than max_cycles, and NO-GO up to floor(k cycles_per_failure - no_go_start) cycles; more than
    max_failures are NO-GO at any number of cycles. Wald's truncated plan; every chance that it
    states is exact for its own lines.

    Peek-proof when the first line that is crossed decides: looking after every cycle is what
    the chances are worked out for. `first_decision` finds that line; the counts of a trial that
    ran on after it may cross another one.

    Parameters
    ----------
    go_start : float
        Cycles at which the GO line starts; above 0.
    no_go_start : float
        Cycles by which the NO-GO line lies below k cycles_per_failure.
    cycles_per_failure : float
        Cycles that one more failure costs; above 0.
    max_cycles : int
        Cycles at which the plan ends, at least `go_start` rounded up.
    max_failures : int
        Most failures with which GO is possible; at least 0 and below max_cycles.
    limit, design : float
        Failure rates per cycle, 0 < design < limit < 1: the plan shall reject the one and
        accept the other.
    confidence, good_pass : float
        The risks that the plan was made for, above 0 and below 1: P(GO at limit) is at most
        1 - confidence and P(GO at design) at least good_pass.

    Raises
    ------
    InvalidValueError
        If a number lies outside its range. That the two risks hold is the business of
        `sequential_plan`; it is not checked again here.
    """

    go_start: float
    no_go_start: float
    cycles_per_failure: float
    max_cycles: int
    max_failures: int
    limit: float
    design: float
    confidence: float
    good_pass: float

    def __post_init__(self) -> None:
        first = math.ceil(_checks.positive("go_start", self.go_start))
        _checks.positive("cycles_per_failure", self.cycles_per_failure)
        _checks.real("no_go_start", self.no_go_start, "be a number")
        _checks.whole("max_cycles", self.max_cycles, first, ANY_CYCLES, "any number of cycles")
        _checks.whole("max_failures", self.max_failures, 0, self.max_cycles - 1, "max_cycles - 1")
        _checks.inside("design", self.design, _checks.inside("limit", self.limit), "limit")
        _checks.inside("confidence", self.confidence)
        _checks.inside("good_pass", self.good_pass)

    @property
    def first_go_cycles(self) -> int:
        """Fewest cycles for GO, which only a clean run reaches."""
        return self._go[0]

    def decide(self, failures: int, cycles: int) -> Decision:
        """Say on which side of the lines the counts lie (0 <= failures <= cycles).

        For a trial that ran on after a line was crossed, see `first_decision`.
        """
        cycles = _checks.whole("cycles", cycles, 0)
        failures = _checks.whole("failures", failures, 0, cycles, "cycles")
        if failures > self.max_failures or cycles <= self._no_go[failures]:
            return "NO-GO"
        return "GO" if cycles >= self._go[failures] else "KEEP RUNNING"

    def go_line(self, failures: int) -> int | None:
        """Give the fewest cycles for GO with that many failures (at least 0); None if never."""
        failures = _checks.whole("failures", failures, 0)
        return None if failures > self.max_failures else self._go[failures]

    def no_go_line(self, failures: int) -> int | None:
        """Give the cycles at or below which that many failures (at least 0) are NO-GO.

        None if never; ANY_CYCLES where there are too many failures for any number of cycles.
        """
        failures = _checks.whole("failures", failures, 0)
        if failures > self.max_failures:
            return ANY_CYCLES
        line = self._no_go[failures]
        return line if line >= max(failures, 1) else None

    @overload
    def pass_chance(self, rate: float) -> float: ...
    @overload
    def pass_chance(self, rate: Rates) -> Floats: ...
    def pass_chance(self, rate: float | Rates) -> float | Floats:
        """Give the chance of GO at a failure rate per cycle from 0 to 1, or at many."""
        return self._at(rate, lambda rates: self._lattice.go_chances(rates).sum(axis=1))

    @overload
    def expected_cycles(self, rate: float) -> float: ...
    @overload
    def expected_cycles(self, rate: Rates) -> Floats: ...
    def expected_cycles(self, rate: float | Rates) -> float | Floats:
        """Give the mean number of cycles until the decision, at a rate from 0 to 1, or many."""
        return self._at(rate, self._lattice.mean_cycles)

    def cycles_quantile(self, rate: float, q: float) -> int:
        """Give the cycles within which a share q of trials is decided, at a rate from 0 to 1.

        The smallest number of cycles by which GO or NO-GO has come with a chance of at least q,
        for q above 0 and below 1.
        """
        rate, q = _checks.chance("rate", rate), _checks.inside("q", q)
        spans = range(1, self._go[-1])
        return 1 + bisect_left(
            spans, True, key=lambda cycles: sum(self._lattice.stopped_within(cycles, rate)) >= q
        )

    def bound_after_stop(self, failures: int, cycles: int, confidence: float) -> float:
        """Bound the failure rate from above, given where the plan stopped.

        Outcomes are ordered along the lines: GO with fewer failures before GO with more, then
        NO-GO, a later one before an earlier one. The bound is the rate at which an outcome as
        good as this one, or better, still has the chance 1 - confidence (above 0, below 1), so
        it is below the true rate with at most that chance: exact for this plan, where the
        fixed-sample bound is not. 1.0 for the worst outcome of all.

        Raises
        ------
        InvalidValueError
            If the plan does not stop at these counts.

        References
        ----------
        Armitage (1958), Biometrika 45:1-15 (order along the boundary), from memory.
        """
        error = _exact.complement(_checks.inside("confidence", confidence))
        self._check_stop(failures, cycles)

        def miss(log_rate: float) -> float:
            return self._as_good(failures, cycles, math.exp(log_rate)) - error

        top = -1e-12
        if miss(top) >= 0:
            return 1.0
        return math.exp(optimize.brentq(miss, math.log(LEAST_RATE), top, xtol=1e-14, rtol=1e-14))

    @cached_property
    def _go(self) -> tuple[int, ...]:
        """The GO line by failures, 0 … max_failures."""
        lines = np.ceil(self.go_start + self.cycles_per_failure * np.arange(self.max_failures + 1))
        return tuple(np.minimum(lines, self.max_cycles).astype(np.int64).tolist())

    @cached_property
    def _no_go(self) -> tuple[int, ...]:
        """The NO-GO line by failures, 0 … max_failures + 1; with none it is out of reach."""
        lines = np.floor(
            self.cycles_per_failure * np.arange(1, self.max_failures + 1) - self.no_go_start
        )
        within = np.clip(lines, 0, self.max_cycles).astype(np.int64).tolist()
        return (-1, *within, self._go[-1])

    @cached_property
    def _lattice(self) -> Lattice:
        return Lattice(self._go, self._no_go)

    def _at(self, rate: float | Rates, figure: Callable[[Floats], Floats]) -> float | Floats:
        rates = _checks.chances("rate", rate)
        found = figure(rates.ravel()).reshape(rates.shape)
        return found if rates.ndim else float(found)

    def _as_good(self, failures: int, cycles: int, rate: float) -> float:
        """Return the chance of an outcome as good as this one, or better."""
        if self.decide(failures, cycles) == "GO":
            return float(self._lattice.go_chances(np.array([rate]))[0, : failures + 1].sum())
        return 1 - self._lattice.stopped_within(cycles - 1, rate)[1]

    def _check_stop(self, failures: int, cycles: int) -> None:
        """Refuse counts at which the plan goes on, or before which it had stopped."""
        stops = self.decide(failures, cycles) != "KEEP RUNNING"
        before = [(failures, cycles - 1), (failures - 1, cycles - 1)]
        if not stops or "KEEP RUNNING" not in [self.decide(k, n) for k, n in before if 0 <= k <= n]:
            rule = f"be where the plan stops for failures = {failures:,}"
            raise InvalidValueError("cycles", rule, cycles)
