"""Say what in the records is not as the application left it, and name it.

Everything derived is computed anew from the logbook; the chains of logbook and audit are walked;
every sealed row is compared with its seal, and every pointer is followed.
"""

from __future__ import annotations

from collections.abc import Iterator

from sqlalchemy import select
from sqlalchemy.exc import NoResultFound
from sqlalchemy.orm import Session

from trialog.records.models import Cell
from trialog.records.verify.audit import verify_audit
from trialog.records.verify.derived import verify_revisions, verify_shifts
from trialog.records.verify.difference import Difference
from trialog.records.verify.files import verify_photos, verify_photos_named
from trialog.records.verify.logbook import verify_chain
from trialog.records.verify.pointers import verify_ids, verify_pointers
from trialog.records.verify.reports import verify_kept_reports
from trialog.records.verify.signed import verify_sign_offs

__all__ = ["Difference", "verify", "verify_chain"]

SPOILED = (ArithmeticError, AttributeError, LookupError, NoResultFound, TypeError, ValueError)
"""What computing with values may raise that the application would never have written."""


def verify(session: Session) -> list[Difference]:
    """List every difference between the records and what the application wrote.

    An empty list means that the records are what logbook and audit say, and that no line, event
    or sealed row was changed, added, removed or reordered behind the application's back.
    """
    found = [*verify_audit(session), *verify_pointers(session), *verify_ids(session)]
    for cell_id in session.scalars(select(Cell.id).order_by(Cell.id)).all():
        found += _verify_cell(session, cell_id)
    return [*found, *verify_photos(session), *_verify_kept(session), *_verify_signed(session)]


def _verify_cell(session: Session, cell_id: int) -> Iterator[Difference]:
    try:
        cell = session.get_one(Cell, cell_id)
        yield from verify_chain(session, cell)
        yield from verify_revisions(session, cell)
        yield from verify_shifts(session, cell)
        yield from verify_photos_named(session, cell)
    except SPOILED as error:
        yield Difference(f"cell {cell_id}", f"cannot be computed from its logbook: {error!r}")


def _verify_kept(session: Session) -> Iterator[Difference]:
    try:
        yield from verify_kept_reports(session)
    except SPOILED as error:
        yield Difference("kept reports", f"cannot be read: {error!r}")


def _verify_signed(session: Session) -> Iterator[Difference]:
    try:
        yield from verify_sign_offs(session)
    except SPOILED as error:
        yield Difference("sign-offs", f"cannot be read: {error!r}")
