"""How often a device failed under each of its revisions, and whether a change made a difference."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from trialog.records.models import CellRollup, DeviceRollup, Revision, Shift
from trialog.records.rollups import revisions_in_order
from trialog.records.words import Stage
from trialog.reliability import (
    RateBounds,
    RateComparison,
    compare_rates,
    failure_rate_bounds,
    holm_adjust,
)
from trialog.reliability.compare import MOST_FAILURES


@dataclass(frozen=True)
class Period:
    """What a device or a cell did from one of its revisions to the next, in one stage.

    `until`: when the next revision took effect; None for the last.
    """

    revision: Revision
    until: datetime | None
    no_tests: int
    bounds: RateBounds

    @property
    def counted(self) -> tuple[int, int]:
        """Relevant failures and counted cycles."""
        return self.bounds.failures, self.bounds.cycles


@dataclass(frozen=True)
class BeforeAfter:
    """Two periods with cycles that follow each other, side by side.

    `changes`: the revisions in between, of which those that saw no cycle cannot be told apart.
    `rates` has the earlier period as group a; `p_value` is Boschloo's that the rates differ,
    adjusted for all comparisons of the same history. Both None where there are too many failures
    to compare exactly.
    """

    before: Period
    after: Period
    changes: tuple[Revision, ...]
    rates: RateComparison | None
    p_value: float | None

    @property
    def better(self) -> bool | None:
        """Whether fewer cycles fail since; None where as many do."""
        (failed, cycles), (now_failed, now_cycles) = self.before.counted, self.after.counted
        was, now = failed * now_cycles, now_failed * cycles
        return None if was == now else now < was


def periods_of(
    session: Session, cell_id: int, device_id: int | None, stage: Stage, *, confidence: float
) -> tuple[Period, ...]:
    """Return the periods of a device, or of the whole cell, in the order of its revisions.

    All shifts of the stage count, those before a trial began too: a change is told by what was
    before it. `confidence` is that of each period's one-sided upper bound.
    """
    revisions = revisions_in_order(session, cell_id)
    starts = [
        place
        for place, revision in enumerate(revisions)
        if device_id is None or revision.device_id in (None, device_id)
    ]
    counted = _counted(session, [revision.id for revision in revisions], device_id, stage)
    periods = []
    for start, end in zip(starts, [*starts[1:], len(revisions)], strict=True):
        ids = [revision.id for revision in revisions[start:end]]
        cycles, failures, no_tests = (
            sum(counted.get(one, (0, 0, 0))[place] for one in ids) for place in range(3)
        )
        periods.append(
            Period(
                revision=revisions[start],
                until=None if end == len(revisions) else revisions[end].effective_at,
                no_tests=no_tests,
                bounds=failure_rate_bounds(failures, cycles, confidence=confidence),
            )
        )
    return tuple(periods)


def _counted(
    session: Session, revision_ids: Sequence[int], device_id: int | None, stage: Stage
) -> dict[int, tuple[int, int, int]]:
    """Return cycles, failures and no-tests under each of the cell's revisions."""
    rollup: type[Any] = CellRollup if device_id is None else DeviceRollup
    sums = [func.sum(getattr(rollup, name)) for name in ("cycles", "failures", "no_tests")]
    statement = (
        select(rollup.revision_id, *sums)
        .join(Shift, Shift.id == rollup.shift_id)
        .where(rollup.revision_id.in_(revision_ids), Shift.stage == stage)
        .group_by(rollup.revision_id)
    )
    if device_id is not None:
        statement = statement.where(DeviceRollup.device_id == device_id)
    return {
        revision_id: (int(cycles), int(failures), int(no_tests))
        for revision_id, cycles, failures, no_tests in session.execute(statement)
    }


def compare_periods(periods: Sequence[Period], *, confidence: float) -> tuple[BeforeAfter, ...]:
    """Compare each period that has cycles with the one before it that has.

    `confidence` is that of the interval of the ratio of two rates.
    """
    held = [place for place, period in enumerate(periods) if period.bounds.cycles]
    pairs = [
        (
            periods[a],
            periods[b],
            tuple(period.revision for period in periods[a + 1 : b + 1]),
            _rates(periods[a], periods[b], confidence),
        )
        for a, b in pairwise(held)
    ]
    told = [rates for *_, rates in pairs if rates is not None]
    adjusted = iter(holm_adjust([rates.boschloo_differ for rates in told]).tolist())
    return tuple(
        BeforeAfter(before, after, changes, rates, None if rates is None else next(adjusted))
        for before, after, changes, rates in pairs
    )


def _rates(before: Period, after: Period, confidence: float) -> RateComparison | None:
    (failed, cycles), (failed_after, cycles_after) = before.counted, after.counted
    failures = failed + failed_after
    if min(failures, cycles + cycles_after - failures) > MOST_FAILURES:
        return None
    return compare_rates(failed, cycles, failed_after, cycles_after, confidence=confidence)
