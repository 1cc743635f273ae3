"""The first page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from flask import render_template
from sqlalchemy.orm import Session

from trialog.records import queries
from trialog.records.models import Cell, Shift
from trialog.records.people import Action
from trialog.reports.standings import Standing, TrialStanding
from trialog.web.clock import zone
from trialog.web.database import get_session
from trialog.web.home import bp
from trialog.web.remembering import standing_now
from trialog.web.security import allowed


@dataclass(frozen=True)
class CellCard:
    """A cell on the first page: how its trials stand and its last shift."""

    cell: Cell
    trials: Sequence[TrialStanding]
    open_shift: Shift | None
    last_shift: Shift | None


@bp.get("/")
@allowed(Action.READ)
def index() -> str:
    """Show every cell and how its trials stand."""
    session, standing = get_session(), standing_now()
    cards = [_card(session, cell, standing) for cell in queries.cells(session)]
    return render_template("home/index.html", cards=cards)


def _card(session: Session, cell: Cell, standing: Standing) -> CellCard:
    return CellCard(
        cell=cell,
        trials=standing(session, cell, zone()).trials,
        open_shift=queries.open_shift(session, cell),
        last_shift=queries.last_shift(session, cell),
    )
