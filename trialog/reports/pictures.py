"""Which pictures a report has, made of what it was built from."""

from __future__ import annotations

from datetime import datetime, tzinfo

from sqlalchemy.orm import Session

from trialog.evidence import Counts, Evidence, Verdict, requirement_of
from trialog.evidence.course import (
    proven_course,
    ranked_modes,
    shifts_before,
    shifts_of_evidence,
)
from trialog.evidence.interruptions import Interruptions
from trialog.languages import t
from trialog.records.models import Shift
from trialog.reliability import failure_rate_bounds
from trialog.reports.conditions import ConditionsReport
from trialog.reports.figures import (
    Alone,
    Chart,
    Rate,
    between_failures,
    clear_times,
    conditions_matrix,
    failure_modes,
    failure_steps,
    failures_by_shift,
    failures_over_cycles,
    proven_over_time,
    rates_by_revision,
    stop_free_stretches,
)
from trialog.reports.rates import INTERVAL_CONFIDENCE
from trialog.reports.revisions import RevisionHistory

SHIFTS_COMPARED = 30
"""Shifts that a shift's report sets it beside: some weeks, of which people remember something."""


def proven_chart(verdict: Verdict, *, clock: tzinfo, now: datetime) -> Chart:
    """Draw what a trial has proven after each shift."""
    course = proven_course(verdict.evidence)
    return proven_over_time(course, verdict.required_stretch_seconds, clock=clock, now=now)


def alone_chart(verdict: Verdict) -> Chart:
    """Draw the chance of a stretch without a stop by a trial's subject."""
    evidence = verdict.evidence
    return stop_free_stretches(
        Alone(
            subject=verdict.subject,
            rate=failure_rate_bounds(
                evidence.failures, evidence.cycles, confidence=INTERVAL_CONFIDENCE, sides="both"
            ),
            upper=verdict.upper,
            confidence=verdict.bounds.confidence,
            target=verdict.chance**verdict.share,
            cycle_seconds=requirement_of(evidence.trial).cycle_seconds,
            required_seconds=verdict.required_stretch_seconds,
            proven_seconds=verdict.proven_stretch_seconds,
        )
    )


def revisions_chart(history: RevisionHistory, limit: float) -> Chart | None:
    """Draw the rates under the revisions; nothing where only one state saw cycles."""
    rates = [
        Rate(period.what, period.cycles, period.failures, period.upper)
        for period in history.periods
        if period.cycles
    ]
    return rates_by_revision(rates, limit, history.confidence) if len(rates) > 1 else None


def between_chart(evidence: Evidence, subject: str) -> Chart:
    """Draw the cycles between the failures of a trial."""
    return between_failures(failure_steps(evidence), evidence.cycles, subject=subject)


def trial_charts(
    verdict: Verdict,
    history: Chart,
    revisions: RevisionHistory,
    conditions: ConditionsReport,
    stops: Interruptions,
    *,
    clock: tzinfo,
    now: datetime,
) -> tuple[Chart, ...]:
    """Return the pictures of a trial's report; `history` is that of its verdicts."""
    evidence, subject = verdict.evidence, verdict.subject
    before_after = revisions_chart(revisions, verdict.limit)
    return (
        failures_over_cycles(verdict),
        proven_chart(verdict, clock=clock, now=now),
        alone_chart(verdict),
        history,
        failures_by_shift(
            shifts_of_evidence(evidence), subject=subject, confidence=INTERVAL_CONFIDENCE
        ),
        between_chart(evidence, subject),
        failure_modes(ranked_modes(evidence.counts), subject=subject),
        *(() if before_after is None else (before_after,)),
        conditions_matrix(conditions),
        clear_times(stops),
    )


def shift_charts(
    session: Session, shift: Shift, counts: Counts, stops: Interruptions
) -> tuple[Chart, ...]:
    """Return the pictures of a shift's report: its failure modes, its like, its stops."""
    subject = t("whole cell")
    return (
        failure_modes(ranked_modes(counts), subject=subject),
        failures_by_shift(
            shifts_before(session, shift, SHIFTS_COMPARED),
            subject=subject,
            confidence=INTERVAL_CONFIDENCE,
        ),
        clear_times(stops),
    )


def evidence_charts(
    verdict: Verdict,
    revisions: RevisionHistory,
    conditions: ConditionsReport,
    stops: Interruptions,
) -> tuple[Chart, ...]:
    """Return the pictures of the page on a trial's evidence."""
    before_after = revisions_chart(revisions, verdict.limit)
    return (
        *(() if before_after is None else (before_after,)),
        conditions_matrix(conditions),
        clear_times(stops),
    )
