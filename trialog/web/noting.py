"""After a change: note and tell each verdict that is another one, and keep what was signed.

It all comes after the change, in transactions of its own: nothing of the log waits for it.
"""

from __future__ import annotations

from collections.abc import Iterable

from flask import current_app

from trialog.evidence import PLAIN, note_verdicts
from trialog.notices import tell_verdicts
from trialog.records.database import unit_of_work
from trialog.records.models import Cell, Person, Trial
from trialog.records.words import EntryKind
from trialog.reports.keeping import keep_dossiers
from trialog.web.clock import now
from trialog.web.database import get_session
from trialog.web.notices.posting import post_of


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


def keep_signed(trial: Trial) -> None:
    """Keep a trial's dossier as it lay before whoever has signed just now, or refused to.

    The signature is committed by now. Should keeping fail, the dossier stays due.
    """
    trial_id = trial.id
    try:
        keep_dossiers(post_of(current_app).keeper, trial_id)
    except Exception:
        current_app.logger.exception("the dossier of trial %s could not be kept yet", trial_id)
