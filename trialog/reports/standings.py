"""How cells stand, as plain words and numbers: what a cell's page and the fleet are made of."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import tzinfo
from enum import StrEnum

from sqlalchemy.orm import Session

from trialog.evidence import subject_of
from trialog.evidence.lacking import lacking
from trialog.evidence.readiness import JudgedTrial, StageReadiness, readiness_of
from trialog.languages import mark
from trialog.records.models import Cell
from trialog.records.parking import count_parked
from trialog.records.words import Stage
from trialog.reports import readiness_words, sentences
from trialog.reports.particulars import Particulars, particulars
from trialog.reports.rules_fixed import rules_fixed
from trialog.reports.sign_offs import SignOffStanding, lapsed_still, standing_of


class Need(StrEnum):
    """What a cell needs somebody for, the most pressing first."""

    LAPSED = mark("sign-off lapsed")
    REFUSED = mark("signing refused")
    CHANGED = mark("rules changed late")
    NO_GO = mark("NO-GO")
    PARKED = mark("lines not taken")
    TO_SIGN = mark("to be signed")
    RUNNING = mark("keep running")
    NO_TRIAL = mark("no trial")
    READY = mark("ready")


@dataclass(frozen=True)
class Attention:
    """One thing that a cell needs somebody for; `words` say which trials or what."""

    need: str
    words: str


@dataclass(frozen=True)
class TrialStanding:
    """How a trial stands. Rates per cycle, stretches in seconds; see `Verdict`."""

    trial: str
    subject: str
    stage: str
    verdict: str
    sentence: str
    cycles: int
    failures: int
    confidence: float
    chance: float
    share: float
    upper: float
    limit: float
    proven_stretch_seconds: float | None
    required_stretch_seconds: float
    clean_cycles_to_go: int | None
    shifts_to_go: int | None
    open_lines: tuple[str, ...]
    missing: tuple[str, ...]
    sign_off: SignOffStanding
    lapsed: tuple[str, ...]
    changed_after: tuple[str, ...]
    of_cell: bool = field(metadata={"omit": True})
    trial_id: int = field(metadata={"omit": True})


@dataclass(frozen=True)
class FormerTrial:
    """A trial that a newer one of the same subject and stage has taken the place of."""

    trial: str
    subject: str
    trial_id: int = field(metadata={"omit": True})


@dataclass(frozen=True)
class StageStanding:
    """How a cell stands at one stage; see `StageReadiness`.

    `bound_from` says whether its own trial bounds the cell, or its devices' trials do. `drawn_id`:
    the trial that pictures are drawn of, the one that bounds the cell or the weakest device's.
    """

    stage: str
    verdict: str
    sentence: str
    counted: bool
    bound_from: str
    bound_words: str
    confidence: float
    chance: float
    upper: float
    limit: float
    proven_stretch_seconds: float | None
    required_stretch_seconds: float
    weakest: str | None
    untried: tuple[str, ...]
    clean_cycles_to_go: int | None
    shifts_to_go: int | None
    missing: tuple[str, ...]
    signed: bool
    trials: tuple[TrialStanding, ...]
    former: tuple[FormerTrial, ...]
    drawn_id: int = field(metadata={"omit": True})


@dataclass(frozen=True)
class CellStanding:
    """How a cell stands: what is said first, at which stage, and what it needs somebody for.

    `stage` is the last step of the build-up that has counted cycles, else the last with a trial.
    """

    cell: Particulars
    sentence: str
    may_run_alone: bool
    stage: str | None
    verdict: str | None
    attention: tuple[Attention, ...]
    parked_lines: int
    stages: tuple[StageStanding, ...]
    cell_id: int = field(metadata={"omit": True})

    @property
    def now(self) -> StageStanding | None:
        """The standing at the stage that counts now."""
        return next((one for one in self.stages if one.stage == self.stage), None)

    @property
    def trials(self) -> tuple[TrialStanding, ...]:
        """The trials that count, those of the latest stage first."""
        return tuple(trial for stage in reversed(self.stages) for trial in stage.trials)

    @property
    def part_proven(self) -> float:
        """How much of the required stretch is proven at that stage, from 0 to 1."""
        now = self.now
        if now is None:
            return 0.0
        proven = now.proven_stretch_seconds
        return 1.0 if proven is None else min(1.0, proven / now.required_stretch_seconds)

    @property
    def proven_words(self) -> str:
        """The proven stretch beside the required one, in words."""
        now = self.now
        return (
            ""
            if now is None
            else readiness_words.of_required(
                now.proven_stretch_seconds, now.required_stretch_seconds
            )
        )


Standing = Callable[[Session, Cell, tzinfo], CellStanding]
"""What says how a cell stands: `cell_standing`, or who remembers what that said."""


def cell_standing(session: Session, cell: Cell, zone: tzinfo) -> CellStanding:
    """Say how a cell stands as the records are."""
    ready = readiness_of(session, cell)
    stages = tuple(_stage(session, one, zone) for one in ready)
    last = _leading(ready)
    alone = last is not None and readiness_words.may_run_alone(last)
    parked = count_parked(session, cell.id)
    return CellStanding(
        cell=particulars(cell),
        sentence=readiness_words.alone(last),
        may_run_alone=alone,
        stage=None if last is None else str(last.stage),
        verdict=None if last is None else last.verdict,
        attention=tuple(_attention(stages, last, parked)),
        parked_lines=parked,
        stages=stages,
        cell_id=cell.id,
    )


def _leading(ready: Sequence[StageReadiness]) -> StageReadiness | None:
    """Return the stage that counts now: the last with counted cycles, else the last there is."""
    counted = [one for one in ready if one.counted]
    return next(reversed(counted or list(ready)), None)


def _stage(session: Session, found: StageReadiness, zone: tzinfo) -> StageStanding:
    return StageStanding(
        stage=str(found.stage),
        verdict=found.verdict,
        sentence=readiness_words.at_stage(found),
        counted=found.counted,
        bound_from="devices" if found.whole is None else "whole cell",
        bound_words=readiness_words.bound(found),
        confidence=found.confidence,
        chance=found.requirement.chance,
        upper=found.upper,
        limit=found.limit,
        proven_stretch_seconds=found.proven_stretch_seconds,
        required_stretch_seconds=found.requirement.stretch_hours * 3600,
        weakest=None if found.weakest is None else found.weakest.verdict.subject,
        untried=tuple(device.name for device in found.untried),
        clean_cycles_to_go=found.clean_cycles_to_go,
        shifts_to_go=found.shifts_to_go,
        missing=tuple(lacking(found.missing_conditions)),
        signed=found.signed,
        trials=tuple(_trial(session, one, zone) for one in found.current),
        drawn_id=(found.whole or found.weakest or found.current[0]).trial.id,
        former=tuple(
            FormerTrial(trial.name, subject_of(trial), trial.id) for trial in found.former
        ),
    )


def _trial(session: Session, one: JudgedTrial, zone: tzinfo) -> TrialStanding:
    trial, verdict = one.trial, one.verdict
    return TrialStanding(
        trial=trial.name,
        subject=verdict.subject,
        stage=str(trial.stage),
        verdict=verdict.verdict,
        sentence=sentences.proven(verdict),
        cycles=verdict.evidence.cycles,
        failures=verdict.evidence.failures,
        confidence=verdict.bounds.confidence,
        chance=verdict.chance,
        share=verdict.share,
        upper=verdict.upper,
        limit=verdict.limit,
        proven_stretch_seconds=verdict.proven_stretch_seconds,
        required_stretch_seconds=verdict.required_stretch_seconds,
        clean_cycles_to_go=verdict.clean_cycles_to_go,
        shifts_to_go=verdict.shifts_to_go,
        open_lines=tuple(reason.name for reason in verdict.unmet),
        missing=tuple(lacking(one.missing_conditions)),
        sign_off=standing_of(one.signed, zone),
        lapsed=lapsed_still(trial, one.sign_offs, zone),
        changed_after=rules_fixed(session, trial, zone).changed_after,
        of_cell=trial.device_id is None,
        trial_id=trial.id,
    )


def _attention(
    stages: Sequence[StageStanding],
    last: StageReadiness | None,
    parked: int,
) -> Iterator[Attention]:
    """Name what a cell needs somebody for, the most pressing first; there is always something."""
    trials = [trial for stage in stages for trial in stage.trials]
    for need, concerned in (
        (Need.LAPSED, [trial for trial in trials if trial.lapsed]),
        (Need.REFUSED, [trial for trial in trials if trial.sign_off.status == "refused"]),
        (Need.CHANGED, [trial for trial in trials if trial.changed_after]),
        (Need.NO_GO, _stopped(stages)),
    ):
        if concerned:
            subjects = [trial.subject for trial in concerned]
            yield Attention(need, readiness_words.concerned(need, subjects))
    if parked:
        yield Attention(Need.PARKED, readiness_words.parked(parked))
    yield from _what_next(last)


def _stopped(stages: Sequence[StageStanding]) -> list[TrialStanding]:
    """Return the trials that are NO-GO; the whole cell's only where none of its devices is."""
    found = []
    for stage in stages:
        stopped = [trial for trial in stage.trials if trial.verdict == "NO-GO"]
        found += [trial for trial in stopped if not trial.of_cell] or stopped
    return found


def _what_next(last: StageReadiness | None) -> Iterator[Attention]:
    if last is None:
        yield Attention(Need.NO_TRIAL, readiness_words.no_trial())
    elif (
        last.verdict == "GO" and last.signed and last.stage is Stage.UNATTENDED and not last.reached
    ):
        yield Attention(Need.RUNNING, readiness_words.not_reached(last))
    elif last.verdict == "GO" and last.signed:
        yield Attention(Need.READY, readiness_words.ready(last))
    elif last.verdict == "GO":
        yield Attention(Need.TO_SIGN, readiness_words.to_sign(last))
    elif last.verdict == "KEEP RUNNING":
        yield Attention(Need.RUNNING, readiness_words.keep_running(last))


def pressing(standing: CellStanding) -> tuple[int, str]:
    """Order cells by what needs somebody most, then by name."""
    needs = list(Need)
    return min(needs.index(Need(one.need)) for one in standing.attention), standing.cell.name
