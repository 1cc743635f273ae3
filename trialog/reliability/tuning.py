"""How a sequential plan is made: Wald's lines, shifted until the exact risks hold."""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache

from scipy import optimize

from trialog.errors import InvalidValueError
from trialog.reliability import _checks, _exact, _tails
from trialog.reliability.fixed import FixedPlan
from trialog.reliability.plans import cycles_for_allowed, fixed_plan, zero_failure_cycles
from trialog.reliability.sequential import SequentialPlan
from trialog.reliability.wald import WaldLines, wald_lines

LONGEST = 3
"""Default end of a plan, in lengths of the fixed-size plan. On the way there the mean number of
cycles comes within a few percent of a plan without end."""

WHOLE_FROM = 100
"""Cycles per failure from which on they are rounded, so that the plan can be said in whole
numbers; it moves the slope by half a percent at most."""

MOST_ALLOWED = 1_000
"""Failures that the fixed-size plan may allow. A sequential plan runs to three times as many, and
beyond this it takes seconds to make and no shop would run it."""

FINENESS = 1_000
"""Steps in which the NO-GO line is shifted, for the cycles of one failure."""

LEAST_CHANCE = 1e-300
"""Stands for a chance that was rounded to 0, where its logarithm is taken."""


def sequential_plan(
    limit: float,
    design: float,
    *,
    confidence: float,
    good_pass: float,
    max_cycles: int | None = None,
) -> SequentialPlan:
    """Make a sequential plan whose exact risks hold.

    Parameters
    ----------
    limit : float
        Failure rate per cycle to rule out; above 0, below 1.
    design : float
        Failure rate per cycle of a device that should pass; above 0, below limit.
    confidence : float
        P(GO at limit) is at most 1 - confidence; above 0, below 1.
    good_pass : float
        P(GO at design) is at least this; above 1 - confidence, below 1.
    max_cycles : int, optional
        Most cycles until the plan ends, at least those of the fixed-size plan for the same
        risks. Three times as many are never exceeded.

    Returns
    -------
    SequentialPlan
        The lines have Wald's slope, rounded to whole cycles per failure from 100 on. They are
        as close to each other as the two exact risks allow: the NO-GO line first as near as
        the good device bears, and for it the earliest GO line that the limit bears. Where a
        plan without any failure already passes the good device often enough, it is that plan.

    Raises
    ------
    InvalidValueError
        If an argument lies outside its range, `max_cycles` leaves no plan that holds both risks,
        or design is so near to limit that the fixed-size plan allows more than 1,000 failures.

    Notes
    -----
    The mean number of cycles at the design rate and at the limit is within 8 % of Wald's
    figures, which leave out what a path runs past a line, for limits up to 0.01, risks from 5
    to 20 % and limit / design up to 7, and up to 10 at confidence 0.95 and good_pass 0.9.
    Beyond that too few failures decide for any plan to come near those figures.

    References
    ----------
    Wald (1947), Sequential Analysis, chapter 5; the risks by the recursion of `_lattice`
    instead of Wald's inequalities. That no test with these risks needs fewer cycles on average
    at either rate, but for the truncation: Wald and Wolfowitz (1948), Annals of Mathematical
    Statistics 19:326-339.

    Examples
    --------
    >>> from trialog.reliability import sequential_plan
    >>> plan = sequential_plan(0.002, 0.0002, confidence=0.95, good_pass=0.9)
    >>> plan.go_line(0), plan.go_line(1) - plan.go_line(0)
    (1605, 1279)
    """
    lines = wald_lines(limit, design, confidence=confidence, good_pass=good_pass)
    shortest = fixed_plan(limit, design, confidence=confidence, good_pass=good_pass)
    if shortest.allowed_failures > MOST_ALLOWED:
        rule = f"lie further below limit ({limit}), or the plan would take thousands of failures"
        raise InvalidValueError("design", rule, design)
    step = 1 / lines.slope
    step = float(round(step)) if step >= WHOLE_FROM else step
    end, most = _end(shortest, design, good_pass, step, max_cycles)
    widest = SequentialPlan(
        go_start=end,
        no_go_start=step * (most + 1),
        cycles_per_failure=step,
        max_cycles=end,
        max_failures=most,
        limit=limit,
        design=design,
        confidence=confidence,
        good_pass=good_pass,
    )
    return _trimmed(_Tuner(widest, lines).tuned())


