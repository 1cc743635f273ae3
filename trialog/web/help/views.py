"""The help pages; readable without signing in."""

from __future__ import annotations

from flask import Response, abort, render_template, send_from_directory

from trialog.reports.kinds import KINDS, json_text
from trialog.reports.schema import schema_of
from trialog.web.help import bp
from trialog.web.help.pages import IMAGES, INDEX, help_page
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


@bp.get("/help/images/<name>.svg")
@public
def image(name: str) -> Response:
    """Serve a picture of a help page."""
    return send_from_directory(IMAGES, f"{name}.svg")


@bp.get("/help/schema/<kind>.json")
@public
def schema(kind: str) -> Response:
    """Serve the schema of a kind of report's data; it holds nothing of the records."""
    if kind not in KINDS:
        abort(404)
    return Response(json_text(schema_of(KINDS[kind])), mimetype="application/schema+json")


def _show(name: str) -> str:
    found = help_page(name)
    if found is None:
        abort(404)
    return render_template("help/page.html", page=found)
