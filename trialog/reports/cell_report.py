"""The report of a cell: can it be left alone, and for how long?"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, tzinfo
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from trialog.evidence import cautions, judge
from trialog.languages import t
from trialog.records.models import Cell, CellRollup, Shift, Trial
from trialog.records.queries import revisions_in_order
from trialog.reports import methods, words
from trialog.reports.figures import Chart
from trialog.reports.particulars import Particulars
from trialog.reports.pictures import alone_chart, proven_chart
from trialog.reports.plain import plain
from trialog.reports.standings import (
    Attention,
    StageStanding,
    Standing,
    cell_standing,
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


def build_cell_report(
    session: Session,
    cell: Cell,
    *,
    now: datetime,
    zone: tzinfo,
    standing: Standing = cell_standing,
) -> CellReport:
    """Gather the report of a cell as it stands now; `standing` for who remembers how it stood."""
    stood = standing(session, cell, zone)
    drawn = (
        None if stood.now is None else judge(session, session.get_one(Trial, stood.now.drawn_id))
    )
    return CellReport(
        cell=stood.cell,
        sentence=stood.sentence,
        may_run_alone=stood.may_run_alone,
        stage=stood.stage,
        verdict=stood.verdict,
        attention=stood.attention,
        parked_lines=stood.parked_lines,
        stages=stood.stages,
        drawn=None if drawn is None else drawn.trial,
        charts=()
        if drawn is None
        else (proven_chart(drawn, clock=zone, now=now), alone_chart(drawn)),
        shifts=_recent_shifts(session, cell),
        last_change=_last_change(session, cell),
        cautions=cautions(),
        methods=methods.for_cell(),
        produced_at=now,
        zone=words.zone_name(zone, now),
        cell_id=cell.id,
        clock=zone,
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
        what=t(last.what),
        resets_evidence=last.resets_evidence,
        reason=last.reason,
    )


def cell_report_as_dict(report: CellReport) -> dict[str, Any]:
    """Return a cell's report as plain data, with the documented keys."""
    as_dict: dict[str, Any] = plain(report, report.clock)
    return as_dict
