"""Refuse a batch with a line that its sender's role does not allow."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy.orm import Session

from trialog.errors import NotAllowedError
from trialog.records.entries import NewEntry
from trialog.records.models import Cell, Person
from trialog.records.people import require
from trialog.records.rights import actions_needed
from trialog.web.logging.refusing import RefusedLineError


def require_rights(
    session: Session, cell: Cell, entries: Sequence[NewEntry], actor: Person
) -> None:
    """Check that somebody may write these lines; the cell's row must be locked.

    Lines that nobody may write on a closed shift are the write path's to refuse, which can
    say why.

    Raises
    ------
    RefusedLineError
        For the first line that the person's role does not allow.
    """
    for client_id, action in actions_needed(session, cell, entries).items():
        try:
            require(actor, action)
        except NotAllowedError as error:
            raise RefusedLineError(error, client_id) from error
