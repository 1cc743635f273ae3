"""Where a trial's path first crosses one of its plan's lines."""

from __future__ import annotations

from dataclasses import dataclass

from trialog.reliability import _checks
from trialog.reliability._positions import Positions, sorted_places
from trialog.reliability.fixed import Decision, FixedPlan
from trialog.reliability.sequential import SequentialPlan

Plan = FixedPlan | SequentialPlan


@dataclass(frozen=True)
class Crossing:
    """What a plan said first, and the counts at which it did.

    With KEEP RUNNING no line was crossed, and the counts are those of the whole trial.
    """

    decision: Decision
    failures: int
    cycles: int


def first_decision(plan: Plan, positions: Positions, cycles: int) -> Crossing:
    """Find the first line of a plan that a trial crossed.

    A trial that runs on after its plan stopped may cross another line later. Only the first
    one has the chances that the plan states; taking a later GO for one would let a bad device
    try its luck again.

    Parameters
    ----------
    plan : FixedPlan or SequentialPlan
        The plan, as fixed before the trial.
    positions : sequence of int, shape (k,)
        Cycle numbers of the failures, each once, from 1 to cycles, in any order.
    cycles : int
        Cycles of the trial so far, at least 0.

    Returns
    -------
    Crossing

    Raises
    ------
    InvalidValueError
        If a position is not a whole number from 1 to cycles, or appears twice.

    References
    ----------
    Definition: the stopping rule of the plan, looked at after every cycle.

    Examples
    --------
    >>> from trialog.reliability import first_decision, sequential_plan
    >>> plan = sequential_plan(0.002, 0.0002, confidence=0.95, good_pass=0.9)
    >>> first_decision(plan, [900], 3000)
    Crossing(decision='GO', failures=1, cycles=2884)
    """
    cycles = _checks.whole("cycles", cycles, 0)
    failed = sorted_places(positions, cycles).tolist()
    for failures, (begin, last) in enumerate(
        zip([0, *failed], [*(at - 1 for at in failed), cycles], strict=True)
    ):
        no_go, go = plan.no_go_line(failures), plan.go_line(failures)
        if no_go is not None and begin <= no_go:
            return Crossing("NO-GO", failures, begin)
        if go is not None and max(begin, go) <= last:
            return Crossing("GO", failures, max(begin, go))
    return Crossing("KEEP RUNNING", len(failed), cycles)
