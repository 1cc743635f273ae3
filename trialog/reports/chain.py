"""The trials that a trial goes on from, and those that go on from it, each as it stands."""

from __future__ import annotations

from dataclasses import dataclass, field

from trialog.evidence import Verdict
from trialog.languages import t
from trialog.reports import words


@dataclass(frozen=True)
class OtherTrial:
    """A trial of the same subject, whose cycles do not count here."""

    trial: str
    stage: str
    verdict: str
    cycles: int
    failures: int
    words: str
    trial_id: int = field(metadata={"omit": True})


def other_trial(verdict: Verdict) -> OtherTrial:
    """Say how another trial of the chain stands."""
    evidence = verdict.evidence
    stage = str(evidence.trial.stage)
    counts = words.listed(
        [words.counted(evidence.cycles, "cycle"), words.counted(evidence.failures, "failure")]
    )
    return OtherTrial(
        trial=verdict.trial,
        stage=stage,
        verdict=verdict.verdict,
        cycles=evidence.cycles,
        failures=evidence.failures,
        words=t(
            "{stage}: {counts}, {verdict}; not counted here",
            stage=t(stage),
            counts=counts,
            verdict=t(verdict.verdict),
        ),
        trial_id=evidence.trial.id,
    )