def _end(
    shortest: FixedPlan, design: float, good_pass: float, step: float, max_cycles: int | None
) -> tuple[int, int]:
    """Choose the cycles at which the plan ends and the most failures for GO there.

    They lie on the middle line, end / step failures, or as near to it as a run to the end alone
    holds both risks. Where no number of failures does, the end comes sooner.
    """
    end = LONGEST * shortest.cycles
    if max_cycles is not None:
        end = min(end, _checks.whole("max_cycles", max_cycles, 1))
        if end < shortest.cycles:
            rule = f"be at least the cycles of the fixed-size plan ({shortest.cycles})"
            raise InvalidValueError("max_cycles", rule, max_cycles)
    failures = range(end)
    risk = _exact.complement(shortest.confidence)
    most = bisect_right(failures, risk, key=lambda k: _tails.at_most(k, end, shortest.limit)) - 1
    least = bisect_left(failures, good_pass, key=lambda k: _tails.at_most(k, end, design))
    if least > most:
        return cycles_for_allowed(shortest.limit, shortest.confidence, most), most
    return end, min(max(math.ceil(end / step) - 1, least), most)


@dataclass(frozen=True)
class _Tuner:
    """Shifts the lines of a plan that holds both risks towards each other.

    Lines are shifted by whole units; a line begins at `unit` times its number.
    """

    widest: SequentialPlan
    lines: WaldLines

    def tuned(self) -> SequentialPlan:
        """Return the plan with the nearest NO-GO line that the design rate bears."""
        plan, step = self.widest, self.widest.cycles_per_failure
        unit = self._fine if self._fine < 1 else max(round(self._fine), 1)
        go_start = self.lines.go_intercept * step

        def shifted(number: int) -> SequentialPlan:
            nonlocal go_start
            tried = self._earliest(replace(plan, no_go_start=number * unit), go_start)
            go_start = tried.go_start
            return tried

        number = _least(
            math.floor((step - plan.max_cycles) / unit),
            math.ceil(plan.no_go_start / unit),
            lambda number: plan.good_pass - shifted(number).pass_chance(plan.design),
            around=round(self.lines.no_go_intercept * step / unit),
            reach=math.ceil(step / unit / 4),
        )
        return shifted(number)

    def _earliest(self, plan: SequentialPlan, around: float) -> SequentialPlan:
        """Return the plan with the earliest GO line that the limit bears."""
        unit = min(self._fine, 1)
        risk = _exact.complement(plan.confidence)

        def excess(number: int) -> float:
            start = min(number * unit, plan.max_cycles)
            chance = replace(plan, go_start=start).pass_chance(plan.limit)
            return math.log(max(chance, LEAST_CHANCE) / risk)

        number = _least(
            max(math.floor((zero_failure_cycles(plan.limit, plan.confidence) - 1) / unit), 1),
            math.ceil(plan.max_cycles / unit),
            excess,
            around=round(around / unit),
            reach=math.ceil(self._fine * 10 / unit),
        )
        return replace(plan, go_start=min(number * unit, plan.max_cycles))

    @property
    def _fine(self) -> float:
        """Cycles by which it is worth to shift a line; below 1 only for a step that is not
        whole, where a part of a cycle moves some of a line's corners and not others."""
        step = self.widest.cycles_per_failure
        return max(step / FINENESS, 1.0) if step == round(step) else step / FINENESS


def _least(low: int, high: int, excess: Callable[[int], float], *, around: int, reach: int) -> int:
    """Find the least number from low to high at which the falling `excess` is 0 or less.

    It is so at `high`, or taken to be. The search begins `around` a number and widens from
    `reach` on. Most of the way is interpolation; the last steps are counted, since a root of
    what changes in steps is only near.
    """
    known = cache(excess)
    left = right = min(max(around, low), high)
    while left > low and known(left) <= 0:
        left, reach = max(left - reach, low), 2 * reach
    while right < high and known(right) > 0:
        right, reach = min(right + reach, high), 2 * reach
    if known(left) <= 0 or known(right) > 0:
        return left if known(left) <= 0 else right
    near = round(optimize.brentq(lambda at: known(round(at)), left, right, xtol=0.5))
    least = max(near - 2, left)
    while known(least) > 0:
        least += 1
    return least


def _trimmed(plan: SequentialPlan) -> SequentialPlan:
    """Leave out the failures with which the lines do not let a trial come to GO."""
    most = max(
        failures
        for failures in range(plan.max_failures + 1)
        if (plan.no_go_line(failures) or 0) < (plan.go_line(failures) or 0)
    )
    return replace(plan, max_failures=most, max_cycles=plan.go_line(most) or plan.max_cycles)
