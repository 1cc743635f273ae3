"""The first page."""

from __future__ import annotations

from flask import render_template

from trialog.records import queries
from trialog.records.people import Action
from trialog.web.database import get_session
from trialog.web.home import bp
from trialog.web.security import allowed


@bp.get("/")
@allowed(Action.READ)
def index() -> str:
    """Show every cell and how its trials stand."""
    return render_template("home/index.html", cells=queries.cells(get_session()))
