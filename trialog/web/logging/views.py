"""Where logging used to begin: both addresses lead to the tablet page."""

from __future__ import annotations

from flask import redirect, url_for
from werkzeug.wrappers import Response

from trialog.records.models import Cell, Shift
from trialog.records.people import Action
from trialog.web.database import get_or_404
from trialog.web.logging import bp
from trialog.web.security import allowed


@bp.get("/cells/<int:cell_id>/log")
@allowed(Action.LOG)
def start(cell_id: int) -> Response:
    """Go to the tablet page, at a cell."""
    return _at(get_or_404(Cell, cell_id).id)


@bp.get("/shifts/<int:shift_id>/log")
@allowed(Action.LOG)
def log(shift_id: int) -> Response:
    """Go to the tablet page, at a shift's cell: the page finds the shift that is open."""
    return _at(get_or_404(Shift, shift_id).cell_id)


def _at(cell_id: int) -> Response:
    return redirect(url_for("logging.tablet", cell=cell_id))
