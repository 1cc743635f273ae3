"""People, for admins."""

from __future__ import annotations

from flask import render_template

from trialog.records.people import Action
from trialog.web.people import bp
from trialog.web.security import allowed


@bp.get("/people")
@allowed(Action.MANAGE_PEOPLE)
def index() -> str:
    """List the people."""
    return render_template("error.html", title="People", status=200, message="")
