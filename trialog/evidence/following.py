"""Trials that go on from one another: by hand, robot attended, unattended, or the same again."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from trialog.evidence.verdict import Verdict, judge
from trialog.records.models import Trial
from trialog.records.words import Stage


@dataclass(frozen=True)
class Chain:
    """The trials before one, oldest first, each as it stands now, and those that go on from it.

    None of their cycles count for it: each trial has its own stage or its own beginning.
    """

    former: tuple[Verdict, ...]
    later: tuple[Verdict, ...]


def chain_of(session: Session, trial: Trial) -> Chain:
    """Judge the trials that one goes on from, and those that go on from it."""
    former: list[Trial] = []
    before = trial.follows_id
    while before is not None:
        former.append(session.get_one(Trial, before))
        before = former[-1].follows_id
    later = session.scalars(select(Trial).where(Trial.follows_id == trial.id).order_by(Trial.id))
    return Chain(
        former=tuple(judge(session, one) for one in reversed(former)),
        later=tuple(judge(session, one) for one in later),
    )


def next_stage(stage: Stage) -> Stage:
    """Return the step of the build-up after one; the last is followed by itself."""
    stages = list(Stage)
    return stages[min(stages.index(stage) + 1, len(stages) - 1)]


def suggested_stage(verdict: Verdict) -> Stage:
    """Return the stage to go on with: the next one after a GO, and otherwise the same again."""
    stage = verdict.evidence.trial.stage
    return next_stage(stage) if verdict.verdict == "GO" else stage


def suggested_name(session: Session, former: Trial, stage: Stage) -> str:
    """Return a name that no trial has, made of the former one's."""
    name = former.name.replace(former.stage, stage) if former.stage in former.name else former.name
    taken = set(session.scalars(select(Trial.name)))
    if former.stage not in former.name and stage is not former.stage:
        name = f"{name}, {stage}"
    number, tried = 2, name
    while tried in taken:
        tried, number = f"{name} {number}", number + 1
    return tried
