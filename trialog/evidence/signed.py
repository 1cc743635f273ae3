"""Who has signed or refused a verdict, what made that lapse, and whether a trial is signed off."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Select, func, or_, select
from sqlalchemy.orm import Session

from trialog.evidence.verdict import Verdict, judge
from trialog.languages import t
from trialog.records.models import Entry, ParkedLine, Person, Revocation, Shift, SignOff, Trial
from trialog.records.parking import count_by_outcome
from trialog.records.words import EntryKind, Role, SignDecision

LINES_SHOWN = 5
"""How many of the lines that made a sign-off lapse are named; the rest is counted."""


@dataclass(frozen=True)
class LapseLine:
    """A line that took a sign-off's ground away: which, where, who entered it and when.

    `sequence` is its place in the logbook; None: a line that waits outside of it.
    """

    kind: str
    sequence: int | None
    shift: str | None
    shift_id: int | None
    person: str | None
    at: datetime


@dataclass(frozen=True)
class Lapse:
    """One reason why a sign-off no longer stands, with the first of the lines behind it."""

    words: str
    lines: tuple[LapseLine, ...] = ()
    more: int = 0


@dataclass(frozen=True)
class SignedOff:
    """A signature or refusal, and what has happened since that takes its ground away."""

    record: SignOff
    causes: tuple[Lapse, ...]
    revocation: Revocation | None = None

    @property
    def lapses(self) -> tuple[str, ...]:
        """Why it lapsed, in words."""
        return tuple(cause.words for cause in self.causes)

    @property
    def lapsed(self) -> bool:
        """Whether the records no longer bear it out."""
        return bool(self.causes)

    @property
    def stands(self) -> bool:
        """Whether it counts still: neither lapsed nor revoked."""
        return not self.causes and self.revocation is None

    @property
    def refused(self) -> bool:
        """Whether it is a refusal."""
        return self.record.decision is SignDecision.REFUSED


@dataclass(frozen=True)
class SignOffState:
    """Whether a trial is signed off.

    `status` is "signed" where every required role has a standing signature and nobody's refusal
    stands, "incomplete" where some have, "refused" where a refusal stands; else what became of
    the newest signature, "lapsed" or "revoked", or "none". `signatures` and `refusals` stand.
    """

    status: str
    required: tuple[Role, ...]
    missing: tuple[Role, ...]
    signatures: tuple[SignedOff, ...]
    refusals: tuple[SignedOff, ...]
    newest: SignedOff | None

    @property
    def signed(self) -> bool:
        """Whether all who must have signed, and their signatures stand."""
        return self.status == "signed"


def sign_offs(session: Session, trial: Trial, verdict: Verdict | None = None) -> list[SignedOff]:
    """Return a trial's signatures and refusals, newest first, each with what made it lapse.

    `verdict`: that of the trial as the records stand, for who has it at hand.
    """
    statement = (
        select(SignOff, Revocation)
        .outerjoin(Revocation, Revocation.sign_off_id == SignOff.id)
        .where(SignOff.trial_id == trial.id)
        .order_by(SignOff.id.desc())
    )
    found = []
    for record, revocation in session.execute(statement):
        causes = () if revocation is not None else _lapses(session, trial, record)
        if not causes and revocation is None and record.decision is SignDecision.ACCEPTED:
            verdict = verdict or judge(session, trial)
            causes = _not_go(verdict)
        found.append(SignedOff(record, causes, revocation))
    return found


def trial_signed(session: Session, trial: Trial, verdict: Verdict | None = None) -> SignOffState:
    """Say whether a trial is signed off; `verdict` as in `sign_offs`."""
    return state_of(trial, sign_offs(session, trial, verdict))


def state_of(trial: Trial, found: Sequence[SignedOff]) -> SignOffState:
    """Say whether a trial is signed off, from its signatures and refusals, newest first."""
    required = tuple(Role(role) for role in trial.requirement.sign_roles)
    refusals = tuple(item for item in found if item.stands and item.refused)
    signatures = tuple(item for item in found if item.stands and not item.refused)
    newest = next((item for item in found if not item.refused), None)
    missing = _missing(required, signatures)
    if refusals:
        status = "refused"
    elif not missing:
        status = "signed"
    elif signatures:
        status = "incomplete"
    elif newest is None:
        status = "none"
    else:
        status = "revoked" if newest.revocation is not None else "lapsed"
    return SignOffState(status, required, missing, signatures, refusals, newest)


def _missing(required: Sequence[Role], signatures: Sequence[SignedOff]) -> tuple[Role, ...]:
    """Return the roles that nobody has signed for. One person stands for one role only."""
    people: set[int] = set()
    missing = []
    for role in required:
        for item in signatures:
            if item.record.role == role and item.record.person_id not in people:
                people.add(item.record.person_id)
                break
        else:
            missing.append(role)
    return tuple(missing)


def _not_go(verdict: Verdict) -> tuple[Lapse, ...]:
    """Say where the verdict is GO no more, though no line came.

    What is not in the logbook bears on it too: when the cell's counter restarts, say.
    """
    if verdict.verdict == "GO":
        return ()
    return (Lapse(t("the verdict is {verdict} now", verdict=t(verdict.verdict))),)


def _lapses(session: Session, trial: Trial, record: SignOff) -> tuple[Lapse, ...]:
    """Say what came after a sign-off: changes to the device, and other lines of the stage."""
    return (
        *_changes(session, trial, record),
        *_lines(session, trial, record),
        *_parked(session, trial, record),
    )


def _since(trial: Trial, record: SignOff) -> tuple[ColumnElement[bool], ...]:
    return Entry.cell_id == trial.cell_id, Entry.sequence > record.chain_length


def _named(*which: ColumnElement[bool]) -> Select[*tuple[Any, ...]]:
    """Select lines with what is told of them, in the order of the logbook."""
    return (
        select(
            Entry.kind, Entry.sequence, Shift.label, Entry.shift_id, Person.name,
            Entry.recorded_at, Entry.text,
        )
        .outerjoin(Shift, Shift.id == Entry.shift_id)
        .outerjoin(Person, Person.id == func.coalesce(Entry.recorded_by_id, Entry.person_id))
        .where(*which)
        .order_by(Entry.sequence)
    )  # fmt: skip


def _changes(session: Session, trial: Trial, record: SignOff) -> list[Lapse]:
    revisions = _named(*_since(trial, record), Entry.kind == EntryKind.REVISION)
    if trial.device_id is not None:
        revisions = revisions.where(Entry.device_id == trial.device_id)
    return [
        Lapse(t("changed since: {what}", what=row.text), (_line(row),))
        for row in session.execute(revisions)
    ]


def _line(row: Any) -> LapseLine:
    return LapseLine(
        str(row.kind), row.sequence, row.label, row.shift_id, row.name, row.recorded_at
    )


def _lines(session: Session, trial: Trial, record: SignOff) -> list[Lapse]:
    which = (
        *_since(trial, record),
        # What a machine says is nobody's doing; what it comes to shows in the verdict.
        Entry.kind.not_in((EntryKind.REVISION, EntryKind.COUNT)),
        or_(Shift.stage == trial.stage, Entry.shift_id.is_(None)),
    )
    counted = (
        select(Entry.kind, func.count())
        .outerjoin(Shift, Shift.id == Entry.shift_id)
        .where(*which)
        .group_by(Entry.kind)
        .order_by(func.min(Entry.sequence))
    )
    kinds = Counter({kind: lines for kind, lines in session.execute(counted)})
    if not kinds:
        return []
    told = ", ".join(f"{number} {t(kind)}" for kind, number in kinds.most_common())
    first = [_line(row) for row in session.execute(_named(*which).limit(LINES_SHOWN))]
    words = t("lines logged since: {lines}", lines=told)
    return [Lapse(words, tuple(first), kinds.total() - len(first))]


def _parked(session: Session, trial: Trial, record: SignOff) -> list[Lapse]:
    """Say what waits outside the logbook, or waited and was settled: who signed did not know."""
    since = (ParkedLine.cell_id == trial.cell_id, ParkedLine.parked_at > record.signed_at)
    parked = count_by_outcome(session, *since).total()
    if not parked:
        return []
    first = select(ParkedLine.parked_at, Person.name).outerjoin(
        Person, Person.id == ParkedLine.person_id
    )
    rows = session.execute(first.where(*since).order_by(ParkedLine.id).limit(LINES_SHOWN))
    lines = tuple(
        LapseLine("parked", None, None, None, person, parked_at) for parked_at, person in rows
    )
    words = t(
        "lines from tablets that were not taken into the logbook since: {number}",
        number=parked,
    )
    return [Lapse(words, lines, parked - len(lines))]
