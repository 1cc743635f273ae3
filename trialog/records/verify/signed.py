"""Whether sign-offs still hold what was signed, and the logbook what they rest on."""

from __future__ import annotations

from collections.abc import Iterator

from sqlalchemy import select
from sqlalchemy.orm import Session

from trialog.records.chain import document_hash
from trialog.records.models import Entry, SignOff
from trialog.records.verify.difference import Difference


def verify_sign_offs(session: Session) -> Iterator[Difference]:
    for signed in session.scalars(select(SignOff).order_by(SignOff.id)):
        where = f"sign-off {signed.id} by {signed.person_name!r}"
        if document_hash(signed.document) != signed.document_hash:
            yield Difference(where, "its document was changed after it was signed")
        cell_id = signed.document["cell_id"]
        line = session.scalar(
            select(Entry.hash).where(
                Entry.cell_id == cell_id, Entry.sequence == signed.chain_length
            )
        )
        if (line or "") != signed.chain_head:
            yield Difference(where, "the logbook no longer holds what it was signed on")
