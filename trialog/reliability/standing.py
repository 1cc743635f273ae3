"""Where a trial stands under its plan, and the bound that may be shown of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from trialog.errors import InvalidValueError
from trialog.reliability import _checks
from trialog.reliability._positions import Positions, sorted_places
from trialog.reliability.bounds import failure_rate_bounds
from trialog.reliability.fixed import Decision
from trialog.reliability.path import Crossing, Plan, first_decision

BoundMethod = Literal["peek_safe", "after_stop"]


@dataclass(frozen=True)
class Standing:
    """What a plan says of a trial, and an upper bound on the failure rate per cycle.

    `worst` and `best` are the first lines crossed with the failures of unknown place as early and
    as late as they can have been. `upper` is the bound of the plan's own stop once it says GO,
    and the peek-safe bound of the counts otherwise; `bound_method` says which.
    """

    decision: Decision
    worst: Crossing
    best: Crossing
    upper: float
    bound_method: BoundMethod

    @property
    def first(self) -> Crossing | None:
        """The first line crossed; None where that depends on failures of unknown place."""
        return self.worst if self.worst.decision == self.best.decision else None


def standing_under(
    plan: Plan, earliest: Positions, latest: Positions, cycles: int, *, confidence: float
) -> Standing:
    """Say where a trial stands that may have run on after its plan stopped.

    It is GO if the first line crossed is the GO line and the counts of the whole trial lie
    beyond that line still: failures after a GO are not forgotten. It is NO-GO if the first line
    crossed is the NO-GO line, or the counts lie beyond it now. The first rule is what the plan's
    risks are worked out for; each further one only takes a GO away.

    Parameters
    ----------
    plan : FixedPlan or SequentialPlan
        The plan, as fixed before the trial.
    earliest, latest : sequence of int, shape (k,)
        Cycle numbers of the failures, from 1 to cycles. Where the place of a failure is not
        known, as early and as late as it can have been; else the same. GO must hold for the
        one and NO-GO for the other.
    cycles : int
        Cycles of the trial so far, at least 0.
    confidence : float
        Confidence of the bound; above 0, below 1.

    Returns
    -------
    Standing

    Raises
    ------
    InvalidValueError
        If an argument lies outside its range, or the positions are not equally many.

    References
    ----------
    The stopping rule of the plan. More failures at every cycle cross the GO line no sooner and
    the NO-GO line no later, so the earliest places are the worst ones.

    Examples
    --------
    >>> from trialog.reliability import sequential_plan, standing_under
    >>> plan = sequential_plan(0.002, 0.0002, confidence=0.95, good_pass=0.9)
    >>> standing_under(plan, [900], [900], 3000, confidence=0.95).decision
    'GO'
    """
    worst, best, decision = _decided(plan, earliest, latest, cycles)
    if decision == "GO":
        upper = max(
            plan.bound_after_stop(stop.failures, stop.cycles, confidence) for stop in (worst, best)
        )
        return Standing("GO", worst, best, upper, "after_stop")
    failures = len(earliest)
    bounds = failure_rate_bounds(failures, cycles, confidence=confidence, method="peek_safe")
    return Standing(decision, worst, best, bounds.upper, "peek_safe")


def decision_under(plan: Plan, earliest: Positions, latest: Positions, cycles: int) -> Decision:
    """Say only what `standing_under` decides, without the bound, which takes longer.

    Parameters
    ----------
    plan : FixedPlan or SequentialPlan
        The plan, as fixed before the trial.
    earliest, latest : sequence of int, shape (k,)
        Cycle numbers of the failures, from 1 to cycles, as `standing_under` takes them.
    cycles : int
        Cycles of the trial so far, at least 0.

    Returns
    -------
    "GO", "KEEP RUNNING" or "NO-GO"

    Raises
    ------
    InvalidValueError
        If an argument lies outside its range, or the positions are not equally many.

    References
    ----------
    The stopping rule of the plan, as `standing_under` says.

    Examples
    --------
    >>> from trialog.reliability import decision_under, sequential_plan
    >>> plan = sequential_plan(0.002, 0.0002, confidence=0.95, good_pass=0.9)
    >>> decision_under(plan, [900], [900], 3000)
    'GO'
    """
    return _decided(plan, earliest, latest, cycles)[2]


def _decided(
    plan: Plan, earliest: Positions, latest: Positions, cycles: int
) -> tuple[Crossing, Crossing, Decision]:
    """Return the first lines crossed, in the worst order and the best, and what that makes."""
    cycles = _checks.whole("cycles", cycles, 0)
    failures = sorted_places(earliest, cycles).size
    if sorted_places(latest, cycles).size != failures:
        raise InvalidValueError("latest", f"have {failures} positions, like earliest", latest)
    worst, best = (first_decision(plan, places, cycles) for places in (earliest, latest))
    now = plan.decide(failures, cycles)
    if worst.decision == now == "GO":
        return worst, best, "GO"
    return worst, best, "NO-GO" if "NO-GO" in (best.decision, now) else "KEEP RUNNING"
