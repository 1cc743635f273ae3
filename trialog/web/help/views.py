"""The help pages; readable without signing in."""

from __future__ import annotations

from flask import abort, render_template

from trialog.web.help import bp
from trialog.web.help.pages import INDEX, help_page
from trialog.web.security import public


@bp.get("/help")
@public
def index() -> str:
    """Show the list of help pages."""
    return _show(INDEX)


@bp.get("/help/<name>")
@public
def page(name: str) -> str:
    """Show a help page."""
    return _show(name)


def _show(name: str) -> str:
    found = help_page(name)
    if found is None:
        abort(404)
    return render_template("help/page.html", page=found)
