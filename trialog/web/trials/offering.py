"""What a trial's page offers beside each signature: its document, and taking it back."""

from __future__ import annotations

from flask import url_for
from sqlalchemy import select
from sqlalchemy.orm import Session

from trialog.evidence import may_revoke
from trialog.records.models import Person, Revocation, SignOff, Trial
from trialog.records.people import Action, may
from trialog.records.words import SignDecision

Link = tuple[str, str]
"""Words and where they lead."""


def sign_off_links(session: Session, trial: Trial, person: Person) -> dict[int, list[Link]]:
    """Return the links beside each of a trial's signatures and refusals, by its id."""
    statement = (
        select(SignOff, Revocation.id)
        .outerjoin(Revocation, Revocation.sign_off_id == SignOff.id)
        .where(SignOff.trial_id == trial.id)
    )
    return {
        record.id: _links(record, person, revoked=revoked is not None)
        for record, revoked in session.execute(statement)
    }


def _links(record: SignOff, person: Person, *, revoked: bool) -> list[Link]:
    document = url_for("trials.signed_document_json", sign_off_id=record.id)
    links = [("Download the signed document (JSON)", document)]
    if not revoked and may(person, Action.SIGN) and may_revoke(person, record):
        refused = record.decision is SignDecision.REFUSED
        words = "Take this refusal back" if refused else "Revoke this signature"
        links.append((words, url_for("trials.revoke", sign_off_id=record.id)))
    return links
