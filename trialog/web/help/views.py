"""Help pages."""

from __future__ import annotations

from flask import render_template

from trialog.web.help import bp
from trialog.web.security import public


@bp.get("/help")
@public
def index() -> str:
    """Show the list of help pages."""
    return page("index")


@bp.get("/help/<name>")
@public
def page(name: str) -> str:
    """Show a help page."""
    return render_template("error.html", title=name, status=200, message="")
