"""The report of a cell: can it be left alone, and for how long?"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, tzinfo
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from trialog.evidence import Verdict, cautions
from trialog.evidence.course import proven_course
from trialog.evidence.readiness import StageReadiness, readiness_of
from trialog.records.models import Cell, CellRollup, Shift
from trialog.records.queries import revisions_in_order
from trialog.reliability import failure_rate_bounds
from trialog.reports import methods, words
from trialog.reports.figures import Chart
from trialog.reports.figures.proven import proven_over_time
from trialog.reports.figures.stop_free import Alone, stop_free_stretches
from trialog.reports.particulars import Particulars
from trialog.reports.plain import plain
from trialog.reports.rates import INTERVAL_CONFIDENCE
from trialog.reports.standings import (
    Attention,
    StageStanding,
    cell_standing,
    leading,
)

SHIFTS_SHOWN = 5


@dataclass(frozen=True)
class RecentShift:
    """What a shift ran. `counted` cycles are those that count; no-tests do not."""

    shift: str
    stage: str
    opened_at: datetime
    closed_at: datetime | None
    logged: int
    counted: int
    failed: int
    shift_id: int = field(metadata={"omit": True})


@dataclass(frozen=True)
class LastChange:
    """The revision that took effect last; `at` is None for the state at the start."""

    at: datetime | None
    device: str | None
    what: str
    resets_evidence: bool
    reason: str


@dataclass(frozen=True)
class CellReport:
    """Everything the report of a cell says; see `CellStanding`.

    `drawn`: the trial that the pictures are of, None where there are none.
    """

    cell: Particulars
    sentence: str
    may_run_alone: bool
    stage: str | None
    verdict: str | None
    attention: tuple[Attention, ...]
    parked_lines: int
    stages: tuple[StageStanding, ...]
    drawn: str | None
    charts: tuple[Chart, ...] = field(metadata={"omit": True})
    shifts: tuple[RecentShift, ...]
    last_change: LastChange
    cautions: tuple[str, ...]
    methods: tuple[str, ...]
    produced_at: datetime
    zone: str
    cell_id: int = field(metadata={"omit": True})
    clock: tzinfo = field(metadata={"omit": True})

    @property
    def stages_latest_first(self) -> tuple[StageStanding, ...]:
        """The stages, the one that counts now first."""
        return tuple(sorted(reversed(self.stages), key=lambda one: one.stage != self.stage))


def build_cell_report(session: Session, cell: Cell, *, now: datetime, zone: tzinfo) -> CellReport:
    """Gather the report of a cell as it stands now."""
    ready = readiness_of(session, cell)
    standing = cell_standing(session, cell, zone, ready)
    drawn = _drawn(leading(ready))
    return CellReport(
        cell=standing.cell,
        sentence=standing.sentence,
        may_run_alone=standing.may_run_alone,
        stage=standing.stage,
        verdict=standing.verdict,
        attention=standing.attention,
        parked_lines=standing.parked_lines,
        stages=standing.stages,
        drawn=None if drawn is None else drawn.trial,
        charts=() if drawn is None else _charts(drawn, zone, now),
        shifts=_recent_shifts(session, cell),
        last_change=_last_change(session, cell),
        cautions=cautions(),
        methods=methods.for_cell(),
        produced_at=now,
        zone=words.zone_name(zone, now),
        cell_id=cell.id,
        clock=zone,
    )


def _drawn(found: StageReadiness | None) -> Verdict | None:
    """Return the verdict that the pictures are of: what bounds the cell, or holds it back most."""
    one = None if found is None else found.whole or found.weakest
    return None if one is None else one.verdict


def _charts(verdict: Verdict, zone: tzinfo, now: datetime) -> tuple[Chart, ...]:
    course = proven_course(verdict.evidence)
    return (
        proven_over_time(course, verdict.required_stretch_seconds, clock=zone, now=now),
        stop_free_stretches(_alone(verdict)),
    )


def _alone(verdict: Verdict) -> Alone:
    evidence = verdict.evidence
    return Alone(
        subject=verdict.subject,
        rate=failure_rate_bounds(
            evidence.failures, evidence.cycles, confidence=INTERVAL_CONFIDENCE, sides="both"
        ),
        upper=verdict.upper,
        confidence=verdict.bounds.confidence,
        target=verdict.chance**verdict.share,
        cycle_seconds=evidence.trial.requirement.cycle_seconds,
        required_seconds=verdict.required_stretch_seconds,
        proven_seconds=verdict.proven_stretch_seconds,
    )


def _recent_shifts(session: Session, cell: Cell) -> tuple[RecentShift, ...]:
    """Return the newest shifts, newest first, with what each ran under whatever revision."""
    statement = (
        select(
            Shift,
            func.coalesce(func.sum(CellRollup.logged), 0),
            func.coalesce(func.sum(CellRollup.cycles), 0),
            func.coalesce(func.sum(CellRollup.failures), 0),
        )
        .outerjoin(CellRollup, CellRollup.shift_id == Shift.id)
        .where(Shift.cell_id == cell.id)
        .group_by(Shift.id)
        .order_by(Shift.opened_at.desc(), Shift.id.desc())
        .limit(SHIFTS_SHOWN)
    )
    return tuple(
        RecentShift(
            shift.label, str(shift.stage), shift.opened_at, shift.closed_at, int(logged),
            int(counted), int(failed), shift.id,
        )
        for shift, logged, counted, failed in session.execute(statement)
    )  # fmt: skip


def _last_change(session: Session, cell: Cell) -> LastChange:
    last = revisions_in_order(session, cell.id)[-1]
    return LastChange(
        at=last.effective_at,
        device=None if last.device is None else last.device.name,
        what=last.what,
        resets_evidence=last.resets_evidence,
        reason=last.reason,
    )


def cell_report_as_dict(report: CellReport) -> dict[str, Any]:
    """Return a cell's report as plain data, with the documented keys."""
    as_dict: dict[str, Any] = plain(report, report.clock)
    return as_dict
