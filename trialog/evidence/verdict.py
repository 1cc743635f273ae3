"""The verdict: GO, KEEP RUNNING or NO-GO by the rule that was fixed with the trial."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from trialog.evidence.agreement import log_agrees
from trialog.evidence.coverage import asked_of, missing_of
from trialog.evidence.gathering import Evidence, gather_evidence
from trialog.evidence.patterns import find_patterns
from trialog.evidence.plan_words import plan_words
from trialog.evidence.reasons import Reason
from trialog.evidence.trials import limit_of, plan_of, requirement_of, subject_of
from trialog.languages import counted, t
from trialog.records.models import Acknowledgement, Trial
from trialog.records.words import AcknowledgementKind
from trialog.reliability import (
    Decision,
    Plan,
    RateBounds,
    Standing,
    failure_rate_bounds,
    standing_under,
)


@dataclass(frozen=True)
class Verdict:
    """A trial's verdict with everything it rests on. Rates per cycle, stretches in seconds.

    `bounds` are the exact ones, right for one look at a number of cycles fixed beforehand; what
    may be shown whenever somebody looks is `upper`, and what is proven rests on it.
    `proven_stretch_seconds` is None where nothing limits it; `clean_cycles_to_go` is None
    where no number of clean cycles leads to GO under the plan.
    """

    trial: str
    subject: str
    verdict: Decision
    standing: Standing
    bounds: RateBounds
    limit: float
    chance: float
    share: float
    required_stretch_seconds: float
    proven_stretch_seconds: float | None
    clean_cycles_to_go: int | None
    shifts_to_go: int | None
    plan: Plan
    reasons: tuple[Reason, ...]
    evidence: Evidence

    @property
    def upper(self) -> float:
        """One-sided upper bound on the failure rate per cycle, however often anybody looked."""
        return self.standing.upper

    @property
    def unmet(self) -> tuple[Reason, ...]:
        """The lines that do not hold."""
        return tuple(reason for reason in self.reasons if not reason.met)


def judge(session: Session, trial: Trial) -> Verdict:
    """Work out a trial's verdict from the records as they stand."""
    evidence = gather_evidence(session, trial)
    requirement, plan = requirement_of(trial), plan_of(trial)
    bounds = failure_rate_bounds(
        evidence.failures, evidence.cycles, confidence=requirement.confidence
    )
    standing = standing_at(evidence, evidence.cycles)
    reasons = tuple(_reasons(session, evidence, plan, standing))
    to_go = _clean_cycles_to_go(evidence, plan, standing)
    return Verdict(
        trial=trial.name,
        subject=subject_of(trial),
        verdict=_decide(evidence, standing, reasons),
        standing=standing,
        bounds=bounds,
        limit=limit_of(trial),
        chance=requirement.chance,
        share=trial.share,
        required_stretch_seconds=requirement.stretch_hours * 3600,
        proven_stretch_seconds=requirement.proven_stretch_seconds(standing.upper, trial.share),
        clean_cycles_to_go=to_go,
        shifts_to_go=None if to_go is None else math.ceil(to_go / evidence.cycles_per_shift),
        plan=plan,
        reasons=reasons,
        evidence=evidence,
    )


def standing_at(evidence: Evidence, cycles: int) -> Standing:
    """Say where a trial stood under its plan after so many of the counted cycles."""
    earliest, latest = (
        [place for place in places if place <= cycles]
        for places in (evidence.earliest, evidence.latest)
    )
    confidence = evidence.trial.requirement.confidence
    return standing_under(plan_of(evidence.trial), earliest, latest, cycles, confidence=confidence)


def _decide(evidence: Evidence, standing: Standing, reasons: tuple[Reason, ...]) -> Decision:
    if standing.decision == "NO-GO" or evidence.damage_failures:
        return "NO-GO"
    return "GO" if all(reason.met for reason in reasons) else "KEEP RUNNING"


def _clean_cycles_to_go(evidence: Evidence, plan: Plan, standing: Standing) -> int | None:
    line = plan.go_line(evidence.failures)
    never = "NO-GO" in (standing.decision, standing.worst.decision) or evidence.damage_failures
    if line is None or never:
        return None
    return max(0, line - evidence.cycles)


def _reasons(
    session: Session, evidence: Evidence, plan: Plan, standing: Standing
) -> Iterator[Reason]:
    yield _plan_reached(evidence, plan, standing)
    yield Reason(
        "damage",
        t("no failure that can damage"),
        evidence.damage_failures == 0,
        t(
            "{failures} that can damage the machine, the part or the robot",
            failures=counted(evidence.damage_failures, "relevant failure"),
        )
        if evidence.damage_failures
        else t("none so far that can damage the machine, the part or the robot"),
    )
    yield Reason(
        "rulings",
        t("every failure ruled on"),
        evidence.unruled == 0,
        t(
            "{failures} waiting for a ruling; until then each counts as relevant",
            failures=counted(evidence.unruled, "failure"),
        )
        if evidence.unruled
        else t("none is waiting for a ruling"),
    )
    yield log_agrees(evidence, plan, standing)
    yield _no_change(evidence)
    yield _conditions_covered(evidence)
    yield _no_pattern(session, evidence)
    yield _cautions_acknowledged(session, evidence.trial)


def _plan_reached(evidence: Evidence, plan: Plan, standing: Standing) -> Reason:
    detail = t(
        "{cycles} cycles with {failures}; the plan asks for {plan}",
        cycles=evidence.cycles,
        failures=counted(evidence.failures, "relevant failure"),
        plan=plan_words(plan),
    )
    return Reason(
        "plan",
        t("plan reached its GO line"),
        standing.decision == "GO",
        detail + _first_line(evidence, plan, standing),
    )


