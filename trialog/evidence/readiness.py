"""How ready a cell is at each stage: no readier than its weakest trial.

Stages are never mixed: what devices did while people loaded by hand says nothing of a robot.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

from sqlalchemy.orm import Session

from trialog import reliability
from trialog.evidence.coverage import asked_of, missing_of
from trialog.evidence.signed import SignedOff, SignOffState, sign_offs, state_of
from trialog.evidence.trials import requirement_of
from trialog.evidence.verdict import Verdict, judge
from trialog.records.models import Cell, Device, Trial
from trialog.records.queries import trials_of
from trialog.records.words import Stage
from trialog.reliability import Decision, SeriesBound, series_upper_bound

WORST_FIRST: tuple[Decision, ...] = ("NO-GO", "KEEP RUNNING", "GO")


@dataclass(frozen=True)
class JudgedTrial:
    """A trial as the records stand: its verdict, and who has signed or refused, newest first."""

    trial: Trial
    verdict: Verdict
    sign_offs: tuple[SignedOff, ...]

    @cached_property
    def signed(self) -> SignOffState:
        """Whether it is signed off."""
        return state_of(self.trial, self.sign_offs)

    @cached_property
    def missing_conditions(self) -> dict[str, int]:
        """How much of each condition that the requirement asks for is still missing."""
        asked = asked_of(self.trial.requirement)
        return missing_of(self.verdict.evidence.conditions, asked)


@dataclass(frozen=True)
class StageReadiness:
    """How ready a cell is at one stage.

    `current`: the newest trial of each subject, the whole cell's first. `former`: those that a
    newer one of the same subject has taken the place of. `untried`: devices without a trial,
    where the whole cell has none either. `whole`: the whole cell's trial, if that bounds the
    cell; else `series` does, from the devices' own trials. `requirement` is what the bound is
    held against, of several the one that allows least. `upper` bounds the cell's failure rate
    per cycle at `confidence`, however often anybody looked: 1 where nothing is known. `weakest`
    is the device that the cell waits for most; None where no device has a trial.
    """

    stage: Stage
    verdict: Decision
    current: tuple[JudgedTrial, ...]
    former: tuple[Trial, ...]
    untried: tuple[Device, ...]
    requirement: reliability.Requirement
    confidence: float
    whole: JudgedTrial | None
    series: SeriesBound | None
    upper: float
    proven_stretch_seconds: float | None
    weakest: JudgedTrial | None

    @property
    def counted(self) -> bool:
        """Whether any cycle has been counted."""
        return any(one.verdict.evidence.cycles for one in self.current)

    @property
    def reached(self) -> bool:
        """Whether the required stretch is proven of the cell.

        Devices may each be GO, and together prove less: each was held against its own share, at
        the confidence of one.
        """
        proven = self.proven_stretch_seconds
        return proven is None or proven >= self.requirement.stretch_hours * 3600

    @property
    def limit(self) -> float:
        """The cell's largest tolerable failure rate per cycle."""
        share = 1.0 if self.whole is None else self.whole.trial.share
        return self.requirement.limit(share)

    @property
    def clean_cycles_to_go(self) -> int | None:
        """Clean cycles that the longest of the trials still needs; None where none lead to GO."""
        return _most([one.verdict.clean_cycles_to_go for one in self.current])

    @property
    def shifts_to_go(self) -> int | None:
        """The shifts which that takes."""
        return _most([one.verdict.shifts_to_go for one in self.current])

    @property
    def missing_conditions(self) -> dict[str, int]:
        """How much of each condition is missing in the trial that lacks most of it."""
        missing: dict[str, int] = {}
        for one in self.current:
            for word, number in one.missing_conditions.items():
                missing[word] = max(number, missing.get(word, 0))
        return missing

    @property
    def signed(self) -> bool:
        """Whether every one of the trials is signed off."""
        return all(one.signed.signed for one in self.current)


