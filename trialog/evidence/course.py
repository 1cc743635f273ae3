"""How a trial came to where it stands: what was proven after each shift, and which modes failed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from itertools import accumulate

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from trialog.evidence.counting import Counts
from trialog.evidence.gathering import Evidence, moment_of
from trialog.evidence.trials import plan_of, requirement_of
from trialog.evidence.verdict import standing_at
from trialog.records.models import CellRollup, Shift
from trialog.records.words import Effect
from trialog.reliability import failure_rate_bounds

MOST_SHIFTS = 120
"""More shifts than that are thinned out: each takes the plan's bound, and no picture shows more."""


@dataclass(frozen=True)
class Proven:
    """What a trial had proven after a shift. `closed_at` is None while the shift is open.

    `cycles` and `failures` are all that counted by then; `seconds` is None where nothing limits
    the stretch.
    """

    shift: str
    opened_at: datetime
    closed_at: datetime | None
    cycles: int
    failures: int
    upper: float
    seconds: float | None


@dataclass(frozen=True)
class CountedShift:
    """Counted cycles and relevant failures of one shift."""

    shift_id: int
    shift: str
    cycles: int
    failures: int


@dataclass(frozen=True)
class RankedMode:
    """A failure mode and how often it was seen, as a relevant failure; `so_far` adds up.

    A cycle with two modes is one of each.
    """

    mode: str
    device: str
    effect: Effect
    failures: int
    so_far: int


def proven_course(evidence: Evidence) -> tuple[Proven, ...]:
    """Say what a trial had proven after each shift with counted cycles, since its evidence began.

    With the bound that holds whenever somebody looks, as it stood then. The first and the last
    shift are always there.
    """
    rows = evidence.shifts[evidence.shifts["cycles"] > 0].to_dict("records")
    kept = thinned(len(rows), MOST_SHIFTS)
    sums = (list(accumulate(int(row[name]) for row in rows)) for name in ("cycles", "failures"))
    cycles, failures = ([each[place] for place in kept] for each in sums)
    uppers = _uppers(evidence, failures, cycles)
    stretch_of = cache(requirement_of(evidence.trial).proven_stretch_seconds)
    return tuple(
        Proven(
            shift=str(row["label"]),
            opened_at=row["opened_at"],
            closed_at=moment_of(row["closed_at"]),
            cycles=so_far,
            failures=failed,
            upper=upper,
            seconds=stretch_of(upper, evidence.trial.share),
        )
        for row, so_far, failed, upper in zip(
            (rows[place] for place in kept), cycles, failures, uppers, strict=True
        )
    )


def _uppers(evidence: Evidence, failures: list[int], cycles: list[int]) -> list[float]:
    """Return the bound that held at each of some counts of a trial.

    One call serves them all, but for those at which the plan may have said GO: then its own bound
    holds, and whether it did depends on the order of the failures.
    """
    plan = plan_of(evidence.trial)
    confidence = evidence.trial.requirement.confidence
    bounds = failure_rate_bounds(failures, cycles, confidence=confidence, method="peek_safe")
    return [
        standing_at(evidence, so_far).upper if plan.decide(failed, so_far) == "GO" else upper
        for failed, so_far, upper in zip(failures, cycles, bounds.upper.tolist(), strict=True)
    ]


def thinned(number: int, most: int) -> Sequence[int]:
    """Return the places to keep of a number of points, evenly spread; the first and last stay."""
    if number <= most:
        return range(number)
    return [round(place * (number - 1) / (most - 1)) for place in range(most)]


def shifts_of_evidence(evidence: Evidence) -> tuple[CountedShift, ...]:
    """Return the shifts of some evidence that have counted cycles, in order."""
    rows = evidence.shifts[evidence.shifts["cycles"] > 0].to_dict("records")
    return tuple(
        CountedShift(int(row["shift_id"]), str(row["label"]), int(row["cycles"]),
                     int(row["failures"]))
        for row in rows
    )  # fmt: skip


def shifts_before(session: Session, shift: Shift, most: int) -> tuple[CountedShift, ...]:
    """Return a shift and those before it on its cell and in its stage, at most so many, in order.

    Their counts are of the whole cell, under whatever revision. Only shifts with counted cycles.
    """
    statement = (
        select(Shift, func.sum(CellRollup.cycles), func.sum(CellRollup.failures))
        .join(CellRollup, CellRollup.shift_id == Shift.id)
        .where(
            Shift.cell_id == shift.cell_id,
            Shift.stage == shift.stage,
            Shift.opened_at <= shift.opened_at,
        )
        .group_by(Shift.id)
        .having(func.sum(CellRollup.cycles) > 0)
        .order_by(Shift.opened_at.desc(), Shift.id.desc())
        .limit(most)
    )
    return tuple(
        CountedShift(one.id, one.label, int(cycles), int(failures))
        for one, cycles, failures in reversed(session.execute(statement).all())
    )


def ranked_modes(counts: Counts) -> tuple[RankedMode, ...]:
    """Return the failure modes that were seen, the most frequent first."""
    seen = counts.modes[counts.modes["failures"] > 0]
    ranked = seen.sort_values(["failures", "mode_id"], ascending=[False, True])
    rows = ranked.assign(so_far=ranked["failures"].cumsum()).to_dict("records")
    return tuple(
        RankedMode(str(row["mode"]), str(row["device"]), Effect(row["effect"]),
                   int(row["failures"]), int(row["so_far"]))
        for row in rows
    )  # fmt: skip
