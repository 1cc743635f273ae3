"""Sign-offs: people's acceptance of a frozen verdict, and what makes one lapse."""

from __future__ import annotations

from collections import Counter
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from trialog import __version__
from trialog.errors import ConflictError, InvalidValueError
from trialog.evidence.cautions import CAUTIONS
from trialog.evidence.verdict import Verdict, judge, verdict_as_dict
from trialog.records.audit import record_event
from trialog.records.base import TEXT_LIMIT
from trialog.records.chain import document_hash
from trialog.records.entries import check_length
from trialog.records.models import (
    Acknowledgement,
    Cell,
    Entry,
    ParkedLine,
    Person,
    Shift,
    SignOff,
    Trial,
)
from trialog.records.parking import count_by_outcome
from trialog.records.people import Action, require
from trialog.records.schema import newest_version
from trialog.records.words import AcknowledgementKind, EntryKind


@dataclass(frozen=True)
class SignedOff:
    """A sign-off and what has happened since that takes its ground away."""

    record: SignOff
    lapses: tuple[str, ...]

    @property
    def lapsed(self) -> bool:
        """Whether the sign-off no longer stands for the records."""
        return bool(self.lapses)


def acknowledge(
    session: Session,
    trial: Trial,
    kind: AcknowledgementKind,
    text: str,
    *,
    actor: Person,
    now: datetime,
) -> Acknowledgement:
    """Put on record that somebody took note of the cautions, or of a trend or burst."""
    require(actor, Action.ACKNOWLEDGE)
    noted = Acknowledgement(
        trial_id=trial.id,
        kind=kind,
        person_id=actor.id,
        text=_written("text", text),
        chain_length=trial.cell.chain_length,
        created_at=now,
    )
    session.add(noted)
    session.flush()
    record_event(session, "acknowledged", "trial", trial.id, actor=actor, now=now, kind=kind)
    return noted


def sign(
    session: Session,
    trial: Trial,
    person: Person,
    *,
    statement: str,
    cautions_acknowledged: bool,
    now: datetime,
) -> SignOff:
    """Sign a GO: freeze what it rests on, with the signer's statement.

    Raises
    ------
    NotAllowedError
        If the person's role does not sign.
    InvalidValueError
        If the statement is missing or the cautions are not acknowledged.
    ConflictError
        If the verdict is not GO, or the person's sign-off of it still stands.
    """
    require(person, Action.SIGN)
    statement = _written("statement", statement)
    if not cautions_acknowledged:
        raise InvalidValueError("cautions", "be acknowledged by whoever signs", False)
    cell = session.get_one(Cell, trial.cell_id, with_for_update=True, populate_existing=True)
    verdict = judge(session, trial)
    if verdict.verdict != "GO":
        raise ConflictError(f"only a GO can be signed; the verdict is {verdict.verdict}")
    standing = (item.record for item in sign_offs(session, trial) if not item.lapsed)
    if any(record.person_id == person.id for record in standing):
        raise ConflictError(f"{person.name} has signed this verdict already")
    document = frozen_inputs(verdict, cell)
    signed = SignOff(
        trial_id=trial.id,
        person_id=person.id,
        person_name=person.name,
        role=person.role,
        statement=statement,
        signed_at=now,
        chain_length=cell.chain_length,
        chain_head=cell.chain_head,
        document=document,
        document_hash=document_hash(document),
    )
    session.add(signed)
    session.flush()
    record_event(
        session, "signed", "trial", trial.id,
        actor=person, now=now, sign_off=signed.id, document_hash=signed.document_hash,
    )  # fmt: skip
    return signed


def _written(field: str, text: str) -> str:
    text = text.strip()
    if not text:
        raise InvalidValueError(field, "be written", text)
    check_length(field, text, TEXT_LIMIT)
    return text


def frozen_inputs(verdict: Verdict, cell: Cell) -> dict[str, Any]:
    """Return everything a verdict rests on, as plain data that can be hashed."""
    trial = verdict.evidence.trial
    requirement = trial.requirement
    return {
        "verdict": verdict_as_dict(verdict),
        "cell_id": cell.id,
        "cell": {
            "name": cell.name,
            "machine": cell.machine,
            "part": cell.part,
            "operation": cell.operation,
        },
        "stage": str(trial.stage),
        "plan": {"kind": str(trial.plan_kind), **asdict(verdict.plan)},
        "requirement": {
            "name": requirement.name,
            "stretch_hours": requirement.stretch_hours,
            "cycle_seconds": requirement.cycle_seconds,
            "chance": requirement.chance,
            "confidence": requirement.confidence,
            "design_rate": requirement.design_rate,
        },
        "shifts": [
            {
                "label": row["label"],
                "cycles": int(row["cycles"]),
                "failures": int(row["failures"]),
                "no_tests": int(row["no_tests"]),
            }
            for row in verdict.evidence.shifts.to_dict("records")
        ],
        "evidence_since": verdict.evidence.since.what,
        "logbook": {"lines": cell.chain_length, "hash": cell.chain_head},
        "cautions": list(CAUTIONS),
        "versions": {"trialog": __version__, "schema": newest_version()},
    }


def sign_offs(session: Session, trial: Trial) -> list[SignedOff]:
    """Return a trial's sign-offs, newest first, each with what made it lapse."""
    statement = select(SignOff).where(SignOff.trial_id == trial.id).order_by(SignOff.id.desc())
    return [
        SignedOff(record, _lapses(session, trial, record)) for record in session.scalars(statement)
    ]


def _lapses(session: Session, trial: Trial, record: SignOff) -> tuple[str, ...]:
    """Say what came after a sign-off: changes to the device, and other lines of the stage.

    Where nothing did, the verdict must be GO still.
    """
    revisions = select(Entry).where(
        Entry.cell_id == trial.cell_id,
        Entry.sequence > record.chain_length,
        Entry.kind == EntryKind.REVISION,
    )
    if trial.device_id is not None:
        revisions = revisions.where(Entry.device_id == trial.device_id)
    lines = (
        select(Entry.kind)
        .outerjoin(Shift, Shift.id == Entry.shift_id)
        .where(
            Entry.cell_id == trial.cell_id,
            Entry.sequence > record.chain_length,
            Entry.kind != EntryKind.REVISION,
            or_(Shift.stage == trial.stage, Entry.shift_id.is_(None)),
        )
        .order_by(Entry.sequence)
    )
    changed = session.scalars(revisions.order_by(Entry.sequence))
    lapses = [f"changed since: {entry.text}" for entry in changed]
    kinds = Counter(session.scalars(lines))
    if kinds:
        listed = ", ".join(f"{number} {kind}" for kind, number in kinds.most_common())
        lapses.append(f"lines logged since: {listed}")
    since = (ParkedLine.cell_id == trial.cell_id, ParkedLine.parked_at > record.signed_at)
    if parked := count_by_outcome(session, *since).total():
        # Also when it was settled meanwhile: who signed did not know of it.
        lapses.append(f"lines from tablets that were not taken into the logbook since: {parked}")
    # What is not in the logbook bears on a verdict too: when the cell's counter restarts, say.
    if not lapses and (verdict := judge(session, trial).verdict) != "GO":
        lapses.append(f"the verdict is {verdict} now")
    return tuple(lapses)
