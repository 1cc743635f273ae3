"""The report of one shift: what ran, what failed, what that shows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, tzinfo
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from trialog.evidence import Reconciliation, cautions, check_shift, count, reconcile
from trialog.evidence.interruptions import shift_interruptions
from trialog.evidence.reconciling import cycles_between
from trialog.languages import t
from trialog.records.models import Entry, OperatorRollup, Person, Shift
from trialog.records.queries import shift_entries, shifts_of, trials_beside, undone_ids
from trialog.records.words import EntryKind
from trialog.reliability import RateBounds
from trialog.reports import methods, sentences, words
from trialog.reports.failures import FailureLine, failures_of_shift
from trialog.reports.figures import Chart
from trialog.reports.interruptions import StopFigures, stop_figures
from trialog.reports.parked import ParkedNow, parked_now
from trialog.reports.particulars import Particulars, particulars
from trialog.reports.photos import FailurePhoto, photos_of
from trialog.reports.pictures import shift_charts
from trialog.reports.plain import plain
from trialog.reports.rates import INTERVAL_CONFIDENCE, RateRow, bounds_of, rate_rows
from trialog.reports.reconciliation import WorstShift, worst_of_shift
from trialog.reports.spot_checks import CheckReport, check_report
from trialog.reports.stops import Stops, stops_of
from trialog.reports.tablets import TabletFacts, tablets_of
from trialog.reports.trials_now import TrialNow, trial_now

DEFAULT_CONFIDENCE = 0.95
"""Confidence of a shift's bounds where no trial of its stage asks for one."""


@dataclass(frozen=True)
class Operator:
    """Who logged how many cycles, and how many of those failed."""

    name: str
    logged: int
    failed: int


@dataclass(frozen=True)
class Noted:
    """A note, or a condition that was met, with its time."""

    at: datetime
    person: str | None
    what: str
    text: str


@dataclass(frozen=True)
class Counter:
    """The log against the machine counter, in numbers and words."""

    compared: Reconciliation
    unlogged: int | None
    words: str
    gap_cycles: int | None
    gap_words: str
    worst: WorstShift


@dataclass(frozen=True)
class ShiftReport:
    """Everything the report of a shift says."""

    shift: str
    cell: Particulars
    stage: str
    opened_at: datetime
    closed_at: datetime | None
    duration_seconds: float
    operators: tuple[Operator, ...]
    conditions: tuple[Noted, ...]
    logged: int
    good: int
    failed: int
    no_tests: int
    sentence: str
    bounds: RateBounds
    rates: tuple[RateRow, ...]
    failures: tuple[FailureLine, ...]
    photos: tuple[FailurePhoto, ...]
    spot_checks: CheckReport
    counter: Counter
    parked: ParkedNow
    stops: Stops
    interruptions: StopFigures
    tablets: tuple[TabletFacts, ...]
    notes: tuple[Noted, ...]
    trials: tuple[TrialNow, ...]
    charts: tuple[Chart, ...] = field(metadata={"omit": True})
    cautions: tuple[str, ...]
    methods: tuple[str, ...]
    produced_at: datetime
    zone: str
    shift_id: int = field(metadata={"omit": True})
    cell_id: int = field(metadata={"omit": True})
    clock: tzinfo = field(metadata={"omit": True})


def build_shift_report(
    session: Session,
    shift: Shift,
    *,
    now: datetime,
    zone: tzinfo,
    embed_photos: bool = True,
    entries: Sequence[Entry] | None = None,
) -> ShiftReport:
    """Gather the report of a shift, closed or still open.

    `embed_photos`: with the photos themselves, as a document needs them. `entries`: the shift's
    lines, where they are read already.
    """
    entries = shift_entries(session, shift) if entries is None else entries
    undone = undone_ids(session, shift.cell_id)
    standing = [entry for entry in entries if entry.client_id not in undone]
    trials = trials_beside(session, shift)
    confidence = max((trial.requirement.confidence for trial in trials), default=DEFAULT_CONFIDENCE)
    counts = count(session, shift.cell, [shift.id])
    bounds = bounds_of(counts, confidence)
    judged = tuple(trial_now(session, trial, shift, zone) for trial in trials)
    interruptions = shift_interruptions(session, shift, confidence=INTERVAL_CONFIDENCE)
    cell = counts.cell
    return ShiftReport(
        shift=shift.label,
        cell=particulars(shift.cell),
        stage=str(shift.stage),
        opened_at=shift.opened_at,
        closed_at=shift.closed_at,
        duration_seconds=((shift.closed_at or now) - shift.opened_at).total_seconds(),
        operators=_operators(session, shift),
        conditions=_noted(standing, EntryKind.CONDITION),
        logged=int(cell["logged"]),
        good=int(cell["cycles"] - cell["failures"]),
        failed=int(cell["failures"]),
        no_tests=int(cell["no_tests"]),
        sentence=sentences.shift_proved(
            bounds,
            [
                (item.verdict.trial, item.proven_before_seconds, item.proven_with_seconds)
                for item in judged
            ],
        ),
        bounds=bounds,
        rates=rate_rows(counts, confidence, cell=t("whole cell")),
        failures=failures_of_shift(session, shift),
        photos=photos_of(session, standing, zone, embed=embed_photos),
        spot_checks=check_report(check_shift(session, shift, confidence=confidence)),
        counter=_counter(session, shift, bounds),
        parked=parked_now(session, shift),
        stops=stops_of(standing),
        interruptions=stop_figures(interruptions, t("the cell")),
        tablets=tablets_of(session, shift, entries, standing, zone),
        notes=_noted(standing, EntryKind.NOTE),
        trials=judged,
        charts=shift_charts(session, shift, counts, interruptions),
        cautions=cautions(),
        methods=methods.for_shift(),
        produced_at=now,
        zone=words.zone_name(zone, now),
        shift_id=shift.id,
        cell_id=shift.cell_id,
        clock=zone,
    )


def _operators(session: Session, shift: Shift) -> tuple[Operator, ...]:
    statement = (
        select(Person.name, func.sum(OperatorRollup.logged), func.sum(OperatorRollup.failed))
        .join(OperatorRollup, OperatorRollup.person_id == Person.id)
        .where(OperatorRollup.shift_id == shift.id)
        .group_by(Person.id, Person.name)
        .order_by(Person.name)
    )
    return tuple(Operator(name, int(logged), int(failed))
                 for name, logged, failed in session.execute(statement))  # fmt: skip


def _noted(standing: Sequence[Entry], kind: EntryKind) -> tuple[Noted, ...]:
    return tuple(
        Noted(entry.occurred_at, _name(entry), str(entry.condition or kind), entry.text)
        for entry in standing
        if entry.kind is kind
    )


def _name(entry: Entry) -> str | None:
    return None if entry.person is None else entry.person.name


def _counter(session: Session, shift: Shift, bounds: RateBounds) -> Counter:
    compared = reconcile(session, shift)
    before = [other for other in shifts_of(session, shift.cell) if _order(other) < _order(shift)]
    previous = before[-1] if before else None
    return Counter(
        compared=compared,
        unlogged=compared.unlogged,
        words=sentences.counter(compared),
        gap_cycles=None if previous is None else cycles_between(previous, shift),
        gap_words=sentences.gap(shift, previous),
        worst=worst_of_shift(compared, bounds),
    )


def _order(shift: Shift) -> tuple[datetime, int]:
    return shift.opened_at, shift.id


def shift_report_as_dict(report: ShiftReport) -> dict[str, Any]:
    """Return a shift's report as plain data, with the documented keys."""
    as_dict: dict[str, Any] = plain(report, report.clock)
    return as_dict