def _most(numbers: Sequence[int | None]) -> int | None:
    known = [number for number in numbers if number is not None]
    return max(known) if len(known) == len(numbers) else None


def readiness_of(session: Session, cell: Cell) -> tuple[StageReadiness, ...]:
    """Say how ready a cell is at each stage that it has trials of, in the order of the build-up."""
    trials = trials_of(session, cell)
    return tuple(
        _at_stage(session, cell, stage, [trial for trial in trials if trial.stage is stage])
        for stage in Stage
        if any(trial.stage is stage for trial in trials)
    )


def _at_stage(
    session: Session, cell: Cell, stage: Stage, trials: Sequence[Trial]
) -> StageReadiness:
    newest = {trial.device_id: trial for trial in trials}
    current = tuple(_judged(session, trial) for trial in newest.values())
    devices = [one for one in current if one.trial.device_id is not None]
    untried = () if None in newest else tuple(one for one in cell.devices if one.id not in newest)
    bound = _bound(current, devices, len(untried))
    return StageReadiness(
        stage=stage,
        verdict=_weakest_word(current, untried),
        current=current,
        former=tuple(trial for trial in trials if newest[trial.device_id] is not trial),
        untried=untried,
        requirement=bound.requirement,
        confidence=bound.confidence,
        whole=bound.whole,
        series=bound.series,
        upper=bound.upper,
        proven_stretch_seconds=bound.proven_stretch_seconds,
        weakest=max(devices, key=_need, default=None),
    )


def _judged(session: Session, trial: Trial) -> JudgedTrial:
    verdict = judge(session, trial)
    return JudgedTrial(trial, verdict, tuple(sign_offs(session, trial, verdict)))


def _weakest_word(current: Sequence[JudgedTrial], untried: Sequence[Device]) -> Decision:
    said = {one.verdict.verdict for one in current}
    worst = next(word for word in WORST_FIRST if word in said)
    return "KEEP RUNNING" if worst == "GO" and untried else worst


def _need(one: JudgedTrial) -> tuple[int, float]:
    """Say how much a cell waits for a device: by its verdict, then by its rate over its limit."""
    verdict = one.verdict
    return -WORST_FIRST.index(verdict.verdict), verdict.upper / verdict.limit


@dataclass(frozen=True)
class _Bound:
    """What bounds a cell at one stage, as `StageReadiness` says."""

    requirement: reliability.Requirement
    confidence: float
    whole: JudgedTrial | None
    series: SeriesBound | None
    upper: float
    proven_stretch_seconds: float | None


def _bound(current: Sequence[JudgedTrial], devices: Sequence[JudgedTrial], untried: int) -> _Bound:
    """Bound a cell by its own trial once that has counted cycles, else by its devices' trials.

    Never by the better of the two: to choose by the outcome would make either wrong more often.
    """
    whole = next((one for one in current if one.trial.device_id is None), None)
    if whole is not None and (whole.verdict.evidence.cycles or not devices):
        verdict = whole.verdict
        return _Bound(
            requirement_of(whole.trial), verdict.bounds.confidence, whole, None, verdict.upper,
            verdict.proven_stretch_seconds,
        )  # fmt: skip
    requirements = [requirement_of(one.trial) for one in devices]
    strictest = min(requirements, key=lambda one: one.cell_limit)
    confidence = max(one.confidence for one in requirements)
    series = _series(devices, untried, confidence)
    proven = strictest.proven_stretch_seconds(series.upper)
    return _Bound(strictest, confidence, None, series, series.upper, proven)


def _series(devices: Sequence[JudgedTrial], untried: int, confidence: float) -> SeriesBound:
    """Bound a cell by its devices' own trials; of a device without a trial nothing is known."""
    counted = [one.verdict.evidence for one in devices]
    return series_upper_bound(
        [*(evidence.failures for evidence in counted), *[0] * untried],
        [*(evidence.cycles for evidence in counted), *[0] * untried],
        confidence=confidence,
        method="peek_safe",
    )
