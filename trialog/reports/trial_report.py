"""The report of a trial: verdict, evidence, signatures."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, tzinfo
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from trialog.evidence import (
    Evidence,
    Verdict,
    bound_with_misses,
    cautions,
    check_evidence,
    design_of,
    judge,
    limit_of,
    requirement_of,
    sign_offs,
    state_of,
)
from trialog.evidence.effects import explained
from trialog.evidence.following import chain_of
from trialog.evidence.gathering import moment_of
from trialog.evidence.interruptions import trial_interruptions
from trialog.languages import t
from trialog.records.models import Acknowledgement, Trial
from trialog.records.queries import revisions_in_order
from trialog.reports import methods, sentences, words
from trialog.reports.chain import OtherTrial, other_trial
from trialog.reports.conditions import conditions_report
from trialog.reports.failures import FailureLine, failures_of_evidence
from trialog.reports.figures import Chart
from trialog.reports.particulars import Particulars, particulars
from trialog.reports.pictures import trial_charts
from trialog.reports.plain import plain
from trialog.reports.rates import INTERVAL_CONFIDENCE, RateRow, rate_rows
from trialog.reports.remarks import remarks
from trialog.reports.revisions import revision_history
from trialog.reports.rules_fixed import RulesFixed, rules_fixed
from trialog.reports.sign_offs import (
    STANDS,
    SignOffRow,
    SignOffStanding,
    lapsed_still,
    sign_off_rows,
    standing_of,
)
from trialog.reports.spot_checks import CheckReport, check_report
from trialog.reports.verdict_history import SaidBefore, decisions_chart, said_before


@dataclass(frozen=True)
class ShiftRow:
    """One shift that holds evidence. `counted` is the machine's count, None if it cannot tell."""

    shift: str
    opened_at: datetime
    closed_at: datetime | None
    logged: int
    cycles: int
    failures: int
    no_tests: int
    counted: int | None
    counter: str
    shift_id: int = field(metadata={"omit": True})


@dataclass(frozen=True)
class RevisionRow:
    """A change to the device, and what it does to the evidence.

    `in_evidence`: whether the trial's evidence was gathered under it.
    """

    at: datetime | None
    device: str | None
    what: str
    resets_evidence: bool
    reason: str
    in_evidence: bool


@dataclass(frozen=True)
class Acknowledged:
    """What somebody took note of in writing."""

    kind: str
    person: str
    at: datetime
    text: str


@dataclass(frozen=True)
class Stated:
    """The requirement and the plan, in numbers and in words."""

    name: str
    stretch_hours: float
    cycle_seconds: float
    stretch_cycles: int
    chance: float
    confidence: float
    cell_limit: float
    limit: float
    design_rate: float
    share: float
    pass_chance_at_limit: float
    pass_chance_at_design: float
    requirement_words: str
    share_words: str
    plan_words: str


@dataclass(frozen=True)
class TrialReport:
    """Everything the report of a trial says."""

    trial: str
    subject: str
    cell: Particulars
    stage: str
    begins_at: datetime | None
    sentence: str
    remarks: tuple[str, ...]
    lapsed: tuple[str, ...]
    verdict: Verdict
    requirement: Stated
    fixed: RulesFixed
    former: tuple[OtherTrial, ...]
    later: tuple[OtherTrial, ...]
    note_on_bound: str
    parked_words: str
    spot_checks: CheckReport
    rates: tuple[RateRow, ...]
    history: tuple[SaidBefore, ...]
    shifts: tuple[ShiftRow, ...]
    revisions: tuple[RevisionRow, ...]
    failures: tuple[FailureLine, ...]
    acknowledgements: tuple[Acknowledged, ...]
    sign_off: SignOffStanding
    sign_offs: tuple[SignOffRow, ...]
    charts: tuple[Chart, ...] = field(metadata={"omit": True})
    cautions: tuple[str, ...]
    methods: tuple[str, ...]
    produced_at: datetime
    zone: str
    trial_id: int = field(metadata={"omit": True})
    cell_id: int = field(metadata={"omit": True})
    clock: tzinfo = field(metadata={"omit": True})

    def decision_of(self, person: str) -> SignOffRow | None:
        """Return somebody's signature or refusal that stands, if there is one."""
        mine = (row for row in self.sign_offs if row.person == person and row.state == STANDS)
        return next(mine, None)


