"""Signing a GO, refusing one, taking either back; and what people take note of before."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from trialog.errors import ConflictError, InvalidValueError, NotAllowedError
from trialog.evidence.frozen import SIGNATURE, frozen_inputs, signature
from trialog.evidence.signed import sign_offs
from trialog.evidence.verdict import Verdict, judge
from trialog.languages import speaking
from trialog.records.audit import record_event
from trialog.records.base import TEXT_LIMIT
from trialog.records.chain import document_hash
from trialog.records.due import want_dossier
from trialog.records.entries import check_length
from trialog.records.models import Acknowledgement, Cell, Person, Revocation, SignOff, Trial
from trialog.records.people import Action, require
from trialog.records.words import AcknowledgementKind, Role, SignDecision


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


def signs_for(person: Person, trial: Trial) -> bool:
    """Say whether a trial's requirement asks for the signature of a person's role."""
    return person.role in trial.requirement.sign_roles


def may_revoke(person: Person, record: SignOff) -> bool:
    """Say whether somebody who signs may take a signature or refusal back.

    Who made it may; an approver or admin may also take back a signature of somebody else. A
    refusal of somebody else nobody overrides: it ends with new evidence, or by who refused.
    """
    if record.person_id == person.id:
        return True
    accepted = record.decision is SignDecision.ACCEPTED
    return accepted and person.role in (Role.APPROVER, Role.ADMIN)


@speaking("en")
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
        If the person's role does not sign, or not for this requirement.
    InvalidValueError
        If the statement is missing or the cautions are not acknowledged.
    ConflictError
        If the verdict is not GO, or the person's signature or refusal still stands.
    """
    require_signer(person, trial)
    statement = _written("statement", statement)
    if not cautions_acknowledged:
        raise InvalidValueError("cautions", "be acknowledged by whoever signs", False)
    cell, verdict = _locked(session, trial)
    if verdict.verdict != "GO":
        raise ConflictError(f"only a GO can be signed; the verdict is {verdict.verdict}")
    _require_undecided(session, trial, person, verdict)
    return _freeze(
        session, verdict, cell, person,
        decision=SignDecision.ACCEPTED, statement=statement, now=now,
    )  # fmt: skip


@speaking("en")
def refuse(
    session: Session, trial: Trial, person: Person, *, reason: str, now: datetime
) -> SignOff:
    """Refuse to sign, whatever the verdict is, and freeze what was refused with the reason.

    While the refusal stands the trial is not signed off, whoever else signs.

    Raises
    ------
    NotAllowedError
        If the person's role does not sign, or not for this requirement.
    InvalidValueError
        If the reason is missing.
    ConflictError
        If the person's signature or refusal still stands.
    """
    require_signer(person, trial)
    reason = _written("reason", reason)
    cell, verdict = _locked(session, trial)
    _require_undecided(session, trial, person, verdict)
    return _freeze(
        session, verdict, cell, person, decision=SignDecision.REFUSED, statement=reason, now=now
    )


def require_revoker(person: Person, record: SignOff) -> None:
    """Raise NotAllowedError where somebody may not take a signature or refusal back."""
    require(person, Action.SIGN)
    if not may_revoke(person, record):
        raise NotAllowedError(
            f"{person.name} ({person.role}) may not revoke what {record.person_name} has "
            f"{record.decision}"
        )


def revoke(
    session: Session, record: SignOff, person: Person, *, reason: str, now: datetime
) -> Revocation:
    """Take a signature or refusal back, with the reason; it stays on record as it was.

    Raises
    ------
    NotAllowedError
        If the person may not, see `may_revoke`.
    InvalidValueError
        If the reason is missing.
    ConflictError
        If it was revoked before.
    """
    require_revoker(person, record)
    reason = _written("reason", reason)
    trial = session.get_one(Trial, record.trial_id)
    session.get_one(Cell, trial.cell_id, with_for_update=True, populate_existing=True)
    before = session.scalar(select(Revocation).where(Revocation.sign_off_id == record.id))
    if before is not None:
        raise ConflictError(f"{before.person_name} has revoked this before")
    revoked = Revocation(
        sign_off_id=record.id,
        person_id=person.id,
        person_name=person.name,
        reason=reason,
        revoked_at=now,
    )
    session.add(revoked)
    session.flush()
    record_event(
        session, "revoked", "trial", trial.id,
        actor=person, now=now, sign_off=record.id, reason=reason,
    )  # fmt: skip
    return revoked


def require_signer(person: Person, trial: Trial) -> None:
    """Raise NotAllowedError where the requirement does not ask for somebody's signature."""
    require(person, Action.SIGN)
    if not signs_for(person, trial):
        asked = ", ".join(trial.requirement.sign_roles)
        raise NotAllowedError(
            f"{person.name} ({person.role}) does not sign here; the requirement asks for: {asked}"
        )


def _locked(session: Session, trial: Trial) -> tuple[Cell, Verdict]:
    """Lock the cell, so that no line comes between the verdict and what freezes it."""
    cell = session.get_one(Cell, trial.cell_id, with_for_update=True, populate_existing=True)
    return cell, judge(session, trial)


def _require_undecided(session: Session, trial: Trial, person: Person, verdict: Verdict) -> None:
    """Let one person decide once, in one role: somebody else stands for the other roles."""
    for item in sign_offs(session, trial, verdict):
        if item.stands and item.record.person_id == person.id:
            done = "refused" if item.refused else "signed"
            raise ConflictError(f"{person.name} has {done} this verdict already")


def _freeze(
    session: Session,
    verdict: Verdict,
    cell: Cell,
    person: Person,
    *,
    decision: SignDecision,
    statement: str,
    now: datetime,
) -> SignOff:
    trial = verdict.evidence.trial
    record = SignOff(
        trial_id=trial.id,
        person_id=person.id,
        person_name=person.name,
        role=person.role,
        decision=decision,
        statement=statement,
        signed_at=now,
        chain_length=cell.chain_length,
        chain_head=cell.chain_head,
    )
    record.document = frozen_inputs(session, verdict, cell) | {SIGNATURE: signature(record)}
    record.document_hash = document_hash(record.document)
    session.add(record)
    session.flush()
    action = "signed" if decision is SignDecision.ACCEPTED else "refused"
    record_event(
        session, action, "trial", trial.id,
        actor=person, now=now, sign_off=record.id, document_hash=record.document_hash,
    )  # fmt: skip
    want_dossier(session, record, now=now)
    return record


def _written(field: str, text: str) -> str:
    text = text.strip()
    if not text:
        raise InvalidValueError(field, "be written", text)
    check_length(field, text, TEXT_LIMIT)
    return text
