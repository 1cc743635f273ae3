"""What was said of a trial before, as lines and as a chart."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, tzinfo

from sqlalchemy.orm import Session

from trialog.evidence import Verdict
from trialog.evidence.history import verdict_history
from trialog.languages import t
from trialog.records.models import VerdictChange
from trialog.reports import words
from trialog.reports.figures import Chart, Said, decisions_over_cycles


@dataclass(frozen=True)
class SaidBefore:
    """A verdict as it was noted. `unmet`: the lines that did not hold; `changed`: what differed
    from what was noted before, in words."""

    at: datetime
    verdict: str
    cycles: int
    failures: int
    proven_seconds: float | None
    unmet: tuple[str, ...]
    changed: str


def said_before(session: Session, verdict: Verdict) -> tuple[SaidBefore, ...]:
    """Return what was noted of a trial, oldest first."""
    noted = verdict_history(session, verdict.evidence.trial)
    return tuple(
        SaidBefore(
            at=one.at,
            verdict=one.verdict,
            cycles=one.cycles,
            failures=one.failures,
            proven_seconds=one.proven_seconds,
            unmet=tuple(one.unmet),
            changed=_changed(before, one),
        )
        for before, one in zip((None, *noted), noted, strict=False)
    )


def _changed(before: VerdictChange | None, now: VerdictChange) -> str:
    if before is None:
        return t("first noted")
    met = [t(name) for name in before.unmet if name not in now.unmet]
    opened = [t(name) for name in now.unmet if name not in before.unmet]
    parts = []
    if before.verdict != now.verdict:
        parts.append(t("was: {verdict}", verdict=t(before.verdict)))
    if met:
        parts.append(t("now met: {lines}", lines=words.listed(met)))
    if opened:
        parts.append(t("no longer met: {lines}", lines=words.listed(opened)))
    return "; ".join(parts)


def decisions_chart(rows: tuple[SaidBefore, ...], verdict: Verdict, zone: tzinfo) -> Chart:
    """Draw what was said of a trial over the cycles it had then, up to now."""
    said = [
        Said(words.moment(row.at, zone), row.verdict, row.cycles, row.failures, row.at)
        for row in rows
    ]
    evidence = verdict.evidence
    now = Said(t("now"), verdict.verdict, evidence.cycles, evidence.failures)
    return decisions_over_cycles([*said, now])
