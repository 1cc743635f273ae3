"""Stops and failures: how often, how long until cleared, and the share of time the cell ran."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from trialog.evidence.counting import count
from trialog.evidence.gathering import Evidence
from trialog.records.models import Entry, Shift
from trialog.records.queries import undone_ids
from trialog.records.words import EntryKind
from trialog.reliability import (
    Availability,
    MeanTime,
    PercentileBounds,
    RateBounds,
    StopRate,
    availability_bounds,
    failure_rate_bounds,
    mean_time_bounds,
    percentile_bounds,
    stop_rate_bounds,
)

PERCENTILE = 0.9
"""Share of the stops that are cleared within the time shown."""


@dataclass(frozen=True)
class Interruptions:
    """The stops of a cell over some shifts, beside the failures of a subject.

    `clear_seconds`: the clear times that were written down. `rate`: stops per cycle logged.
    `failures`: failed by counted cycles of the subject. All bounds are two-sided.
    """

    clear_seconds: tuple[int, ...]
    rate: StopRate
    mean: MeanTime
    percentile: PercentileBounds
    availability: Availability
    failures: RateBounds

    @property
    def untimed(self) -> int:
        """Stops whose clear time nobody wrote down."""
        return self.rate.stops - len(self.clear_seconds)


def shift_interruptions(session: Session, shift: Shift, *, confidence: float) -> Interruptions:
    """Add up the stops of a shift, beside the failures of its cell."""
    cell = count(session, shift.cell, [shift.id]).cell
    return _interruptions(
        _stops(session, shift.cell_id, [shift.id], None),
        logged=int(cell["logged"]),
        cycle_seconds=shift.cell.planned_cycle_seconds,
        failures=(int(cell["failures"]), int(cell["cycles"])),
        confidence=confidence,
    )


def trial_interruptions(
    session: Session, evidence: Evidence, *, confidence: float
) -> Interruptions:
    """Add up the stops in a trial's evidence, beside the failures of its subject.

    A stop halts the cell, whichever device it was for, so all of them count.
    """
    trial = evidence.trial
    stops = _stops(session, trial.cell_id, evidence.coverage.shift_ids, evidence.since.effective_at)
    return _interruptions(
        stops,
        logged=int(evidence.counts.cell["logged"]),
        cycle_seconds=trial.requirement.cycle_seconds,
        failures=(evidence.failures, evidence.cycles),
        confidence=confidence,
    )


def _stops(
    session: Session, cell_id: int, shift_ids: Sequence[int], since: datetime | None
) -> list[int | None]:
    """Return the clear time of each stop that stands, None where there is none."""
    statement = select(Entry.client_id, Entry.clear_seconds).where(
        Entry.shift_id.in_(shift_ids), Entry.kind == EntryKind.STOP
    )
    if since is not None:
        statement = statement.where(Entry.occurred_at >= since)
    undone = undone_ids(session, cell_id)
    rows = session.execute(statement.order_by(Entry.sequence))
    return [seconds for client_id, seconds in rows if client_id not in undone]


def _interruptions(
    stops: Sequence[int | None],
    *,
    logged: int,
    cycle_seconds: float,
    failures: tuple[int, int],
    confidence: float,
) -> Interruptions:
    timed = tuple(seconds for seconds in stops if seconds is not None)
    return Interruptions(
        clear_seconds=timed,
        rate=stop_rate_bounds(len(stops), logged, confidence=confidence),
        mean=mean_time_bounds(sum(timed), len(timed), confidence=confidence),
        percentile=percentile_bounds(timed, PERCENTILE, confidence=confidence),
        availability=availability_bounds(
            len(stops), logged, cycle_seconds,
            clear_seconds=sum(timed), timed=len(timed), confidence=confidence,
        ),
        failures=failure_rate_bounds(*failures, confidence=confidence, sides="both"),
    )  # fmt: skip
