"""The path of a trial in the records on its plan's staircase."""

from __future__ import annotations

from bisect import bisect_right

from trialog.evidence import Evidence, Verdict
from trialog.reports.figures.chart import Chart
from trialog.reports.figures.staircase import Step, staircase


def failures_over_cycles(verdict: Verdict) -> Chart:
    """Draw a trial's relevant failures over its counted cycles, on its plan's staircase."""
    steps = failure_steps(verdict.evidence)
    return staircase(
        verdict.plan,
        [step.cycle for step in steps if step.exact],
        verdict.evidence.cycles,
        unplaced=[step.cycle for step in steps if not step.exact],
        subject=verdict.subject,
        decision=verdict.standing.decision,
        name="failures-over-cycles",
    )


def failure_steps(evidence: Evidence) -> tuple[Step, ...]:
    """Return where the relevant failures stand among the counted cycles of a trial.

    Those that nobody wrote a cycle down for take the last cycles of their shift that no other
    failure has.
    """
    known = sorted(evidence.positions)
    placed: list[tuple[int, bool]] = []
    before = end = 0
    for shift in evidence.shifts.to_dict("records"):
        before, end = end, end + int(shift["cycles"])
        exact = known[bisect_right(known, before) : bisect_right(known, end)]
        free = _last_free(end, set(exact), int(shift["failures"]) - len(exact))
        placed += sorted([*((at, True) for at in exact), *((at, False) for at in free)])
    return tuple(Step(at, count, exact) for count, (at, exact) in enumerate(placed, start=1))


def _last_free(end: int, taken: set[int], wanted: int) -> list[int]:
    free: list[int] = []
    at = end
    while len(free) < wanted:
        if at not in taken:
            free.append(at)
        at -= 1
    return free
