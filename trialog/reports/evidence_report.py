"""How clean a trial's evidence is: revisions, counter, conditions and stops on one page."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, tzinfo
from typing import Any

from sqlalchemy.orm import Session

from trialog.evidence import cautions, judge
from trialog.evidence.interruptions import trial_interruptions
from trialog.languages import t
from trialog.records.models import Trial
from trialog.reliability import Decision
from trialog.reports import methods, words
from trialog.reports.conditions import ConditionsReport, conditions_report
from trialog.reports.figures import Chart
from trialog.reports.interruptions import StopFigures, stop_figures
from trialog.reports.particulars import Particulars, particulars
from trialog.reports.pictures import evidence_charts
from trialog.reports.plain import plain
from trialog.reports.rates import INTERVAL_CONFIDENCE
from trialog.reports.reconciliation import Reconciled, reconciled
from trialog.reports.revisions import RevisionHistory, revision_history


@dataclass(frozen=True)
class EvidenceReport:
    """What the evidence of a trial rests on, part by part."""

    trial: str
    subject: str
    cell: Particulars
    stage: str
    since: datetime | None
    since_what: str
    verdict: Decision
    sentence: str
    revisions: RevisionHistory
    charts: tuple[Chart, ...] = field(metadata={"omit": True})
    counter: Reconciled
    conditions: ConditionsReport
    interruptions: StopFigures
    cautions: tuple[str, ...]
    methods: tuple[str, ...]
    produced_at: datetime
    zone: str
    trial_id: int = field(metadata={"omit": True})
    clock: tzinfo = field(metadata={"omit": True})


def build_evidence_report(
    session: Session, trial: Trial, *, now: datetime, zone: tzinfo
) -> EvidenceReport:
    """Gather what there is to say of a trial's evidence as it stands now."""
    verdict = judge(session, trial)
    evidence = verdict.evidence
    stops = trial_interruptions(session, evidence, confidence=INTERVAL_CONFIDENCE)
    history = revision_history(
        session, trial.cell, trial.device, trial.stage, confidence=verdict.bounds.confidence
    )
    conditions = conditions_report(verdict)
    return EvidenceReport(
        trial=trial.name,
        subject=verdict.subject,
        cell=particulars(trial.cell),
        stage=str(trial.stage),
        since=evidence.since.effective_at,
        since_what=t(evidence.since.what),
        verdict=verdict.verdict,
        sentence=_sentence(evidence.cycles, evidence.failures, len(evidence.coverage.shift_ids)),
        revisions=history,
        charts=evidence_charts(verdict, history, conditions, stops),
        counter=reconciled(verdict),
        conditions=conditions,
        interruptions=stop_figures(stops, verdict.subject),
        cautions=cautions(),
        methods=methods.for_evidence(),
        produced_at=now,
        zone=words.zone_name(zone, now),
        trial_id=trial.id,
        clock=zone,
    )


def _sentence(cycles: int, failures: int, shifts: int) -> str:
    """Say how much evidence there is."""
    if cycles == 0:
        return t("No evidence yet: no cycle has been counted since it began.")
    return t(
        "The evidence is {cycles} with {failures} in {shifts}.",
        cycles=words.counted(cycles, "counted cycle"),
        failures=words.counted(failures, "relevant failure"),
        shifts=words.counted(shifts, "shift"),
    )


def evidence_report_as_dict(report: EvidenceReport) -> dict[str, Any]:
    """Return a trial's evidence as plain data, with the documented keys."""
    as_dict: dict[str, Any] = plain(report, report.clock)
    return as_dict
