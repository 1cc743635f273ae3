"""After a change: note and tell each verdict that is another one, without holding up the log."""

from __future__ import annotations

from collections.abc import Iterable

from flask import current_app

from trialog.evidence import PLAIN, note_verdicts
from trialog.notices import tell_verdicts
from trialog.records.database import unit_of_work
from trialog.records.models import Cell, Person
from trialog.records.words import EntryKind
from trialog.web.clock import now
from trialog.web.database import get_session


def note_after(cell: Cell, kinds: Iterable[EntryKind], *, actor: Person | None) -> None:
    """Note the verdicts of a cell after lines were written, unless all of them were plain."""
    if not PLAIN.issuperset(kinds):
        note_change(cell, actor=actor)


def note_change(cell: Cell, *, actor: Person | None) -> None:
    """Note the verdicts of a cell after something that may have changed one.

    What made the change is committed by now. Should noting fail, the change stands all the
    same, and the next one notes what this one could not: the server's log says so.
    """
    session, cell_id = get_session(), cell.id
    try:
        with unit_of_work(session):
            moment = now()
            tell_verdicts(
                session, note_verdicts(session, cell, now=moment, actor=actor), now=moment
            )
    except Exception:
        current_app.logger.exception("the verdicts of cell %s could not be noted", cell_id)
