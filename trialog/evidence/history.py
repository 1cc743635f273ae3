"""What was said of a trial over time: each verdict that differed from the one before."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import Select, select
from sqlalchemy.orm import Session

from trialog.evidence.verdict import Verdict, judge
from trialog.languages import speaking
from trialog.records.audit import record_event
from trialog.records.models import Cell, Person, Trial, VerdictChange
from trialog.records.queries import trials_of
from trialog.records.words import EntryKind

PLAIN = frozenset(
    {
        EntryKind.SHIFT_OPENED,
        EntryKind.GOOD,
        EntryKind.STOP,
        EntryKind.NOTE,
        EntryKind.PHOTO,
        EntryKind.CHECK,
        EntryKind.COUNT,
    }
)
"""Lines after which no verdict is noted. Good cycles come thick and fast, and what they have
changed is noted when their shift closes; the others change no line of a verdict for long."""


@speaking("en")
def note_verdicts(
    session: Session, cell: Cell, *, now: datetime, actor: Person | None = None
) -> list[VerdictChange]:
    """Judge a cell's trials and write down each verdict that is not what was noted last.

    A verdict differs if its word does, or the lines that do not hold. Returns what was added:
    nothing where all is as it was. `actor` is whoever did what made the change; empty: the
    command line. Goes into a transaction of its own, after that of the change: the record must
    not wait for it, or fail with it. The cell's row is locked, so that two changes at once are
    noted one after the other.
    """
    session.refresh(cell, with_for_update=True)
    added = [
        _change(trial, verdict, cell, now)
        for trial in trials_of(session, cell)
        if _differs(verdict := judge(session, trial), last_noted(session, trial))
    ]
    session.add_all(added)
    session.flush()
    for change in added:
        record_event(
            session, "noted verdict", "trial", change.trial_id,
            actor=actor, now=now, verdict=change.verdict, unmet=list(change.unmet),
        )  # fmt: skip
    return added


def last_noted(session: Session, trial: Trial) -> VerdictChange | None:
    """Return the verdict of a trial that was noted last, if any was."""
    return session.scalar(_of(trial).order_by(VerdictChange.id.desc()).limit(1))


def noted_before(session: Session, change: VerdictChange) -> VerdictChange | None:
    """Return what was noted of the same trial before a change; None: it was the first."""
    statement = select(VerdictChange).where(
        VerdictChange.trial_id == change.trial_id, VerdictChange.id < change.id
    )
    return session.scalar(statement.order_by(VerdictChange.id.desc()).limit(1))


def verdict_history(session: Session, trial: Trial) -> Sequence[VerdictChange]:
    """Return all that was noted of a trial, oldest first."""
    return session.scalars(_of(trial).order_by(VerdictChange.id)).all()


def _of(trial: Trial) -> Select[VerdictChange]:
    return select(VerdictChange).where(VerdictChange.trial_id == trial.id)


def _differs(verdict: Verdict, last: VerdictChange | None) -> bool:
    return last is None or (last.verdict, last.unmet) != (verdict.verdict, _unmet(verdict))


def _unmet(verdict: Verdict) -> list[str]:
    return [reason.name for reason in verdict.unmet]


def _change(trial: Trial, verdict: Verdict, cell: Cell, now: datetime) -> VerdictChange:
    return VerdictChange(
        trial_id=trial.id,
        at=now,
        verdict=verdict.verdict,
        cycles=verdict.evidence.cycles,
        failures=verdict.evidence.failures,
        proven_seconds=verdict.proven_stretch_seconds,
        unmet=_unmet(verdict),
        chain_length=cell.chain_length,
    )