def build_trial_report(
    session: Session, trial: Trial, *, now: datetime, zone: tzinfo
) -> TrialReport:
    """Gather the report of a trial as it stands now."""
    verdict = explained(judge(session, trial))
    checks = check_evidence(session, verdict.evidence)
    history = said_before(session, verdict)
    chain = chain_of(session, trial)
    signed = sign_offs(session, trial, verdict)
    return TrialReport(
        trial=trial.name,
        subject=verdict.subject,
        cell=particulars(trial.cell),
        stage=str(trial.stage),
        begins_at=trial.begins_at,
        sentence=sentences.proven(verdict),
        remarks=remarks(verdict),
        lapsed=lapsed_still(trial, signed, zone),
        verdict=verdict,
        requirement=_stated(trial, verdict),
        fixed=rules_fixed(session, trial, zone),
        former=tuple(other_trial(one) for one in chain.former),
        later=tuple(other_trial(one) for one in chain.later),
        note_on_bound=sentences.note_on_bound(verdict),
        parked_words=sentences.parked(verdict),
        spot_checks=check_report(checks, bound_with_misses(verdict.evidence, checks)),
        rates=rate_rows(
            verdict.evidence.counts,
            verdict.bounds.confidence,
            cell=verdict.subject if trial.device is None else None,
        ),
        history=history,
        shifts=shift_rows(verdict.evidence),
        revisions=_revision_rows(session, verdict.evidence),
        failures=failures_of_evidence(session, verdict.evidence),
        acknowledgements=_acknowledged(session, trial),
        sign_off=standing_of(state_of(trial, signed), zone),
        sign_offs=sign_off_rows(signed, zone),
        charts=_charts(session, verdict, history, now, zone),
        cautions=cautions(),
        methods=methods.for_trial(),
        produced_at=now,
        zone=words.zone_name(zone, now),
        trial_id=trial.id,
        cell_id=trial.cell_id,
        clock=zone,
    )


def _charts(
    session: Session,
    verdict: Verdict,
    history: tuple[SaidBefore, ...],
    now: datetime,
    zone: tzinfo,
) -> tuple[Chart, ...]:
    trial, confidence = verdict.evidence.trial, verdict.bounds.confidence
    return trial_charts(
        verdict,
        decisions_chart(history, verdict, zone),
        revision_history(session, trial.cell, trial.device, trial.stage, confidence=confidence),
        conditions_report(verdict),
        trial_interruptions(session, verdict.evidence, confidence=INTERVAL_CONFIDENCE),
        clock=zone,
        now=now,
    )


def _stated(trial: Trial, verdict: Verdict) -> Stated:
    requirement, plan = requirement_of(trial), verdict.plan
    limit, design = limit_of(trial), design_of(trial)
    return Stated(
        name=trial.requirement.name,
        stretch_hours=requirement.stretch_hours,
        cycle_seconds=requirement.cycle_seconds,
        stretch_cycles=requirement.stretch_cycles,
        chance=requirement.chance,
        confidence=requirement.confidence,
        cell_limit=requirement.cell_limit,
        limit=limit,
        design_rate=design,
        share=trial.share,
        pass_chance_at_limit=plan.pass_chance(limit),
        pass_chance_at_design=plan.pass_chance(design),
        requirement_words=sentences.requirement(requirement),
        share_words=sentences.share(limit, requirement.chance, trial.share, verdict.subject),
        plan_words=sentences.plan(plan, str(trial.plan_kind)),
    )


def shift_rows(evidence: Evidence) -> tuple[ShiftRow, ...]:
    """Return the shifts that bear on some evidence, in order, with what the counter says."""
    rows = evidence.shifts.to_dict("records")
    return tuple(
        ShiftRow(
            shift=str(row["label"]),
            opened_at=row["opened_at"],
            closed_at=moment_of(row["closed_at"]),
            logged=compared.logged,
            cycles=int(row["cycles"]),
            failures=int(row["failures"]),
            no_tests=int(row["no_tests"]),
            counted=compared.counted,
            counter=str(compared.state),
            shift_id=int(row["shift_id"]),
        )
        for row, compared in zip(rows, evidence.reconciliations, strict=True)
    )


def _revision_rows(session: Session, evidence: Evidence) -> tuple[RevisionRow, ...]:
    """Return the changes that concern a trial's subject, with where its evidence began."""
    trial = evidence.trial
    within = {evidence.since.id, *(change.id for change in evidence.changes)}
    return tuple(
        RevisionRow(
            at=revision.effective_at,
            device=None if revision.device is None else revision.device.name,
            what=t(revision.what),
            resets_evidence=revision.resets_evidence,
            reason=revision.reason,
            in_evidence=revision.id in within,
        )
        for revision in revisions_in_order(session, trial.cell_id)
        if trial.device_id is None or revision.device_id in (None, trial.device_id)
    )


def _acknowledged(session: Session, trial: Trial) -> tuple[Acknowledged, ...]:
    statement = (
        select(Acknowledgement)
        .where(Acknowledgement.trial_id == trial.id)
        .order_by(Acknowledgement.id)
    )
    return tuple(
        Acknowledged(str(noted.kind), noted.person.name, noted.created_at, noted.text)
        for noted in session.scalars(statement)
    )


def trial_report_as_dict(report: TrialReport) -> dict[str, Any]:
    """Return a trial's report as plain data, with the documented keys."""
    as_dict: dict[str, Any] = plain(report, report.clock)
    return as_dict
