"""The revisions of a device or cell in reports: its failures under each, before and after."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal

from sqlalchemy import select
from sqlalchemy.orm import Session

from trialog.evidence.patterns import SIGNIFICANCE
from trialog.evidence.periods import BeforeAfter, Period, compare_periods, periods_of
from trialog.languages import localised, numeral, t
from trialog.records.models import Cell, Device, Entry, Person, Photo, Revision
from trialog.records.words import Stage
from trialog.reliability import RateComparison
from trialog.reports import words
from trialog.reports.rates import INTERVAL_CONFIDENCE


@dataclass(frozen=True)
class RevisionPeriod:
    """What was counted from one revision to the next, with the exact bound on the failure rate.

    `file`: SHA-256 of a photo or file that shows the change; `filename` is None where these
    records lack it.
    """

    at: datetime | None
    until: datetime | None
    device: str | None
    what: str
    resets_evidence: bool
    reason: str
    person: str | None
    file: str | None
    filename: str | None
    cycles: int
    failures: int
    no_tests: int
    estimate: float | None
    upper: float


@dataclass(frozen=True)
class Comparison:
    """Two neighbouring periods. `ratio` is the rate before by the rate after, with its interval.

    `p_value`: the chance of so great a difference, either way, were there none; adjusted for all
    comparisons of the history. None where there are too many failures to compare exactly.
    """

    changes: tuple[str, ...]
    failures_before: int
    cycles_before: int
    failures_after: int
    cycles_after: int
    p_value: float | None
    ratio: float | None
    ratio_lower: float | None
    ratio_upper: float | None
    real: bool
    words: str


@dataclass(frozen=True)
class RevisionHistory:
    """The periods of one subject in one stage, in order, and what changed from each to the next.

    `confidence` is that of the periods' upper bounds.
    """

    subject: str
    stage: str
    confidence: float
    interval_confidence: float
    periods: tuple[RevisionPeriod, ...]
    comparisons: tuple[Comparison, ...]
    words: str


def revision_history(
    session: Session, cell: Cell, device: Device | None, stage: Stage, *, confidence: float
) -> RevisionHistory:
    """Tell the revisions of a device, or of the whole cell, in one stage."""
    device_id = None if device is None else device.id
    periods = periods_of(session, cell.id, device_id, stage, confidence=confidence)
    known = _details(session, [period.revision.entry_id for period in periods])
    compared = compare_periods(periods, confidence=INTERVAL_CONFIDENCE)
    comparisons = tuple(_comparison(pair) for pair in compared)
    return RevisionHistory(
        subject=t("whole cell") if device is None else device.name,
        stage=str(stage),
        confidence=confidence,
        interval_confidence=INTERVAL_CONFIDENCE,
        periods=tuple(_period(period, known) for period in periods),
        comparisons=comparisons,
        words=_summary(periods, comparisons),
    )


def histories_of(session: Session, cell: Cell, *, confidence: float) -> tuple[RevisionHistory, ...]:
    """Tell the revisions of each of a cell's devices, in each stage in which it was changed or ran.

    Devices that were never changed, and stages without a cycle, are left out.
    """
    told = (
        revision_history(session, cell, device, stage, confidence=confidence)
        for device in cell.devices
        for stage in Stage
    )
    return tuple(
        history
        for history in told
        if len(history.periods) > 1 and any(period.cycles for period in history.periods)
    )


_Details = tuple[str | None, str | None, str | None]


def _details(session: Session, entry_ids: Sequence[int | None]) -> dict[int, _Details]:
    """Return who recorded each revision, and the photo or file that goes with it."""
    statement = (
        select(Entry.id, Person.name, Entry.photo, Photo.sha256, Photo.filename)
        .outerjoin(Person, Person.id == Entry.recorded_by_id)
        .outerjoin(Photo, Photo.sha256 == Entry.photo)
        .where(Entry.id.in_([one for one in entry_ids if one is not None]))
    )
    return {
        entry_id: (person, named, None if stored is None else filename or "photo.jpg")
        for entry_id, person, named, stored, filename in session.execute(statement)
    }


def _period(period: Period, known: Mapping[int, _Details]) -> RevisionPeriod:
    revision, bounds = period.revision, period.bounds
    person, file, filename = known.get(revision.entry_id or 0, (None, None, None))
    return RevisionPeriod(
        at=revision.effective_at,
        until=period.until,
        device=None if revision.device is None else revision.device.name,
        what=t(revision.what),
        resets_evidence=revision.resets_evidence,
        reason=revision.reason,
        person=person,
        file=file,
        filename=filename,
        cycles=bounds.cycles,
        failures=bounds.failures,
        no_tests=period.no_tests,
        estimate=bounds.estimate,
        upper=bounds.upper,
    )


def _comparison(pair: BeforeAfter) -> Comparison:
    failures_before, cycles_before = pair.before.counted
    failures_after, cycles_after = pair.after.counted
    rates = pair.rates
    return Comparison(
        changes=tuple(_named(revision) for revision in pair.changes),
        failures_before=failures_before,
        cycles_before=cycles_before,
        failures_after=failures_after,
        cycles_after=cycles_after,
        p_value=pair.p_value,
        ratio=None if rates is None else _finite(rates.ratio),
        ratio_lower=None if rates is None else rates.ratio_lower,
        ratio_upper=None if rates is None else _finite(rates.ratio_upper),
        real=_is_real(pair),
        words=_sentence(pair),
    )


def _named(revision: Revision) -> str:
    return t(revision.what).strip().rstrip(".")


def _finite(value: float | None) -> float | None:
    return None if value is None or math.isinf(value) else value


def _is_real(pair: BeforeAfter) -> bool:
    return pair.p_value is not None and pair.p_value <= SIGNIFICANCE


def _sentence(pair: BeforeAfter) -> str:
    """Say a comparison: what changed, both counts, and how sure the difference is."""
    (failed, cycles), (failed_after, cycles_after) = pair.before.counted, pair.after.counted
    changed = words.listed([_named(revision) for revision in pair.changes])
    said = t(
        "{changed}: {failed} of {cycles} before, {failed_after} of {cycles_after} after; {judged}.",
        changed=changed,
        failed=failed,
        cycles=cycles,
        failed_after=failed_after,
        cycles_after=cycles_after,
        judged=_judged(pair),
    )
    return f"{said}{_times(pair.rates)}"


def _judged(pair: BeforeAfter) -> str:
    if pair.p_value is None:
        return t("too many failures to compare exactly")
    if pair.better is None:
        return t("no difference shows")
    if not _is_real(pair):
        return (
            t("the improvement could be chance")
            if pair.better
            else t("the worsening could be chance")
        )
    sure = _sureness(pair.p_value)
    if pair.better:
        return t("the improvement is real at {confidence} confidence", confidence=sure)
    return t("the worsening is real at {confidence} confidence", confidence=sure)


def _sureness(p_value: float) -> str:
    """Say one less a p value in per cent, rounded down: never more than 99.9 %."""
    sure = (100 - 100 * Decimal(repr(p_value))).quantize(Decimal("0.1"), ROUND_FLOOR)
    return f"{localised(f'{sure.normalize():f}')} %"


def _times(rates: RateComparison | None) -> str:
    """Say how far apart the two rates can be, as far as the counts tell."""
    if rates is None:
        return ""
    least, most = rates.ratio_lower, rates.ratio_upper
    if least == 0 and math.isinf(most):
        return ""
    said = t(
        "The failure rate before is {range} times the one after ({confidence} interval).",
        range=_range(least, most),
        confidence=words.chance(rates.confidence),
    )
    return f" {said}"


def _range(least: float, most: float) -> str:
    if math.isinf(most):
        return t("at least {least}", least=_short(least, ROUND_FLOOR))
    if least == 0:
        return t("at most {most}", most=_short(most, ROUND_CEILING))
    return t(
        "{least} to {most}", least=_short(least, ROUND_FLOOR), most=_short(most, ROUND_CEILING)
    )


def _short(value: float, rounding: str) -> str:
    return numeral(words.rounded(value, words.DIGITS, rounding))


def _summary(periods: Sequence[Period], comparisons: Sequence[Comparison]) -> str:
    """Say first what the history comes to."""
    changes = len(periods) - 1
    if changes == 0:
        return t("No change was recorded: everything ran as first set up.")
    lead = t("{changes} recorded.", changes=words.counted(changes, "change"))
    real = sum(comparison.real for comparison in comparisons)
    if not comparisons:
        said = t("No two of the states have cycles, so nothing can be compared.")
    elif real == 0:
        said = t("No difference before and after is more than chance could make.")
    else:
        differences = words.counted(real, "difference")
        said = t("{differences} that chance would seldom make.", differences=differences)
    return f"{lead} {said}"
