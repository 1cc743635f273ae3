"""How the trials of a shift's stage stand, and what the shift did for them."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import tzinfo

from sqlalchemy.orm import Session

from trialog.evidence import (
    Evidence,
    Verdict,
    judge,
    requirement_of,
    sign_offs,
    standing_at,
)
from trialog.evidence.effects import explained
from trialog.records.models import Shift, Trial
from trialog.reports import sentences
from trialog.reports.rates import RateRow, rate_rows
from trialog.reports.rules_fixed import rules_fixed
from trialog.reports.sign_offs import lapsed_still


@dataclass(frozen=True)
class TrialNow:
    """How a trial of the shift's stage stands, and what this shift did for it.

    `counts_here`: whether cycles of this shift are in the trial's evidence.
    `proven_before_seconds` and `proven_with_seconds`: proven stretch from the evidence up to
    this shift, without and with it; None where it is not in the evidence. `changed_after`: a
    sentence for each change of the rules after the first counted cycle.
    """

    sentence: str
    counts_here: bool
    proven_before_seconds: float | None
    proven_with_seconds: float | None
    lapsed: tuple[str, ...]
    changed_after: tuple[str, ...]
    rates: tuple[RateRow, ...]
    verdict: Verdict
    trial_id: int = field(metadata={"omit": True})


def trial_now(session: Session, trial: Trial, shift: Shift, zone: tzinfo) -> TrialNow:
    """Say how a trial stands, seen from one of its cell's shifts."""
    verdict = explained(judge(session, trial))
    before, having = _proven_around(verdict.evidence, shift)
    return TrialNow(
        sentence=sentences.proven(verdict),
        counts_here=having is not None,
        proven_before_seconds=before,
        proven_with_seconds=having,
        lapsed=lapsed_still(trial, sign_offs(session, trial, verdict), zone),
        changed_after=rules_fixed(session, trial, zone).changed_after,
        rates=rate_rows(
            verdict.evidence.counts,
            verdict.bounds.confidence,
            cell=verdict.subject if trial.device is None else None,
        ),
        verdict=verdict,
        trial_id=trial.id,
    )


def _proven_around(evidence: Evidence, shift: Shift) -> tuple[float | None, float | None]:
    """Return the proven stretch in seconds from the evidence before a shift, and with it."""
    places = [int(shift_id) for shift_id in evidence.shifts["shift_id"]]
    if shift.id not in places:
        return None, None
    end = places.index(shift.id)
    return _proven_by(evidence, end), _proven_by(evidence, end + 1)


def _proven_by(evidence: Evidence, shifts: int) -> float | None:
    cycles = int(evidence.shifts["cycles"].iloc[:shifts].sum())
    upper = standing_at(evidence, cycles).upper
    return requirement_of(evidence.trial).proven_stretch_seconds(upper, evidence.trial.share)
