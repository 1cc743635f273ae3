"""Exact chances of a plan with sloping lines, worked out from line to line.

A trial is a path on the lattice of (cycles, failures). With k failures it is GO on reaching
`go[k]` cycles, and reaching k failures within `no_go[k]` cycles is NO-GO. Between two cycle
numbers at which any line matters nothing can happen but failures, which are binomial, so the
recursion jumps from one such number to the next: its cost grows with the number of failures that
the plan allows and not with the number of cycles.

Arrays have the rates first: shape (r, ...).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import special

from trialog.reliability import _tails
from trialog.reliability._tails import Floats


@dataclass(frozen=True)
class Leg:
    """A stretch of cycles without a line: from `begin` (excluded) to `end` (included).

    Paths alive at its begin have `low` to `barrier` - 1 failures. Reaching `barrier` failures
    inside is NO-GO; those with fewer than `keeps` failures at its end are GO.
    """

    begin: int
    end: int
    low: int
    barrier: int
    keeps: int

    @property
    def cycles(self) -> int:
        return self.end - self.begin

    @property
    def width(self) -> int:
        """Numbers of failures that a living path can have."""
        return self.barrier - self.low

    @property
    def size(self) -> tuple[int, int]:
        """What the leg's chances depend on besides the rate; most legs of a plan share it."""
        return self.cycles, self.width


def legs_between(go: Sequence[int], no_go: Sequence[int]) -> Iterator[Leg]:
    """Cut a plan into legs.

    `go[k]`, k = 0 … m, does not fall with k and is at least 1; `no_go[k]`, k = 0 … m + 1, does
    not fall either, and the last one is at least `go[m]`, so that m + 1 failures are always
    NO-GO.
    """
    begin, low, barrier = 0, 0, 0
    while low < len(go):
        while no_go[barrier] <= begin:
            barrier += 1
        end = min(go[low], no_go[barrier])
        keeps = low
        while keeps < len(go) and go[keeps] <= end:
            keeps += 1
        yield Leg(begin, end, low, barrier, keeps)
        begin, low = end, keeps
        if low >= barrier:
            return


@dataclass(frozen=True)
class Lattice:
    """The lines of a plan, ready to be walked; see the module and `legs_between`."""

    go: tuple[int, ...]
    no_go: tuple[int, ...]

    @cached_property
    def legs(self) -> tuple[Leg, ...]:
        return tuple(legs_between(self.go, self.no_go))

    def go_chances(self, rates: Floats) -> Floats:
        """Return the chances of GO by number of failures, at each rate from 0 to 1.

        Shape (r, m + 1) for rates of shape (r,).
        """
        go = np.zeros((rates.size, len(self.go)))
        for leg, _, alive in self._states(rates):
            leaving = min(leg.keeps, leg.barrier)
            go[:, leg.low : leaving] = alive[:, : leaving - leg.low]
        return go

    def mean_cycles(self, rates: Floats) -> Floats:
        """Return the mean number of cycles until GO or NO-GO, at each rate from 0 to 1."""
        cycles = np.zeros(rates.size)
        means: dict[tuple[int, int], Floats] = {}
        for leg, alive, _ in self._states(rates):
            if leg.size not in means:
                means[leg.size] = _mean_cycles(leg, rates)
            cycles += (alive * means[leg.size]).sum(axis=1)
        return cycles

    def stopped_within(self, cycles: int, rate: float) -> tuple[float, float]:
        """Give the chances that GO, and that NO-GO, came within a number of cycles."""
        go = no_go = 0.0
        for leg, alive, after in self._states(np.array([rate])):
            if cycles < leg.end:
                no_go += float((alive * _crossing(leg, cycles - leg.begin, rate)).sum())
                break
            go += float(after[0, : leg.keeps - leg.low].sum())
            no_go += float(alive.sum() - after.sum())
            if cycles == leg.end:
                break
        return go, no_go

    def _states(self, rates: Floats) -> Iterator[tuple[Leg, Floats, Floats]]:
        """Yield each leg with the chances of its paths' failures at its begin and its end.

        Both have shape (r, width), for `low` to `barrier` - 1 failures; those at the end have
        not reached the barrier but may be GO.
        """
        steps: dict[tuple[int, int], Floats] = {}
        alive = np.ones((rates.size, 1))
        for leg in self.legs:
            if leg.size not in steps:
                steps[leg.size] = _step(leg, rates)
            begin = np.zeros((rates.size, leg.width))
            begin[:, : alive.shape[1]] = alive
            end = np.matmul(begin[:, None, :], steps[leg.size])[:, 0, :]
            yield leg, begin, end
            alive = end[:, leg.keeps - leg.low :]


def _step(leg: Leg, rates: Floats) -> Floats:
    """Return the chances of moving from one number of failures to another, (r, width, width)."""
    chances = _failures(leg.cycles, leg.width, rates)
    more = np.arange(leg.width) - np.arange(leg.width)[:, None]
    return np.where(more >= 0, chances[:, np.maximum(more, 0)], 0.0)


def _failures(cycles: int, width: int, rates: Floats) -> Floats:
    """Return P(K = j) for K binomial(cycles, rate), j = 0 … width - 1, shape (r, width).

    The coefficients are multiplied up, in logarithms: differences of log-gammas would lose
    digits with the size of `cycles`.
    """
    some = np.arange(min(width, cycles + 1))
    ways = np.concatenate([[0.0], np.log((cycles - some[1:] + 1) / some[1:]).cumsum()])
    rate = rates[:, None]
    logs = ways + special.xlogy(some, rate) + special.xlog1py(cycles - some, -rate)
    chances = np.zeros((rates.size, width))
    chances[:, : some.size] = np.exp(logs)
    return chances


def _mean_cycles(leg: Leg, rates: Floats) -> Floats:
    """Return the mean cycles that a path spends in the leg, by its failures at the begin.

    E min(T, g) for T the cycle of the failure that reaches the barrier, as in
    `FixedPlan.expected_cycles`. Shape (r, width).
    """
    needed = np.arange(leg.width, 0, -1)
    rate = rates[:, None]
    fewer = _failures(leg.cycles, leg.width, rates).cumsum(axis=1)[:, needed - 1]
    more = np.zeros(fewer.shape)
    reach = needed <= leg.cycles
    failures = needed[reach].astype(np.float64)
    # The chance of more failures is far too small here to be had as a difference from 1.
    more[:, reach] = _tails.beta_below(failures + 1, leg.cycles + 1 - failures, rate)
    return np.asarray(leg.cycles * fewer + more * needed / np.where(rate > 0, rate, 1.0))


def _crossing(leg: Leg, cycles: int, rate: float) -> Floats:
    """Return the chance of reaching the barrier within so many cycles of the leg, by failures."""
    needed = np.arange(leg.width, 0, -1)
    reach = needed <= cycles
    chances = np.zeros(leg.width)
    failures = needed[reach].astype(np.float64)
    chances[reach] = _tails.beta_below(failures, cycles - failures + 1, rate)
    return chances
