"""The path of a trial in the records on its plan's staircase."""

from __future__ import annotations

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

    Those that nobody wrote a cycle down for stand as late in their shift as they can have been.
    """
    exact = set(evidence.positions)
    return tuple(Step(at, count, at in exact) for count, at in enumerate(evidence.latest, start=1))