def _first_line(evidence: Evidence, plan: Plan, standing: Standing) -> str:
    """Say how the trial came to stand elsewhere than its counts alone would tell."""
    first, now = standing.first, plan.decide(evidence.failures, evidence.cycles)
    if first is None:
        said = t(
            "the order of {failures} is not known, and in the worst one the plan says {decision}",
            failures=counted(evidence.failures_without_order, "failure"),
            decision=t(standing.worst.decision),
        )
        return f"; {said}"
    if first.decision == now:
        return ""
    crossed = {"cycles": first.cycles, "failures": counted(first.failures, "failure")}
    if first.decision == "NO-GO":
        told = t(
            "it crossed the NO-GO line at {cycles} cycles with {failures}, and the first line "
            "decides",
            **crossed,
        )
    elif now == "KEEP RUNNING":
        told = t(
            "it reached the GO line at {cycles} cycles with {failures}, and failures since then "
            "put it back",
            **crossed,
        )
    else:
        told = t(
            "it reached the GO line at {cycles} cycles with {failures}, and failures since then "
            "were too many",
            **crossed,
        )
    return f"; {told}"


def _no_change(evidence: Evidence) -> Reason:
    """Hold where each change since the evidence began was recorded as not resetting it.

    A resetting change begins the evidence anew, so what is left are those with a
    written reason; they are shown to whoever signs.
    """
    name = t("no change since the evidence began")
    if not evidence.changes:
        since = t("evidence since: {what}", what=t(evidence.since.what))
        return Reason("changes", name, True, since)
    listed = "; ".join(
        t("{what} (kept the evidence: {reason})", what=change.what, reason=change.reason)
        for change in evidence.changes
    )
    kept = all(change.reason for change in evidence.changes)
    return Reason("changes", name, kept, listed)


def _conditions_covered(evidence: Evidence) -> Reason:
    asked = asked_of(evidence.trial.requirement)
    detail = ", ".join(
        t(
            "{condition} {met} ({least} asked)",
            condition=t(word),
            met=evidence.conditions[word],
            least=least,
        )
        for word, least in asked.items()
    )
    met = not missing_of(evidence.conditions, asked)
    name = t("required conditions covered")
    return Reason("conditions", name, met, detail or t("none required"))


def _no_pattern(session: Session, evidence: Evidence) -> Reason:
    name = t("no trend or burst left unacknowledged")
    shifts = evidence.shifts[evidence.shifts["cycles"] > 0]
    patterns = find_patterns(
        evidence.positions,
        evidence.cycles,
        shifts["failures"].to_numpy(),
        shifts["cycles"].to_numpy(),
        confidence=evidence.trial.requirement.confidence,
    )
    found = "; ".join(patterns)
    if not found:
        return Reason("patterns", name, True, t("neither found at 5 %"))
    noted = session.scalar(
        select(func.max(Acknowledgement.chain_length)).where(
            Acknowledgement.trial_id == evidence.trial.id,
            Acknowledgement.kind == AcknowledgementKind.PATTERN,
        )
    )
    acknowledged = noted is not None and noted >= evidence.last_failure
    detail = t("{patterns} (acknowledged)", patterns=found) if acknowledged else found
    return Reason("patterns", name, acknowledged, detail)


def _cautions_acknowledged(session: Session, trial: Trial) -> Reason:
    name = t("cautions acknowledged")
    noted = session.scalars(
        select(Acknowledgement)
        .where(
            Acknowledgement.trial_id == trial.id,
            Acknowledgement.kind == AcknowledgementKind.CAUTIONS,
        )
        .order_by(Acknowledgement.id)
        .limit(1)
    ).first()
    if noted is None:
        nobody = t("nobody has acknowledged them for this trial")
        return Reason("cautions", name, False, nobody)
    return Reason("cautions", name, True, t("by {person}", person=noted.person.name))


def verdict_as_dict(verdict: Verdict) -> dict[str, Any]:
    """Return a verdict as plain data, with the documented keys."""
    evidence = verdict.evidence
    return {
        "trial": verdict.trial,
        "subject": verdict.subject,
        "verdict": verdict.verdict,
        "cycles": evidence.cycles,
        "failures": evidence.failures,
        "no_tests": evidence.no_tests,
        "parked_lines": evidence.parked.waiting,
        "confidence": verdict.bounds.confidence,
        "estimate": verdict.bounds.estimate,
        "upper": verdict.upper,
        "bound_method": verdict.standing.bound_method,
        "exact_upper": verdict.bounds.upper,
        "limit": verdict.limit,
        "chance": verdict.chance,
        "share": verdict.share,
        "required_stretch_seconds": verdict.required_stretch_seconds,
        "proven_stretch_seconds": verdict.proven_stretch_seconds,
        "clean_cycles_to_go": verdict.clean_cycles_to_go,
        "shifts_to_go": verdict.shifts_to_go,
        "plan": {
            "kind": str(evidence.trial.plan_kind),
            "first_go_cycles": verdict.plan.first_go_cycles,
            "cycles_per_failure": verdict.plan.cycles_per_failure,
            "max_cycles": verdict.plan.max_cycles,
            "max_failures": verdict.plan.max_failures,
            "in_words": plan_words(verdict.plan),
        },
        "reasons": [
            {
                "key": reason.key,
                "name": reason.name,
                "met": reason.met,
                "detail": reason.detail,
                "explanation": reason.explanation,
                "would_change": list(reason.would_change),
            }
            for reason in verdict.reasons
        ],
    }
